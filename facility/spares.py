"""A spare that goes from the stores into an instrument: the one seam between parts and stock."""

from facility import stock
from facility.models import Consumable


def take_one(name, *, cause, by, says, at=None):
    """Take one of the spare called `name` out of the stores, where they keep it.

    Takes:   cause, a text of its own: the same cause takes one once.
    Returns: what was taken, or an empty text where the stores do not know it.
    """
    row = Consumable.objects.kept().filter(name__iexact=name).first() if name else None
    if row is None:
        return ""
    line = stock.use(consumable=row, amount=1, cause=cause, by=by, at=at, says=says)
    return str(line.lot or row)
