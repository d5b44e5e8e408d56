"""Django's flush, which here empties test databases only: the log is append-only."""

from django.core.management.base import CommandError
from django.core.management.commands import flush
from django.db import connections

from facility import guards


class Command(flush.Command):
    help = "Empty a test database. Refuses any other, because the log is append-only."

    def handle(self, **options):
        connection = connections[options["database"]]
        name = str(connection.settings_dict["NAME"]).rsplit("/", 1)[-1]
        if not (name.startswith("test_") or "mode=memory" in name):
            raise CommandError(
                f"{name} is not a test database. Holdfast's log is append-only and is not flushed."
            )
        guards.take_down(connection)
        try:
            super().handle(**options)
        finally:
            guards.put_up(connection)
