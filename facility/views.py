"""Signing in and out, photographs, who may do what, and what is said where a request ends."""

import sys

from django.conf import settings
from django.contrib.auth import login, logout
from django.core.exceptions import (
    DisallowedHost,
    RequestDataTooBig,
    TooManyFieldsSent,
    TooManyFilesSent,
)
from django.db import InterfaceError, OperationalError
from django.http import FileResponse, Http404, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_GET, require_POST

from facility import access, photos, tablets
from facility.access import policy
from facility.forms import SignInForm
from facility.htmx import page
from facility.models import Person, Photo
from facility.sign_in import check_sign_in


def _next(request):
    """Where to go after signing in: only an address of ours."""
    to = request.POST.get("next") or request.GET.get("next") or ""
    safe = url_has_allowed_host_and_scheme(
        to, allowed_hosts={request.get_host()}, require_https=request.is_secure()
    )
    return to if safe else reverse("bookings:today")


@sensitive_post_parameters()
@policy("page.public")
def sign_in(request):
    """GET shows the form; POST signs in or says why not."""
    form = SignInForm(request.POST if request.method == "POST" else None)
    if form.is_valid():
        person, refusal = check_sign_in(
            request, name=form.cleaned_data["username"], password=form.cleaned_data["password"]
        )
        if person:
            login(request, person)
            request.session["sign_on"] = str(tablets.sign_on(person=person).pk)
            return redirect(_next(request))
        form.add_error(None, refusal)
    context = {"form": form, "next": _next(request)}
    return page(request, "facility/sign_in.html", context, status=422 if form.errors else 200)


sign_in.login_required = False


@require_POST
@policy("page.everyone")
def sign_out(request):
    """POST signs out."""
    logout(request)
    return redirect("facility:sign_in")


@require_GET
@policy("page.everyone")
def policy_table(request):
    """Who may see and do what, as the program reads it."""
    rows = [{"name": name, "who": words} for name, (_, words) in access.POLICY.items()]
    return page(request, "facility/policy.html", {"rows": rows})


@require_GET
@policy("page.public")
def health(request):
    """For a balancer: the database answers, or 503."""
    from django.db import Error

    try:
        Person.objects.exists()
    except Error:
        return JsonResponse({"ok": False}, status=503, headers={"Retry-After": "5"})
    return JsonResponse({"ok": True})


health.login_required = False


@require_GET
@policy("photo.see")
def photo(request, digest):
    """A photograph, for those who may see it."""
    row = get_object_or_404(Photo.objects.select_related("by"), digest=digest, redacted_at=None)
    access.require_or_404(request.user, "photo.see", row)
    path = photos.path_of(row.digest, row.kind)
    if not path.exists():
        raise Http404
    answer = FileResponse(path.open("rb"), content_type=f"image/{row.kind}")
    answer.headers["Cache-Control"] = "private, max-age=86400"
    return answer


def not_yours(request, exception=None):
    """403: what is known to exist, and whom to ask."""
    ask = Person.objects.staff_of_the_house()[:3] if request.user.is_authenticated else []
    context = {"who_may": str(exception or ""), "ask": ask}
    return render(request, "facility/not_yours.html", context, status=403)


def not_here(request, exception=None):
    """404: nothing here, or nothing that a stranger may know of."""
    return render(request, "facility/not_here.html", status=404)


def too_much(request, exception=None):
    """400: more was sent at once than is read, or in a way that no browser sends."""
    says = "What was sent could not be read. Load the page anew and send it again."
    if isinstance(exception, TooManyFieldsSent | TooManyFilesSent):
        says = (
            f"More than {settings.DATA_UPLOAD_MAX_NUMBER_FIELDS:,} things were sent at once. Choose "
            "fewer, and do it in several goes."
        )
    elif isinstance(exception, RequestDataTooBig):
        most = settings.DATA_UPLOAD_MAX_MEMORY_SIZE // (1024 * 1024)
        says = f"More than {most} MB of text was sent at once. Cut it into pieces and send them singly."
    elif isinstance(exception, DisallowedHost):
        says = (
            "Holdfast is not set up to be called by this address. Whoever installed it adds the "
            "address to ALLOWED_HOSTS and starts it again."
        )
    return render(request, "facility/too_much.html", {"says": says}, status=400)


def gone_wrong(request):
    """503 where the database does not answer, and when to come again; else 500, for the log.

    Rendered without the request: what a page is framed by asks the database.
    """
    away = isinstance(sys.exception(), OperationalError | InterfaceError)
    text = render_to_string("facility/gone_wrong.html", {"away": away})
    headers = {"Retry-After": "5"} if away else {}
    return HttpResponse(text, status=503 if away else 500, headers=headers)


def csrf_failed(request, reason=""):
    """The form was too old or came from elsewhere: what was typed can be sent again."""
    return HttpResponse(
        render(request, "facility/csrf_failed.html").content, status=403, content_type="text/html"
    )
