"""The tablet's own addresses: what it kept, its worker, pairing, signing on by PIN."""

from django.contrib import messages
from django.contrib.auth import login
from django.contrib.staticfiles import finders
from django.db import InterfaceError, OperationalError
from django.http import HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404
from django.views.decorators.csrf import csrf_exempt, csrf_protect
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_GET, require_POST

from bookings import outbox
from bookings.forms_tablet import PairForm, PinForm, SignOnByPinForm
from facility import tablets
from facility.access import policy
from facility.errors import Refused
from facility.htmx import page, see
from facility.models import Tablet

MOST_BYTES = 2_000_000


def _json(document, status=200):
    return JsonResponse(document, status=status, headers={"Cache-Control": "no-store"})


@csrf_exempt
@require_POST
@policy("page.public")
def items(request):
    """POST records what a tablet kept; by its token, or by the sign-on of this browser.

    Never a redirect: 401 means keep it and say so, 503 means keep it and come again.
    """
    scheme, _, token = request.headers.get("Authorization", "").partition(" ")
    try:
        if scheme.lower() == "bearer":
            tablet = tablets.tablet_of(token.strip())
            if tablet is None:
                return _json({"why": "This tablet is not paired any more. Ask staff."}, 401)
            return _receive(request, tablet=tablet)
        if not request.user.is_authenticated:
            return _json({"why": "Nobody is signed on in this browser."}, 401)
        return _receive_by_cookie(request)
    except (OperationalError, InterfaceError):
        answer = _json({"why": "The database does not answer."}, 503)
        answer.headers["Retry-After"] = "5"
        return answer


items.login_required = False


@csrf_protect
def _receive_by_cookie(request):
    return _receive(request, person=request.user)


def _receive(request, *, tablet=None, person=None):
    if int(request.headers.get("Content-Length") or 0) > MOST_BYTES:
        return _json({"why": f"More than {MOST_BYTES // 1_000_000} MB at once."}, 413)
    try:
        sent, clock = outbox.parse(request.body)
    except Refused as refusal:
        return _json({"why": str(refusal)}, 400)
    found = outbox.receive(items=sent, clock=clock, tablet=tablet, person=person)
    if tablet:
        tablets.heard_from(tablet, offset=outbox.offset_of(clock))
    return _json({"items": found, "clock": outbox.now_text()})


@require_GET
@policy("page.public")
def worker(request):
    """The service worker, served from the root so that it reaches every session page."""
    path = finders.find("js/worker.js")
    with open(path, encoding="utf-8") as file:
        text = file.read()
    answer = HttpResponse(text, content_type="text/javascript")
    answer.headers["Cache-Control"] = "no-cache"
    answer.headers["Service-Worker-Allowed"] = "/"
    return answer


worker.login_required = False


@policy("tablet.pair")
def tablet_list(request):
    """GET shows the paired tablets; POST pairs this browser and shows its token to it once."""
    form = PairForm(request.POST if request.method == "POST" else None)
    context = {"form": form, "tablets": Tablet.objects.paired().select_related("instrument")}
    if form.is_valid():
        try:
            tablet, token = tablets.pair(by=request.user, **form.cleaned_data)
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            answer = page(
                request, "bookings/tablet_paired.html", {"tablet": tablet, "token": token}
            )
            answer.headers["Cache-Control"] = "no-store"
            return answer
    return page(request, "bookings/tablets.html", context, status=422 if form.errors else 200)


@require_POST
@policy("tablet.pair")
def end_tablet(request, pk):
    """POST ends a pairing."""
    tablets.end(
        tablet=get_object_or_404(Tablet.objects.select_related("instrument__log"), pk=pk),
        by=request.user,
    )
    return see(request, "bookings:tablet_list")


@sensitive_post_parameters()
@policy("page.public")
def sign_on_by_pin(request):
    """GET shows name and PIN; POST signs on at a paired tablet, for its sessions only."""
    form = SignOnByPinForm(request.POST if request.method == "POST" else None)
    if form.is_valid():
        tablet = tablets.tablet_of(form.cleaned_data["token"])
        try:
            if tablet is None:
                raise Refused("This browser is not paired with an instrument. Use your password.")
            person = tablets.sign_on_by_pin(
                tablet=tablet,
                username=form.cleaned_data["username"],
                pin=form.cleaned_data["pin"],
            )
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            login(request, person, backend="django.contrib.auth.backends.ModelBackend")
            sign_on = tablets.sign_on(person=person, tablet=tablet, by_pin=True)
            request.session["sign_on"] = str(sign_on.pk)
            request.session["by_pin"] = tablet.instrument_id
            return see(request, "bookings:sessions")
    return page(
        request, "bookings/sign_on_by_pin.html", {"form": form}, status=422 if form.errors else 200
    )


sign_on_by_pin.login_required = False


@sensitive_post_parameters()
@policy("tablet.sign_on")
def choose_pin(request):
    """GET asks for a PIN; POST keeps it, hashed."""
    form = PinForm(request.POST if request.method == "POST" else None)
    if form.is_valid():
        try:
            tablets.set_pin(person=request.user, pin=form.cleaned_data["pin"])
        except Refused as refusal:
            form.add_error("pin", str(refusal))
        else:
            messages.success(request, "Your PIN is kept. It opens sessions at paired tablets only.")
            return see(request, "bookings:today")
    return page(
        request, "bookings/choose_pin.html", {"form": form}, status=422 if form.errors else 200
    )
