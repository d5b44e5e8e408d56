"""Finding anything: a code scanned, typed or photographed, a short name, a sample's title."""

from django.contrib import messages
from django.views.decorators.http import require_GET, require_POST

from bookings.forms_bench import PictureForm
from facility import photos
from facility.access import may, policy
from facility.errors import Refused
from facility.htmx import page, see
from facility.models import Lot
from samples import scanning
from samples.codes import read_code
from samples.models import Holder, Sample

FOUND_AT_MOST = 40


@require_GET
@policy("page.everyone")
def scan(request):
    """Find a holder or sample by code, short name or title; one hit goes straight to it."""
    text = request.GET.get("q", "").replace("\x00", "").strip()[:200]
    problem = ""
    if text:
        if holder := Holder.objects.called(text).first():
            return see(request, holder)
        try:
            return see(request, *_page_of(read_code(text)))
        except ValueError as sentence:
            problem = str(sentence)
    found = _titled(request.user, text) if text else []
    called_so = [row for row in found if row.title.casefold() == text.casefold()]
    if len(found) == 1 or len(called_so) == 1:
        return see(request, (called_so or found)[0])
    if text and not found and problem:
        messages.warning(request, problem)
    return page(request, "bookings/scan.html", _context(q=text, samples=found))


def _titled(person, text):
    rows = Sample.objects.all() if may(person, "hazard.see") else Sample.objects.of(person)
    return list(rows.titled(text).with_place().select_related("owner")[: FOUND_AT_MOST + 1])


def _context(**more):
    nothing = bool(more.get("q")) and not more.get("samples")
    found = more.pop("samples", [])
    cut = {"samples": found[:FOUND_AT_MOST], "more": len(found) > FOUND_AT_MOST}
    return {"form": PictureForm(), "nothing": nothing, **cut, **more}


def _page_of(code):
    """The page a code leads to: name and argument."""
    return {"H": "bookings:scanned_holder", "S": "bookings:scanned_sample"}.get(
        code[0], "bookings:scanned_lot"
    ), code


@require_POST
@policy("page.everyone")
def scan_picture(request):
    """POST reads the codes in a picture: one leads to its page, several are offered."""
    form = PictureForm(request.POST, request.FILES)
    said, codes = [], []
    if form.is_valid():
        try:
            picture, _ = photos.read_picture(form.cleaned_data["picture"])
            codes = scanning.codes_in(picture)
        except Refused as refusal:
            said = [str(refusal)]
    else:
        said = [sentence for rows in form.errors.values() for sentence in rows]
    if len(codes) == 1:
        return see(request, *_page_of(codes[0]))
    context = _context(codes=_offered(codes, request.user), said=said)
    return page(request, "bookings/scan.html", context, status=200 if codes else 422)


def _offered(codes, person):
    """Several codes of one picture, with what each is."""
    names = dict(Holder.objects.coded(codes).values_list("code", "short_name"))
    for row in Sample.objects.coded(codes):
        names[row.code] = row.title if may(person, "sample.see", row) else "another group's sample"
    for row in Lot.objects.coded(codes).select_related("consumable"):
        names[row.code] = str(row)
    return [
        {"code": code, "name": names.get(code, ""), "page": _page_of(code)[0]} for code in codes
    ]
