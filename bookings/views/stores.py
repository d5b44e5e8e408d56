"""The stores: what is left, what to order first; one consumable with what went in and out."""

from django.contrib import messages
from django.shortcuts import get_object_or_404
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from bookings import stores as told
from bookings.forms_stores import (
    ConsumableForm,
    CountForm,
    DeliverForm,
    OrderForm,
    RetireForm,
    TakeForm,
)
from facility import on_hand, stock, stocking
from facility.access import may, policy
from facility.errors import Refused
from facility.htmx import page, see
from facility.models import Consumable, Order
from samples.codes import new_code

LINES, GONE = 30, 8  # of history, of lots that are gone


def written(form, verb, done, again):
    """Run a verb with what a form holds; a refusal comes back beside what was typed.

    Takes:  verb(cleaned_data); done(its answer), where to go on; again(), the page once more.
    """
    if form.is_valid():
        try:
            answer = verb(form.cleaned_data)
        except Refused as refusal:
            form.refuse(refusal)
        else:
            return done(answer)
    return again()


@require_GET
@policy("stock.see")
def stores(request):
    """What is left of everything, until when, what to order first; bottles beside it."""
    shelves = on_hand.shelves()
    bottles = on_hand.bottles(stocked=shelves)
    context = {
        "retired": Consumable.objects.retired()[:GONE],
        "first": [row for row in told.table_rows(shelves, bottles) if row["says"]],
        "shelves": shelves,
        "bottles": bottles,
        "today": timezone.localdate(),
        "keeps": may(request.user, "stock.keep"),
    }
    return page(request, "bookings/stores.html", context)


def consumable_of(slug):
    return get_object_or_404(Consumable.objects.select_related("instrument", "room"), slug=slug)


@require_GET
@policy("stock.see")
def consumable(request, slug):
    """One consumable: what is left, its lots, what went in and out, what is on its way."""
    return _shown(request, consumable_of(slug))


def _shown(request, row, *, status=200, **forms):
    today = timezone.localdate()
    lots = [
        {"row": lot, "left": stocking.amount(lot.left, row.unit), "expired": lot.has_expired(today)}
        for lot in stocking.first_expired_first(row.lots.standing(), today)
    ]
    context = {
        "row": row,
        "shelf": on_hand.shelf_of(row),
        "takes": {
            name: stocking.amount(getattr(row, name), row.unit)
            for name in ("per_mount", "per_vent", "per_session")
        },
        "lots": lots,
        "gone": row.lots.gone()[:GONE],
        "lines": [as_said(line, row.unit) for line in row.uses.select_related("by", "lot")[:LINES]],
        "count_form": CountForm(),
        "take_form": TakeForm(),
        "keeps": may(request.user, "stock.keep"),
    }
    if context["keeps"]:
        context |= {
            "deliver_form": DeliverForm(),
            "order_form": OrderForm(),
            "change_form": ConsumableForm(initial=_as_typed(row)),
            "retire_form": RetireForm(),
        }
    return page(request, "bookings/consumable.html", context | forms, status=status)


def as_said(line, unit):
    """A line of history with its amounts in words."""
    change = stocking.amount(line.change, unit)
    return {
        "line": line,
        "change": change if change.startswith("−") else f"+{change}",
        "was": stocking.amount(line.was, unit),
        "left": stocking.amount(line.left_after, unit),
    }


def _as_typed(row):
    known = {name: getattr(row, name) for name in ConsumableForm.base_fields if name != "sent_id"}
    known |= {name: f"{known[name]:g}" for name in ConsumableForm.NUMBERS}
    return known | {"instrument": row.instrument and row.instrument.slug, "room": row.room_id}


def _written(request, slug, form, name, verb, says):
    """A form of one consumable; what is left then stands in the answer."""
    row = consumable_of(slug)

    def done(_):
        messages.success(request, says(consumable_of(slug)))
        return see(request, row)

    return written(
        form,
        lambda said: verb(row, said),
        done,
        lambda: _shown(request, consumable_of(slug), status=422, **{name: form}),
    )


def _left(row):
    return f"{row}: {stocking.amount(row.left, row.unit)} now."


@require_POST
@policy("stock.keep")
def deliver(request, slug):
    """POST takes a delivery in: a lot under a code of its own, whose label can be printed."""
    row = consumable_of(slug)

    def done(lot):
        messages.success(request, f"Delivered as {lot}. Print its label and stick it on.")
        return see(request, lot)

    form = DeliverForm(request.POST)
    return written(
        form,
        lambda said: stock.deliver(consumable=row, by=request.user, new_code=new_code, **said),
        done,
        lambda: _shown(request, consumable_of(slug), status=422, deliver_form=form),
    )


@require_POST
@policy("stock.use")
def count(request, slug):
    """POST says what is really there; the books keep what they said before."""
    return _written(
        request, slug, CountForm(request.POST), "count_form",
        lambda row, said: stock.count(consumable=row, by=request.user, **said),
        lambda row: f"Counted. {_left(row)}",
    )  # fmt: skip


@require_POST
@policy("stock.use")
def take_out(request, slug):
    """POST takes some for another purpose."""
    return _written(
        request, slug, TakeForm(request.POST), "take_form",
        lambda row, said: stock.take_out(consumable=row, by=request.user, **said),
        lambda row: f"Taken. {_left(row)}",
    )  # fmt: skip


@require_POST
@policy("stock.keep")
def order(request, slug):
    """POST says what was ordered; the stores then no longer ask for it."""
    return _written(
        request, slug, OrderForm(request.POST), "order_form",
        lambda row, said: stock.order(consumable=row, by=request.user, **said),
        lambda row: f"The order of {row} is entered: nobody is asked again until it is late.",
    )  # fmt: skip


@require_POST
@policy("stock.keep")
def cancel_order(request, pk):
    """POST says that an order will not come."""
    row = get_object_or_404(Order.objects.select_related("consumable"), pk=pk)
    try:
        stock.cancel_order(order=row, by=request.user)
    except Refused as refusal:
        messages.warning(request, str(refusal))
    return see(request, row.consumable)


@require_POST
@policy("stock.keep")
def change_consumable(request, slug):
    """POST changes what is known of a consumable."""
    form = ConsumableForm(request.POST)
    return _written(
        request, slug, form, "change_form",
        lambda row, said: stock.change(consumable=row, by=request.user, **form.about()),
        lambda row: f"{row} is changed.",
    )  # fmt: skip


@require_POST
@policy("stock.keep")
def retire_consumable(request, slug):
    """POST says that it is kept no more, or that it is kept again."""
    form = RetireForm(request.POST)
    if "again" in request.POST:
        row = stock.keep_again(consumable=consumable_of(slug), by=request.user)
        messages.success(request, f"{row} is kept again.")
        return see(request, row)
    return _written(
        request, slug, form, "retire_form",
        lambda row, said: stock.retire(consumable=row, by=request.user, why=said["why"]),
        lambda row: f"{row} is kept no more. Its history stays on this page.",
    )  # fmt: skip


@policy("stock.keep")
def add_consumable(request):
    """GET asks what it is; POST puts it on the list."""
    form = ConsumableForm(request.POST) if request.method == "POST" else ConsumableForm()
    return written(
        form,
        lambda said: stock.add(by=request.user, sent_id=said["sent_id"], **form.about()),
        lambda row: see(request, row),
        lambda: page(
            request,
            "bookings/add_consumable.html",
            {"form": form},
            status=422 if form.errors else 200,
        ),
    )
