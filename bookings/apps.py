"""What happens on the instruments: bookings, sessions, loads, readings, flags."""

from django.apps import AppConfig

from facility import guards


class BookingsConfig(AppConfig):
    name = "bookings"

    def ready(self):
        guards.append_only("bookings_reading")
        guards.append_only_but_emptied(
            "bookings_incidentchange",
            of="incident_id",
            texts=["before", "after"],
            rest=["id", "at", "by_id", "what", "sent_id"],
        )
        guards.append_only("bookings_lookedfor")
        guards.no_overlap(
            "bookings_booking",
            of="place_id",
            start="starts_at",
            end="ends_at",
            standing="{0}cancelled_at IS NULL",
        )
