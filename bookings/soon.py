"""The word that a chamber is likely ready soon, for the one who loaded it: once a pump-down."""

from datetime import timedelta

from django.utils import timezone

from bookings import learning, pump, tell
from bookings.models import PumpDown

SOON = timedelta(minutes=15)
FEWEST = 2  # readings, so that it is this load's own curve that says so; own choice


def tell_ready_soon(now):
    """Tell the one who loaded once the forecast says about a quarter of an hour; for tick.

    They asked for it by loading, so it is a direct answer. Whoever does not want it leaves their
    mail address out; the page shows it all the same.
    """
    told = 0
    running = PumpDown.objects.running().exclude(load=None)
    for pumpdown in running.select_related(
        "chamber__instrument", "load__holder", "load__loaded_by"
    ):
        ready = is_soon(pumpdown, now)
        if ready is None:
            continue
        load = pumpdown.load
        says = (
            f"{load.holder} on {pumpdown.chamber.instrument} is likely ready about "
            f"{timezone.localtime(ready):%H:%M}. Read the pressure before you transfer."
        )
        tell.tell(
            person=load.loaded_by,
            key=f"ready soon|{pumpdown.pk}",
            says=says,
            url=load.get_absolute_url(),
            direct=True,
        )
        told += 1
    return told


def is_soon(pumpdown, now):
    """When the threshold will be reached, where that is within a quarter of an hour; else None."""
    found = learning.forecast_of(pumpdown, at=now)
    if found is None or found.low80_s == found.high80_s or _count(pumpdown, now) < FEWEST:
        return None
    ready = pumpdown.started_at + timedelta(seconds=float(found.ready_s))
    return ready if now <= ready <= now + SOON else None


def _count(pumpdown, now):
    return pump.readings_of(pumpdown).filter(state="number", at__lte=now)[:FEWEST].count()
