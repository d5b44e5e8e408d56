"""Codes of holders, samples and consumable lots: seven characters and a check character.

The alphabet is the 32 letters and digits without I, L, O, U; the first character is the kind.
"""

import re
import secrets

ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
KINDS = {"H": "holder", "S": "sample", "C": "consumable lot"}
_ISO = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ*"  # ISO/IEC 7064:2003, MOD 37-2


def check_character(text):
    """The ISO 7064 MOD 37-2 check character of `text`.

    >>> check_character("G123489654321")
    'Y'
    """
    total = 0
    for character in text:
        total = (total + _ISO.index(character)) * 2 % 37
    return _ISO[(1 - total) % 37]


def new_code(kind, *, choice=secrets.choice):
    """A code of `kind` (H, S or C) whose check character is in the alphabet."""
    if kind not in KINDS:
        raise ValueError(f"a code's kind is H, S or C, not {kind!r}")
    while True:
        stem = kind + "".join(choice(ALPHABET) for _ in range(6))
        check = check_character(stem)
        if check in ALPHABET:
            return stem + check


def read_code(text):
    """The code in what was typed or scanned: the last eight characters that can be one.

    Any case, spaces and hyphens; O is read as 0, I and L as 1; of an address only the end counts.
    Raises ValueError with a sentence.

    >>> read_code("https://lab.example.org/H/HB7K3Q-9O")  # the check is checked too
    Traceback (most recent call last):
    ...
    ValueError: 'https://lab.example.org/H/HB7K3Q-9O' has a character wrong or two swapped. Look at it again.
    """
    kept = re.sub(r"[\s\-_.]+", "", text.split("?")[0].split("#")[0]).rstrip("/").upper()
    last = kept.rsplit("/", 1)[-1][-8:].translate(str.maketrans("OIL", "011"))
    shown = text.strip()[:60]
    if len(last) < 8:
        raise ValueError(f"{shown!r} is too short for a code. A code has eight letters and digits.")
    if strange := next((c for c in last if c not in ALPHABET), None):
        raise ValueError(f"{shown!r} holds {strange!r}, which no code has. Look at it again.")
    if last[0] not in KINDS:
        raise ValueError(f"{shown!r} is no holder, sample or lot: a code begins with H, S or C.")
    if check_character(last[:7]) != last[7]:
        raise ValueError(f"{shown!r} has a character wrong or two swapped. Look at it again.")
    return last
