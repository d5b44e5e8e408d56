"""Addresses as they are given out of the house: letters, calendars, boards."""

from django.conf import settings
from django.urls import reverse


def address(request, name, *args):
    """The whole address of a page: under PUBLIC_URL, or under the host that was asked."""
    path = reverse(name, args=args)
    if settings.PUBLIC_URL:
        return f"{settings.PUBLIC_URL.rstrip('/')}{path}"
    return request.build_absolute_uri(path)
