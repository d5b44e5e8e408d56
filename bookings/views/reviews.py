"""The weekly review: one page an instrument and week, answered, signed, frozen."""

from datetime import timedelta

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.urls import reverse
from django.utils import timezone
from django.utils.safestring import mark_safe
from django.views.decorators.debug import sensitive_post_parameters, sensitive_variables
from django.views.decorators.http import require_GET, require_POST

from bookings import review, reviewing
from bookings.forms_review import LineForm, SignForm
from bookings.models import Review
from facility import sign_in
from facility.access import may, policy
from facility.errors import Refused
from facility.htmx import page, see, wants_fragment
from facility.models import Instrument

WATCHED_FOR = timedelta(weeks=4)  # offered with “watch until”; own proposal


def _asked(request, slug, week):
    """The instrument and Monday of an address, or not here; the page's links need them all."""
    request.instruments = list(Instrument.objects.select_related("log"))
    found = next((row for row in request.instruments if row.slug == slug), None)
    try:
        monday = review.monday_of(week)
    except Refused:
        raise Http404 from None
    if found is None:
        raise Http404
    return found, monday


@require_GET
@policy("review.see")
def newest_review(request):
    """On to the review of the newest week that waits to be signed."""
    rows = [(row, review.waiting_monday(row)) for row in Instrument.objects.all()]
    if not rows:
        return see(request, "bookings:flags")
    signed = set(Review.objects.signed().pairs([monday for _, monday in rows]))
    row, monday = min(
        rows, key=lambda pair: ((pair[0].pk, pair[1]) in signed, -pair[1].toordinal())
    )
    return see(request, reviewing.address_of(row, monday))


def _context(request, shown, sign_form=None):
    name = review.name_of(shown.monday)
    return {
        "page": shown,
        "review": shown.review,
        "name": name,
        "before": review.name_of(shown.monday - review.A_WEEK),
        "after": review.name_of(shown.monday + review.A_WEEK)
        if shown.week.end <= timezone.now()
        else "",
        "unsigned": [(f"{day:%V}", review.name_of(day)) for day in shown.unsigned_before],
        "instruments": request.instruments,
        "answer_url": reverse("bookings:answer_line", args=[shown.instrument.slug, name]),
        "may_answer": shown.is_over and may(request.user, "review.see"),
        "may_sign": may(request.user, "review.sign"),
        "why_not": reviewing.blocking_words(shown) if shown.blocking or not shown.is_over else "",
        "sign_form": sign_form or SignForm(),
        "watch_until": f"{timezone.localdate() + WATCHED_FOR}",
        "head": shown.instrument.log.head,
    }


@require_GET
@policy("review.see")
def week_review(request, slug, week):
    """One week of one instrument: what needs a person, and the next seven days."""
    instrument, monday = _asked(request, slug, week)
    rows = review.reviews_until(instrument, monday)
    row = next((row for row in rows if row.monday == monday), None)
    if row is not None and row.signed_at:
        return _signed(request, instrument, monday, row)
    shown = review.page_of(instrument, monday, rows=rows)
    return page(request, "bookings/review.html", _context(request, shown))


def _signed(request, instrument, monday, row):
    """A signed week: the frozen sheets as they were, and what proves them."""
    context = {
        "instrument": instrument,
        "instruments": request.instruments,
        "review": row,
        "name": review.name_of(monday),
        "before": review.name_of(monday - review.A_WEEK),
        "after": review.name_of(monday + review.A_WEEK),
        "frozen": mark_safe(reviewing.frozen_text(row)),
    }
    return page(request, "bookings/review_signed.html", context)


@require_GET
@policy("review.see")
def frozen_review(request, slug, week):
    """The signed sheets, byte for byte as their SHA-256 was taken."""
    instrument, monday = _asked(request, slug, week)
    row = Review.objects.of_week(instrument, monday)
    if row is None or not row.signed_at:
        raise Http404
    answer = HttpResponse(reviewing.frozen_text(row), content_type="text/html; charset=utf-8")
    answer.headers["Content-Disposition"] = (
        f'attachment; filename="review-{instrument.slug}-{review.name_of(monday)}.html"'
    )
    return answer


@require_POST
@policy("review.see")
def answer_line(request, slug, week):
    """POST answers one line, or says beside it what is needed and keeps what was typed."""
    instrument, monday = _asked(request, slug, week)
    form, errors = LineForm(request.POST), []
    key = request.POST.get("key", "")[:200]
    if form.is_valid():
        try:
            reviewing.answer(
                instrument=instrument, monday=monday, by=request.user, **form.cleaned_data
            )
        except Refused as refusal:
            errors = [str(refusal)]
    else:
        errors = [sentence for found in form.errors.values() for sentence in found]
    shown = review.page_of(instrument, monday)
    item = next((item for item in shown.items if item.line.key == key), None)
    if item is not None:
        item.errors, item.typed = errors, {"sentence": request.POST.get("sentence", "")[:300]}
    status = 422 if errors else 200
    if item is not None and wants_fragment(request):
        context = _context(request, shown) | {"items": [item], "swapped": True}
        return page(request, "bookings/review_answered.html", context, status=status)
    if errors:
        context = _context(request, shown) | {"lost": [] if item else errors}
        return page(request, "bookings/review.html", context, status=status)
    return see(request, f"{reviewing.address_of(instrument, monday)}#{item.name if item else ''}")


@require_POST
@policy("review.sign")
def see_the_rest(request, slug, week):
    """POST answers with seen whatever needs no sentence."""
    instrument, monday = _asked(request, slug, week)
    try:
        count = reviewing.see_the_rest(instrument=instrument, monday=monday, by=request.user)
    except Refused as refusal:
        messages.warning(request, str(refusal))
    else:
        messages.success(request, f"{count} line{'' if count == 1 else 's'} answered: seen.")
    return see(request, reviewing.address_of(instrument, monday))


@require_POST
@policy("review.sign")
def gather_anew(request, slug, week):
    """POST gathers the week once more: what was typed late is in it then."""
    instrument, monday = _asked(request, slug, week)
    try:
        reviewing.gather(instrument=instrument, monday=monday, anew=True)
    except Refused as refusal:
        messages.warning(request, str(refusal))
    return see(request, reviewing.address_of(instrument, monday))


@sensitive_variables("form")
@sensitive_post_parameters("password")
@require_POST
@policy("review.sign")
def sign_review(request, slug, week):
    """POST signs the week with the password, or says what is missing."""
    instrument, monday = _asked(request, slug, week)
    form = SignForm(request.POST)
    if form.is_valid():
        try:
            sign_in.confirm(request.user, form.cleaned_data["password"])
            reviewing.sign(
                instrument=instrument,
                monday=monday,
                by=request.user,
                sentence=form.cleaned_data["sentence"],
            )
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            messages.success(request, f"Week {monday:%V} of {instrument} is signed and frozen.")
            return see(request, reviewing.address_of(instrument, monday))
    row = Review.objects.of_week(instrument, monday)
    if row is not None and row.signed_at:  # somebody else was quicker
        messages.warning(request, " ".join(form.non_field_errors()))
        return see(request, reviewing.address_of(instrument, monday))
    context = _context(request, review.page_of(instrument, monday), form)
    return page(request, "bookings/review.html", context, status=422)
