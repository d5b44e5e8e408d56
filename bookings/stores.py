"""The stores seen from the instruments: what steps and sessions take, what staff are told, the review.

The lower floor keeps stock and bottles and knows nothing of sessions; this module pushes.
"""

import re
from datetime import timedelta

from django.utils import timezone

from bookings import tell
from bookings.lines import Line
from bookings.models import Flag
from facility import bottles, on_hand, stock
from facility.findings import NOTE, WARN
from facility.models import Cylinder, Order

REORDER, LOSS = "INV-01", "INV-02"
REORDER_SOURCE = "use over the lead time and its spread, from memory of inventory theory"
LOSS_SOURCE = "more than 3 reading errors over at least 7 days; own proposal"
DO_ORDER = "Order it, and enter the order under Stores: then nobody is asked again."
DO_LOOK = (
    "Shut the bottle, look for the leak at regulator and lines with the fluid that the maker "
    "names, and read the dial again."
)
LATELY = timedelta(days=14)  # alarms older than this raise no flag any more


# what is taken by itself


def after_step(marks, *, instrument, by, entry):
    """A vent takes gas and whatever else a vent takes; the entry counts once."""
    if "vent" in marks:
        said = {"cause": f"vent|{entry.pk}", "by": by, "at": entry.happened_at}
        bottles.vented(instrument=instrument, **said)
        stock.use_for_vent(instrument=instrument, says=f"vent of {instrument}", **said)


def after_sign_on(session, *, by):
    """A session takes gloves and the like."""
    stock.use_for_session(
        instrument=session.instrument,
        cause=f"session|{session.pk}",
        by=by,
        at=session.opened_at,
        says=f"session {session.pk} on {session.instrument}",
    )


def after_setting(device, values, *, instrument, by, entry):
    """The ion gun's minutes take argon."""
    found = re.fullmatch(r"\s*(\d{1,4}(?:[.,]\d{1,3})?)\s*(?:min)?\s*", values.get("minutes", ""))
    if device == "ion gun" and found:
        bottles.sputtered(
            instrument=instrument,
            minutes=float(found[1].replace(",", ".")),
            cause=f"gun|{entry.pk}",
            by=by,
            at=entry.happened_at,
        )


# what staff are told, by the clock


def watch_stores(now):
    """One flag and one message where stock falls to its reorder point or a bottle loses gas."""
    found = on_hand.shelves(now)
    return _watch_shelves(found, now) + _watch_bottles(found, now)


def _watch_shelves(found, now):
    standing = {}
    for row in Flag.objects.filter(rule=REORDER, cleared_at=None):
        standing[row.evidence["consumable"]] = row
    raised = 0
    for shelf in found:
        flag = standing.get(shelf.row.pk)
        if flag and (shelf.orders or shelf.outlook.left > flag.evidence["left"]):
            _clear(flag, now)  # only then: the reorder point itself wavers from day to day
            flag = None
        if flag is None and shelf.to_order and shelf.outlook.counts:
            stem = f"{REORDER}|{shelf.row.pk}|"
            number = Flag.objects.filter(key__startswith=stem).count() + 1
            evidence = {
                "consumable": shelf.row.pk,
                "left": shelf.outlook.left,
                "point": shelf.outlook.point,
            }
            raised += _raise(
                f"{stem}{number}", REORDER, shelf.says, now, do=DO_ORDER, source=REORDER_SOURCE,
                evidence=evidence, instrument=shelf.row.instrument,
                url=shelf.row.get_absolute_url(),
            )  # fmt: skip
    return raised


def _watch_bottles(found, now):
    raised = 0
    dry = {row.key: row for row in Flag.objects.filter(rule=LOSS, key__endswith="|dry")}
    for bottle in on_hand.bottles(now, stocked=found, chambers=False):
        about = {
            "evidence": {"cylinder": bottle.row.pk},
            "instrument": bottle.row.instrument,
            "url": bottle.row.get_absolute_url(),
        }
        for alarm in bottle.alarms:
            if now - alarm.after.at <= LATELY:
                raised += _raise(
                    _loss_key(bottle, alarm), LOSS, _loss_says(bottle, alarm), now, do=DO_LOOK,
                    source=LOSS_SOURCE, **about,
                )  # fmt: skip
        key = f"{LOSS}|{bottle.row.pk}|dry"
        if bottle.dry:
            raised += _raise(key, LOSS, bottle.dry, now, do=DO_ORDER, source=LOSS_SOURCE, **about)
        elif key in dry and dry[key].cleared_at is None:
            _clear(dry[key], now)
    return raised


def _raise(key, rule, says, now, *, url, instrument, **about):
    """A flag and a message for staff, once a key; 1 where it is new."""
    _, new = Flag.objects.get_or_create(
        key=key,
        defaults={
            "rule": rule, "severity": WARN, "says": says[:300], "instrument": instrument,
            "raised_at": now, **about,
        },
    )  # fmt: skip
    if new:
        tell.tell_staff(key=key, says=says, url=url)
    return int(new)


def _clear(flag, now):
    flag.cleared_at = now
    flag.save(update_fields=["cleared_at"])


def _loss_key(bottle, alarm):
    return f"{LOSS}|{bottle.row.pk}|{alarm.after.key}"


def _named(bottle):
    name = str(bottle.row)
    return name[:1].upper() + name[1:]


def _loss_says(bottle, alarm):
    return f"{_named(bottle)}: {alarm.says[:1].lower()}{alarm.says[1:]}"


# the weekly review


def review_lines(instrument, week):
    """What the stores ask of a person in this week, as it was known when the week ended.

    Takes:   instrument; week, a bookings.lines.Week.
    Returns: list of Line: orders under `order`, gas that was lost under `broke`.
    """
    shelves = on_hand.shelves(week.end, instrument=instrument)
    connected = Cylinder.objects.connected_since(week.start, week.end).serving(instrument)
    found = on_hand.bottles(week.end, rows=connected, stocked=shelves, chambers=False)
    told = [shelf for shelf in shelves if shelf.says]
    flags = _waiting_then(week.end) if told or any(one.alarms for one in found) else {}
    lines = [line for bottle in found for line in _lines_of_bottle(bottle, week, flags)]
    done = _done_last_time(told, week.end)
    return lines + [_line_of_shelf(shelf, flags, done) for shelf in told]


def _waiting_then(moment):
    """{key: flag} of what the stores had asked and nobody had answered at that moment."""
    rows = Flag.objects.filter(rule__in=[REORDER, LOSS]).waiting_at(moment)
    return {row.key: row for row in rows}


def _lines_of_bottle(bottle, week, flags):
    url = bottle.row.get_absolute_url()
    recorded = {row.pk: row.recorded_at for row in bottle.dials}
    for alarm in bottle.alarms:
        flag = flags.get(_loss_key(bottle, alarm))
        if flag or week.holds(recorded[alarm.after.key]):
            unit = bottle.row.dial_unit
            yield Line(
                key=_loss_key(bottle, alarm),
                heading="broke",
                says=_loss_says(bottle, alarm),
                do=DO_LOOK,
                rule=LOSS,
                source=LOSS_SOURCE,
                since=alarm.before.at,
                url=url,
                evidence=(
                    ("fell by", f"{on_hand.in_unit(alarm.drop, unit)}"),
                    ("booked use explains", f"{on_hand.in_unit(alarm.explained, unit)}"),
                ),
            )
    if bottle.dry and bottle.row.taken_off_at is None:
        yield Line(
            key=f"{LOSS}|{bottle.row.pk}|dry",
            heading="order",
            says=bottle.dry,
            do=DO_ORDER if not bottle.orders else "Ask the supplier for an earlier day.",
            rule=LOSS,
            source=LOSS_SOURCE,
            url=url,
            evidence=(("dial", bottle.left), ("80 %", _between(bottle))),
        )


def _between(bottle):
    last = f"{bottle.latest:%d %b}" if bottle.latest else "no end in sight"
    return f"{bottle.soonest:%d %b} to {last}" if bottle.soonest else last


def _line_of_shelf(shelf, flags, done):
    row = shelf.row
    flag = next((one for one in flags.values() if one.evidence.get("consumable") == row.pk), None)
    return Line(
        key=f"{REORDER}|{row.pk}",
        flag=flag.key if flag else "",
        heading="order",
        says=shelf.says,
        severity=WARN if shelf.outlook.counts else NOTE,
        do=DO_ORDER if shelf.to_order else "",
        rule=REORDER,
        source=REORDER_SOURCE,
        since=flag and flag.raised_at,
        before=done.get(row.pk, ""),
        url=row.get_absolute_url(),
        evidence=(("left", shelf.left), ("reorder point", shelf.point)),
    )


def _done_last_time(shelves, moment):
    """{consumable: what was ordered last, by whom} as known at a moment."""
    if not shelves:
        return {}
    rows = Order.objects.last_of([shelf.row for shelf in shelves], moment)
    return {
        row.consumable_id: f"ordered {row.quantity:g} {row.consumable.unit} on "
        f"{timezone.localtime(row.ordered_at):%d %b %Y}, {row.by}"
        for row in rows
    }


def stock_table(instrument, at):
    """The stores for the review's second sheet, what to order first on top.

    Takes:   instrument; at, a moment.
    Returns: list of dicts: name, url, left, lasts (a day or None), order_by (a day or None),
             expected (a day or None), says (a sentence where something is to be done).
    """
    shelves = on_hand.shelves(at, instrument=instrument)
    connected = Cylinder.objects.connected_at(at).serving(instrument)
    found = on_hand.bottles(at, rows=connected, stocked=shelves, chambers=False)
    return table_rows(shelves, found)


def table_rows(shelves, found):
    """Bottles and consumables as rows of one table, what asks for something first."""
    rows = [
        {
            "name": _named(bottle),
            "url": bottle.row.get_absolute_url(),
            "left": bottle.left or "not read yet",
            "lasts": bottle.empty_on,
            "soonest": bottle.soonest,
            "latest": bottle.latest,
            "order_by": None if bottle.spares or bottle.orders else bottle.order_by,
            "expected": bottle.expected_on,
            "says": bottle.dry or (bottle.asks and f"{_named(bottle)}: {bottle.asks}"),
            "spares": bottle.spares,
            "is_bottle": True,
        }
        for bottle in found
    ]
    rows += [
        {
            "name": str(shelf.row),
            "url": shelf.row.get_absolute_url(),
            "left": shelf.left,
            "lasts": shelf.lasts_until,
            "order_by": None if shelf.orders else shelf.order_by,
            "expected": shelf.expected_on,
            "says": shelf.says,
            "feeds": shelf.row.feeds,
        }
        for shelf in shelves
    ]
    return sorted(rows, key=lambda row: not row["says"])
