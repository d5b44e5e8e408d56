"""A lot behind its label: what it is, batch, expiry, what is left; opened in one tap."""

from django.contrib import messages
from django.http import Http404
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from bookings.forms_stores import CountForm, FinishForm
from bookings.views.stores import as_said, written
from facility import stock, stocking
from facility.access import may, policy
from facility.errors import Refused
from facility.htmx import page, see
from facility.models import Lot
from samples.codes import read_code

LINES = 20  # of its history


@require_GET
@policy("page.everyone")
def scanned_lot(request, code):
    """What a lot's label leads to; a code that no lot carries is told in words."""
    problem = ""
    try:
        code = read_code(code)
    except ValueError as sentence:
        problem = str(sentence)
    row = None if problem else Lot.objects.with_code(code)
    if row is None:
        context = {"code": code, "problem": problem, "is_lot": not problem}
        return page(request, "bookings/unknown_code.html", context, status=404)
    return _shown(request, row)


def _shown(request, row, *, status=200, **forms):
    things, unit = row.consumable, row.consumable.unit
    standing = things.lots.standing()
    today = timezone.localdate()
    first = next(iter(stocking.first_expired_first(standing, today)), None)
    context = {
        "lot": row,
        "things": things,
        "in_use": things.in_use_id == row.pk,
        "left": stocking.amount(row.left, unit),
        "came": stocking.amount(row.quantity, unit),
        "expired": row.has_expired(today),
        "rather": None
        if first is None or first.pk == row.pk or first.has_expired(today)
        else first,
        "uses": may(request.user, "stock.use"),
        "lines": [as_said(line, unit) for line in row.uses.select_related("by")[:LINES]],
        "count_form": CountForm(),
        "finish_form": FinishForm(),
    }
    return page(request, "bookings/lot.html", context | forms, status=status)


def lot_of(code):
    """The lot with this code, or 404."""
    row = Lot.objects.with_code(code)
    if row is None:
        raise Http404
    return row


@require_POST
@policy("stock.use")
def open_lot(request, code):
    """POST says that this lot is in use from now on; what mounts take is taken from it."""
    row = lot_of(code)
    try:
        stock.open_lot(lot=row, by=request.user)
    except Refused as refusal:
        return _shown(request, lot_of(code), status=422, says=str(refusal))
    messages.success(request, f"{row} is in use.")
    return see(request, row)


@require_POST
@policy("stock.use")
def count_lot(request, code):
    """POST says what is really left of this lot."""
    row, form = lot_of(code), CountForm(request.POST)
    return written(
        form,
        lambda said: stock.count(
            consumable=row.consumable, lot=row, by=request.user, **said
        ),
        lambda _: see(request, row),
        lambda: _shown(request, lot_of(code), status=422, count_form=form),
    )  # fmt: skip


@require_POST
@policy("stock.use")
def finish_lot(request, code):
    """POST says that the lot is gone: used up or thrown away."""
    row, form = lot_of(code), FinishForm(request.POST)
    return written(
        form,
        lambda said: stock.finish_lot(lot=row, by=request.user, how=said["how"]),
        lambda _: see(request, row),
        lambda: _shown(request, lot_of(code), status=422, finish_form=form),
    )
