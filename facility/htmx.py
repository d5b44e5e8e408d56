"""Answers for pages and for their fragments: the only module that knows htmx exists."""

from django.http import HttpResponse
from django.shortcuts import redirect, render, resolve_url
from django_htmx.http import HttpResponseClientRedirect


def wants_fragment(request):
    """Whether this request asks for a part of the page it is on."""
    htmx = getattr(request, "htmx", None)
    return bool(htmx) and not htmx.boosted and not htmx.history_restore_request


def page(request, template, context=None, status=200):
    """The whole page, or for htmx the one fragment that `template` names after its `#`.

    `page(request, "bookings/book_chamber.html#form", context)` renders the fragment `form` when
    htmx asks and all of `bookings/book_chamber.html` otherwise; without a `#` always all of it.
    """
    whole, _, fragment = template.partition("#")
    response = render(
        request,
        template if fragment and wants_fragment(request) else whole,
        context,
        status=status,
    )
    if fragment:
        response.headers["Vary"] = ", ".join(
            filter(None, [response.headers.get("Vary"), "HX-Request"])
        )
    return response


def see(request, to, *args, **kwargs):
    """Send the browser on: `to` is a model, a URL name with its arguments, or an address."""
    if wants_fragment(request):
        return HttpResponseClientRedirect(resolve_url(to, *args, **kwargs))
    return redirect(to, *args, **kwargs)


def no_news():
    """The answer to a poll that has nothing new: htmx keeps what is there."""
    return HttpResponse(status=204)
