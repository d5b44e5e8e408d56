"""Who watches something for the weekly review, and the headings that they answer for."""

from bookings import broke, health, stores

SPOKEN = frozenset(health.SPOKEN)  # rules of flags that a watcher says in a line of its own


def sources():
    """(function of instrument and week, headings) of every watcher, in the order of headings."""
    return [
        (broke.review_lines, ("broke",)),
        (health.review_lines, ("vacuum", "scale")),
        (stores.review_lines, ("order",)),
    ]
