"""One of many processes that press Book at once: `python -m tests.bookings.never_two KIND SEED COUNT`.

Prints what became of each press as JSON: booked, refused, or the name of anything else that was
raised. The database and the rows are those of the test that starts it.
"""

import json
import os
import random
import sys
import time
from datetime import datetime, timedelta

HOURS = 40


def main(kind, seed, count, first, go):
    import django

    django.setup()
    from bookings import book, closures
    from bookings.models import Booking
    from facility.errors import Refused
    from facility.models import Person, Place

    rng = random.Random(seed)
    people = list(Person.objects.filter(role__in=["user", "staff"], is_active=True).order_by("pk"))
    staff = Person.objects.get(username="dee")
    place = Place.objects.select_related("instrument").get(name="analysis stage of Quayside")
    start = datetime.fromisoformat(first)
    told = {"booked": 0, "moved": 0, "closed": 0, "refused": 0, "raised": []}
    time.sleep(max(0.0, go - time.time()))
    for _ in range(count):
        hour = start + timedelta(hours=rng.randrange(HOURS))
        by = rng.choice(people)
        try:
            if kind == "move" and rng.random() < 0.5:
                mine = list(Booking.objects.standing().on_main().filter(person=by)[:20])
                if not mine:
                    continue
                row = rng.choice(mine)
                book.move(booking=row, by=by, start=hour, end=hour + timedelta(hours=1))
                told["moved"] += 1
            elif kind == "close" and rng.random() < 0.1:
                closures.close(
                    instrument=place.instrument, by=staff, why="a leak test",
                    start=hour, end=hour + timedelta(hours=1),
                )  # fmt: skip
                told["closed"] += 1
            else:
                book.book(place=place, by=by, start=hour, end=hour + timedelta(hours=1))
                told["booked"] += 1
        except Refused as refusal:
            told["refused"] += 1
            if not str(refusal).strip():
                told["raised"].append("an empty sentence")
        except Exception as problem:
            told["raised"].append(f"{type(problem).__name__}: {problem}")
    print(json.dumps(told))


if __name__ == "__main__":
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "tests.bookings.never_two_settings")
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]), sys.argv[4], float(sys.argv[5]))
