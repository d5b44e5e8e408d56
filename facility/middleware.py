"""The one middleware of our own: a strict content security policy on every answer."""

from django.conf import settings


def content_security_policy(get_response):
    """Send settings.SECURE_CSP (Django 6.0's name) unless a view has set its own."""
    policy = "; ".join(f"{name} {' '.join(values)}" for name, values in settings.SECURE_CSP.items())

    def answer(request):
        response = get_response(request)
        response.headers.setdefault("Content-Security-Policy", policy)
        return response

    return answer
