"""Checks at start: each has an id, says what is so and what to do."""

from urllib.parse import urlsplit

from django.conf import settings
from django.core import checks
from django.db import connections

from facility import guards


@checks.register(checks.Tags.database)
def guards_stand(app_configs, databases=None, **kwargs):
    """Fail when a trigger or constraint is missing from a migrated database."""
    found = []
    for alias in databases or []:
        if absent := guards.missing(connections[alias]):
            found.append(
                checks.Error(
                    f"Guards are missing on {alias}: {', '.join(absent)}.",
                    hint="Run manage.py migrate, which puts them up again.",
                    id="holdfast.E001",
                )
            )
    return found


@checks.register()
def public_url_is_an_address(app_configs, **kwargs):
    """PUBLIC_URL goes onto labels, so it must be an address or empty."""
    parts = urlsplit(settings.PUBLIC_URL)
    if settings.PUBLIC_URL and not (parts.scheme in ("http", "https") and parts.netloc):
        return [
            checks.Error(
                f"PUBLIC_URL is {settings.PUBLIC_URL!r}.",
                hint="Write an address such as https://holdfast.example.org, or leave it empty.",
                id="holdfast.E002",
            )
        ]
    return []
