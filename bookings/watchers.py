"""Who watches something for the weekly review: their lines, their headings, their tables."""

from importlib import import_module
from importlib.util import find_spec

# module with `review_lines(instrument, week)`, and the headings that it answers for
WATCHERS = (
    ("bookings.incident", ("broke",)),
    ("bookings.health", ("vacuum", "scale")),
    ("bookings.stores", ("order",)),
)


def sources():
    """(function, headings) of every watcher that this house has, in the order of headings."""
    found = []
    for name, headings in WATCHERS:
        module = import_module(name) if find_spec(name) else None
        if hasattr(module, "review_lines"):
            found.append((module.review_lines, headings))
    return found


def table_of(name, function):
    """A table's function of a watcher, or None where this house has it not."""
    module = import_module(name) if find_spec(name) else None
    return getattr(module, function, None)
