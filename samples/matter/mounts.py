"""What holds a sample: the elements that show of it, and the heat it stands."""

import csv
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from facility.errors import Refused

MOUNTS_FILE = Path(__file__).parent / "data" / "mounts.csv"


@dataclass(frozen=True, slots=True)
class Mounting:
    """A mounting medium: elements that the analyser may see of it, highest temperature [°C].

    `adhesive` are those that only its adhesive and liner show; `max_temperature_c` is None where
    no limit is known.
    """

    name: str
    elements: tuple[str, ...]
    max_temperature_c: float | None
    is_tape: bool
    source: str
    adhesive: tuple[str, ...] = ()

    def __str__(self):
        return self.name


@cache
def shipped_mountings():
    """The shipped mounting media by name.

    >>> shipped_mountings()["copper tape"].elements
    ('Cu', 'C', 'O', 'Si')
    """
    with MOUNTS_FILE.open(encoding="utf-8", newline="") as lines:
        return {
            row["name"]: Mounting(
                row["name"],
                tuple(row["elements"].split()),
                float(row["max_temperature_c"]) if row["max_temperature_c"] else None,
                row["tape"] == "yes",
                row["source"],
                tuple(row["adhesive"].split()),
            )
            for row in csv.DictReader(lines)
        }


def find_mounting(name, added=None):
    """The mounting medium of this name, those `added` by the facility first.

    Takes:   name as typed, in any case; added, {name: Mounting} or None.
    Returns: Mounting, or None for an empty name.
    Raises:  Refused when nobody knows it.
    >>> find_mounting("Indium foil").max_temperature_c
    156.6
    >>> find_mounting("chewing gum")
    Traceback (most recent call last):
    ...
    facility.errors.Refused: mounting 'chewing gum' is not known; it is one of copper tape, ...
    """
    if not name:
        return None
    tidy = " ".join(name.casefold().split())
    tidy = tidy.replace("aluminum", "aluminium")
    known = shipped_mountings() | {key.casefold(): one for key, one in (added or {}).items()}
    if tidy not in known:
        raise Refused(
            f"mounting {name!r} is not known; it is one of {', '.join(known)}, or staff add it."
        )
    return known[tidy]
