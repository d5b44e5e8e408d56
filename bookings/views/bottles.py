"""Gas bottles and dewars: the dial typed, a change as one action, what is in it and until when."""

from django.contrib import messages
from django.shortcuts import get_object_or_404
from django.views.decorators.http import require_GET, require_POST

from bookings.forms_stores import BottleChangeForm, ConnectForm, DialForm, TakeOffForm
from bookings.views.stores import written
from facility import bottles as verbs
from facility import on_hand
from facility.access import may, policy
from facility.htmx import page, see
from facility.models import Cylinder

READINGS = 12  # of the dial that are shown


def bottle_of(pk):
    rows = Cylinder.objects.select_related("instrument", "room", "consumable")
    return get_object_or_404(rows, pk=pk)


@require_GET
@policy("stock.see")
def bottle(request, pk):
    """What is in the bottle, until when, what its dial said; a dial that rose is asked back."""
    return _shown(request, bottle_of(pk))


def _shown(request, row, *, status=200, **forms):
    now = on_hand.bottle_of(row)
    context = {
        "row": row,
        "bottle": now,
        "vents": None if now.vents_left is None else int(now.vents_left),
        "alarms": now.alarms,
        "dials": row.dials.select_related("by")[:READINGS],
        "follower": row.taken_off_at and Cylinder.objects.in_place_of(row).first(),
        "dial_form": DialForm(),
        "change_form": BottleChangeForm(
            initial={"dial": now.last.typed if now.asks else ""}
        ),
        "off_form": TakeOffForm(),
        "keeps": may(request.user, "stock.keep"),
    }  # fmt: skip
    return page(request, "bookings/bottle.html", context | forms, status=status)


@require_POST
@policy("stock.use")
def read_dial(request, pk):
    """POST stores what the dial shows, a rise too: the page then asks whether it was changed."""
    row, form = bottle_of(pk), DialForm(request.POST)
    return written(
        form,
        lambda said: verbs.read_dial(
            cylinder=row, by=request.user, text=said["dial"],
            temperature_c=said["temperature_c"], sent_id=said["sent_id"],
        ),
        lambda _: see(request, row),
        lambda: _shown(request, row, status=422, dial_form=form),
    )  # fmt: skip


@require_POST
@policy("stock.use")
def change_bottle(request, pk):
    """POST takes the old bottle off and puts a new one on, one spare fewer: once."""
    row, form = bottle_of(pk), BottleChangeForm(request.POST)

    def done(new):
        messages.success(request, "The bottle is changed; one spare is taken from the stores.")
        return see(request, new)

    return written(
        form,
        lambda said: verbs.change_bottle(cylinder=row, by=request.user, **said),
        done,
        lambda: _shown(request, bottle_of(pk), status=422, change_form=form),
    )


@require_POST
@policy("stock.keep")
def take_off_bottle(request, pk):
    """POST says that it is off and no other takes its place."""
    row, form = bottle_of(pk), TakeOffForm(request.POST)
    return written(
        form,
        lambda said: verbs.take_off(cylinder=row, by=request.user),
        lambda _: see(request, row),
        lambda: _shown(request, bottle_of(pk), status=422, off_form=form),
    )


@policy("stock.keep")
def connect_bottle(request):
    """GET asks which bottle stands where; POST connects it, with the first reading of its dial."""
    form = ConnectForm(request.POST) if request.method == "POST" else ConnectForm()
    return written(
        form,
        lambda said: verbs.connect(by=request.user, **form.about()),
        lambda row: see(request, row),
        lambda: page(
            request,
            "bookings/connect_bottle.html",
            {"form": form},
            status=422 if form.errors else 200,
        ),
    )
