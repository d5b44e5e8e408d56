"""Who watches something for the weekly review: their lines, their headings, their tables."""

from importlib import import_module
from importlib.util import find_spec

# module with `review_lines(instrument, week)`, and the headings that it answers for
WATCHERS = (
    ("bookings.incident", ("broke",)),
    ("bookings.health", ("vacuum", "scale")),
    ("bookings.stores", ("order",)),
)


def _modules():
    """(module, headings) of every watcher that this house has."""
    for name, headings in WATCHERS:
        if find_spec(name):
            yield import_module(name), headings


def sources():
    """(function, headings) of every watcher, in the order of headings."""
    return [
        (module.review_lines, headings)
        for module, headings in _modules()
        if hasattr(module, "review_lines")
    ]


def spoken():
    """Rules of flags that a watcher says in a line of its own, under another key."""
    return {rule for module, _ in _modules() for rule in getattr(module, "SPOKEN", ())}


def table_of(name, function):
    """A table's function of a watcher, or None where this house has it not."""
    module = import_module(name) if find_spec(name) else None
    return getattr(module, function, None)
