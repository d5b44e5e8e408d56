"""When to order, which lot to open first, how a count is spread: the arithmetic of stock. Pure."""

import math
from dataclasses import dataclass
from datetime import timedelta
from statistics import fmean, stdev

SERVICE = 1.65  # standard deviations: the shelf is empty before a delivery one time in twenty
WATCHED_WEEKS = 13  # whose use is averaged; own proposal
FARTHEST_DAYS = 3650  # beyond ten years "lasts until" means nothing
ROUNDED = 6  # decimals of a running total, so that halves and tenths stay what they are


@dataclass(frozen=True)
class Outlook:
    """One consumable as it stands: what is left, how fast it goes, when to order."""

    left: float
    use_per_day: float
    point: float  # reorder point
    lasts_days: float | None  # None: no use to be seen, or beyond ten years
    order_in_days: float | None  # until the stock falls to the point; 0: now; None: not in sight
    counts: bool  # False: below zero, so somebody has to count

    @property
    def to_order(self):
        return self.left <= self.point and self.point > 0


def reorder_point(use, use_spread, lead_days, lead_spread=0.0, minimum=0.0):
    """Stock at which to order, so that it seldom runs out before the delivery.

    Takes:   use and use_spread [a day]: mean and standard deviation; lead_days and lead_spread
             [days]: mean and standard deviation of the time from ordering to the shelf; minimum,
             what a critical spare never falls below.
    Returns: stock, in the unit of use.
    Raises:  ValueError for a negative value.
    Source:  d L + 1.65 sqrt(L s² + d² sL²): demand over the lead time, both random and independent;
             from memory of inventory theory, worked examples in tests/published/.
    Valid:   use of one day independent of the next; a service level of 95 %.
    >>> reorder_point(10, 0, 4), round(reorder_point(10, 3, 4, 1), 1)
    (40.0, 59.2)
    """
    for name, value in (
        ("use", use), ("use_spread", use_spread), ("lead_days", lead_days),
        ("lead_spread", lead_spread), ("minimum", minimum),
    ):  # fmt: skip
        if not value >= 0:
            raise ValueError(f"{name} must not be below zero, not {value}")
    spread = math.sqrt(lead_days * use_spread**2 + use**2 * lead_spread**2)
    return max(use * lead_days + SERVICE * spread, float(minimum))


def daily_use(weeks):
    """Mean and standard deviation of one day's use, from whole weeks.

    Takes:   weeks, (n,) totals of seven days each, in order.
    Returns: (mean, standard deviation) a day; zeros without a week.
    Source:  variance of a week is seven times that of a day; weekends would otherwise count as
             scatter.   Valid: weeks alike and independent of each other.
    >>> daily_use([7, 14, 21])[0], round(daily_use([7, 14, 21])[1], 3)
    (2.0, 2.646)
    """
    weeks = list(weeks)
    if not weeks:
        return 0.0, 0.0
    spread = stdev(weeks) / math.sqrt(7) if len(weeks) > 1 else 0.0
    return fmean(weeks) / 7, spread


def in_weeks(used, end, since=None):
    """Totals of the whole weeks that end at `end`, the newest last.

    Takes:   used, pairs of (moment or day, amount); end, of the same kind; since, from when the
             thing is on the list: weeks before it are no weeks without use.
    Returns: list of totals, at most WATCHED_WEEKS.
    """
    weeks = WATCHED_WEEKS
    if since is not None:
        weeks = max(min(weeks, (end - since) // timedelta(days=7)), 1)
    totals = [0.0] * weeks
    for moment, amount in used:
        ago = (end - moment) // timedelta(days=7)
        if 0 <= ago < weeks:
            totals[weeks - 1 - ago] += amount
    return totals


def outlook(left, weeks, lead_days, lead_spread, minimum=0.0):
    """How a consumable stands.

    Takes:   left; weeks, totals of past weeks; lead_days and lead_spread [days]; minimum.
    Returns: Outlook.   Raises: ValueError as `reorder_point`.
    >>> outlook(100, [7.0] * 13, 14, 4).lasts_days
    100.0
    """
    use, spread = daily_use(weeks)
    point = reorder_point(use, spread, lead_days, lead_spread, minimum)
    lasts = max(left, 0.0) / use if use > 0 else None
    wait = max(left - point, 0.0) / use if use > 0 else None
    if left <= point and point > 0:
        wait = 0.0
    far = [
        value if value is not None and value <= FARTHEST_DAYS else None for value in (lasts, wait)
    ]
    return Outlook(left, use, point, *far, counts=left >= 0)


def first_expired_first(lots, today):
    """Lots in the order in which to use them: open ones first, then by expiry, the oldest first.

    Takes:   lots, each with opened_at, expires_on, delivered_at; today.
    Returns: a list; what has expired stands at its end, because it is not offered.
    """

    def place(lot):
        expires = lot.expires_on
        return (
            expires is not None and expires < today,
            lot.opened_at is None,
            expires is None,
            expires or today,
            lot.delivered_at,
        )

    return sorted(lots, key=place)


def spread_count(lefts, difference):
    """How a count of the whole shelf changes each lot: what is missing was used in order.

    Takes:   lefts, (n,) what the books say is left of each lot, in the order of use; difference,
             counted less booked.
    Returns: (n,) changes; they add up to the difference, and none takes a lot below zero unless
             the count itself is.
    >>> spread_count([2, 5], -3), spread_count([2, 5], 4), spread_count([-1, 5], -2)
    ([-2, -1], [4, 0], [0, -2])
    """
    changes, rest = [0] * len(lefts), difference
    if difference >= 0 or not lefts:
        return [difference, *changes[1:]] if lefts else []
    for n, left in enumerate(lefts):
        taken = min(max(left, 0), -rest)
        changes[n] = -taken
        rest += taken
    if rest < 0:
        changes[-1] += rest
    return changes


def summed(value, change):
    """A running total that stays what a person would write."""
    return round(value + change, ROUNDED)


def amount(value, unit):
    """An amount as a page says it: three digits, and the unit.

    >>> amount(2.1349, "m"), amount(1250.0, "cm²"), amount(-0.04, "pairs"), amount(1, "boxes")
    ('2.13 m', '1,250 cm²', '−0.04 pairs', '1 box')
    """
    text = f"{value:,.0f}" if abs(value) >= 100 else f"{float(f'{value:.3g}'):g}"
    text = text.replace("-", "−")
    return f"{text if text != '−0' else '0'} {_one(unit) if text == '1' else unit}"


def _one(unit):
    """A unit that people write in the plural, of one thing: boxes, box; wipes, wipe; m, m."""
    if unit.endswith(("xes", "ches", "shes")):
        return unit[:-2]
    return unit[:-1] if len(unit) > 3 and unit.endswith("s") else unit
