"""Middleware of our own: a strict content security policy, and no NUL in an address."""

from django.conf import settings
from django.http import HttpResponseNotFound


def content_security_policy(get_response):
    """Send settings.SECURE_CSP (Django 6.0's name) unless a view has set its own."""
    policy = "; ".join(f"{name} {' '.join(values)}" for name, values in settings.SECURE_CSP.items())

    def answer(request):
        response = get_response(request)
        response.headers.setdefault("Content-Security-Policy", policy)
        return response

    return answer


def no_nul_in_addresses(get_response):
    """Refuse an address with a NUL before PostgreSQL does, which keeps none."""

    def answer(request):
        if "\x00" in request.path or "%00" in request.META.get("QUERY_STRING", ""):
            return HttpResponseNotFound("This address holds a character that none of ours has.")
        return get_response(request)

    return answer
