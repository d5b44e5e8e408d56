"""Hours that late entries change: what was counted against what would have been, in one window.

A step that is typed from paper lies before what was counted already. The stretches in which a part
was on are walked twice from there, without the late entries and with them; the difference is added.
"""

from datetime import timedelta

from django.db.models import Q

from bookings.models import Session
from facility.models import Entry

LOOKED_BACK = timedelta(days=14)  # for a device's last word before the late entry; own choice


def stretches(events, on_states, *, on_since=None):
    """Stretches in which a device was on, and since when it still is.

    Takes:   events in order, triples of moment, state of the device (None: not known any more) and
             whether somebody did it; on_states; on_since, where it was on before the first.
    Returns: ([(start, end, whether its end is sure)], start of the one that runs or None).
    >>> stretches([(1, "on", True), (4, "off", True), (6, "on", True)], ["on"])
    ([(1, 4, True)], 6)
    """
    found = []
    for at, state, sure in events:
        if state in on_states:
            on_since = at if on_since is None else on_since
        elif on_since is not None:
            found.append((on_since, at, sure))
            on_since = None
    return found, on_since


def counted_between(instrument, start, last, kinds):
    """(moment, key, kind, body) of counted entries that happened after `start`, in that order."""
    sessions = Session.objects.filter(instrument=instrument)
    sessions = sessions.filter(Q(closed_at=None) | Q(closed_at__gte=start))
    logs = [*sessions.values_list("log_id", flat=True), instrument.log_id]
    rows = Entry.objects.filter(
        log__in=logs, kind__in=kinds, happened_at__gt=start, pk__lte=last
    ).values_list("happened_at", "pk", "kind", "body")
    return sorted(rows)


def differences(part, counted, late, told, *, running=None):
    """What late entries change for a part.

    Takes:   counted and late, lines as of `counted_between`; told(kind, body), what an entry says of
             devices and whether it was done; running, since when it is on as counted.
    Returns: (stretches to add, stretches to take away, on since, whether that changed).
    """
    if not part.device:
        return [], [], None, False
    first = min(late)[0]
    before = _events(part, [line for line in counted if line[0] <= first], told)
    _, since = stretches(before, part.on_states)
    if not before and running is not None and running <= first:
        since = running  # it went on before the window
    after = [line for line in counted if line[0] > first]
    was, was_on = stretches(_events(part, after, told), part.on_states, on_since=since)
    now, now_on = stretches(
        _events(part, sorted([*after, *late]), told), part.on_states, on_since=since
    )
    add = [row for row in now if row not in was]
    away = [row for row in was if row not in now]
    return add, away, now_on, now_on != was_on


def _events(part, lines, told):
    found = []
    for at, _, kind, body in lines:
        if not body:
            continue
        sets, sure = told(kind, body)
        state = None if sets is None else sets.get(part.device, "")
        if state != "":
            found.append((at, state, sure))
    return found
