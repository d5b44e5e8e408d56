"""Django's migrate, which also makes the folder of a SQLite file, and mends missing guards."""

from pathlib import Path

from django.core.management.commands import migrate
from django.db import connections


class Command(migrate.Command):
    help = f"{migrate.Command.help} Makes the folder of a SQLite file where it lacks."

    def execute(self, *args, **options):
        # before the checks, which open the database
        connection = connections[options["database"]]
        name = str(connection.settings_dict["NAME"])
        if connection.vendor == "sqlite" and not connection.is_in_memory_db():
            Path(name.removeprefix("file:").partition("?")[0]).parent.mkdir(
                parents=True, exist_ok=True
            )
        return super().execute(*args, **options)

    def check(self, *, databases=None, **about):
        """Without the checks of the database: a guard that is missing is put up only after this."""
        return super().check(**about)
