"""Mounting with gloves on: a place on the drawing, a sample from big presses, one question each."""

import uuid

from django.contrib import messages
from django.shortcuts import get_object_or_404
from django.views.decorators.http import require_POST

from bookings import arranging, at_bench, run, shared
from bookings.forms_bench import (
    LooseForm,
    MountForm,
    PlaceForm,
    StepOfBenchForm,
    ThicknessForm,
)
from bookings.views.holders import holder_of, read_places, refused
from facility.access import policy
from facility.errors import Refused
from facility.htmx import page, see
from samples import bench, keep, mount
from samples.models import Mount, Sample

MOST_SPOTS, USUAL_SPOTS, MOST_PAST = 8, 6, 12


def _mount_of(code, pk):
    rows = Mount.objects.select_related("holder__type", "sample__owner")
    return get_object_or_404(rows, pk=pk, holder__code=code)


def _changed(holder, by, mounts):
    """After a change: findings anew, and whoever shares the holder is told."""
    run.refresh_flags(holder)
    shared.tell_owners(holder, by, mounts)


@policy("holder.mount")
def mount_sample(request, code):
    """GET offers places and samples; POST mounts one, or says why not."""
    holder = holder_of(code)
    posted = request.method == "POST"
    form = MountForm(
        request.POST if posted else None,
        person=request.user,
        initial={"sample": request.GET.get("sample")},
    )
    if form.is_valid():
        before = bench.mounts_of(holder)
        try:
            row = form.save(holder=holder, by=request.user)
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            _changed(holder, request.user, before)
            messages.success(request, f"{row.sample} is on position {row.position}.")
            return see(request, "bookings:mount_sample", holder.code)
    context = _mount_context(request, holder) | {"form": form}
    return page(request, "bookings/mount_sample.html", context, status=422 if form.errors else 200)


def _mount_context(request, holder):
    mounts = bench.mounts_of(holder)
    samples = at_bench.waiting_samples(request.user)
    past = list(Sample.objects.measured_before_by(request.user)[:MOST_PAST])
    count = _spots_asked(request, len(mounts) + len(samples))
    spots = bench.free_spots(holder, mounts, count)
    asked = request.GET.get("at")
    chosen = next((spot for spot in spots if str(spot[0]) == asked), spots[0] if spots else None)
    held = at_bench.usual_mountings(samples + past)
    context = at_bench.holder_context(
        holder, request.user, spots=spots, chosen=chosen[0] if chosen else None
    )
    for spot in context["spots"]:
        spot["url"] = f"?of={count}&at={spot['number']}"
    return context | {
        "spot_links": context["spots"],
        "waiting": _choices(samples, held),
        "past": _choices(past, held),
        "chosen": chosen,
        "count": count,
        "counts": range(1, MOST_SPOTS + 1),
    }


def _choices(samples, held):
    """A press for each sample, with an id of its own, so that a second tap mounts nothing twice."""
    return [{"sample": row, "mounting": held[row.pk], "sent_id": uuid.uuid4()} for row in samples]


def _spots_asked(request, wanted):
    """How many places the pattern has: as asked, else what is to be mounted, within reason."""
    asked = request.GET.get("of", "")
    if asked.isdecimal() and len(asked) < 3 and 1 <= int(asked) <= MOST_SPOTS:
        return int(asked)
    return min(max(wanted, 1), USUAL_SPOTS)


@require_POST
@policy("holder.mount")
def take_off(request, code, pk):
    """POST takes a sample off its holder."""
    row = _mount_of(code, pk)
    before = bench.mounts_of(row.holder)
    try:
        mount.take_off(mount=row, by=request.user)
    except Refused as refusal:
        messages.warning(request, str(refusal))
    else:
        _changed(row.holder, request.user, before)
    return see(request, row.holder)


@require_POST
@policy("holder.mount")
def take_all_off(request, code):
    """POST takes everything off a holder."""
    holder = holder_of(code)
    before = bench.mounts_of(holder)
    try:
        for row in before:
            mount.take_off(mount=row, by=request.user)
    except Refused as refusal:
        messages.warning(request, str(refusal))
    else:
        _changed(holder, request.user, before)
    return see(request, holder)


@require_POST
@policy("holder.mount")
def say_loose_powder(request, code, pk):
    """POST records how loose powder was removed."""
    row = _mount_of(code, pk)
    form = LooseForm(request.POST)
    try:
        how = form.cleaned_data["how"] if form.is_valid() else ""
        mount.say_loose_powder(mount=row, by=request.user, how=how)
    except Refused as refusal:
        messages.warning(request, str(refusal))
    else:
        run.refresh_flags(row.holder)
    return see(request, *_back(request, row.holder))


def _back(request, holder):
    """The page it was pressed on: mounting goes on, or the holder's own page."""
    if request.POST.get("back") == "mount":
        return "bookings:mount_sample", holder.code
    return (holder,)


@require_POST
@policy("holder.mount")
def measure_mount(request, code, pk):
    """POST writes down how thick a mounted sample was measured to be."""
    row = _mount_of(code, pk)
    form = ThicknessForm(request.POST)
    if not form.is_valid():
        refused(request, form)
        return see(request, row.holder)
    try:
        mount.measure(mount=row, by=request.user, thickness_mm=form.cleaned_data["thickness_mm"])
    except Refused as refusal:
        messages.warning(request, str(refusal))
    else:
        run.refresh_flags(row.holder)
    return see(request, row.holder)


@require_POST
@policy("holder.mount")
def place_mount(request, code, pk):
    """POST moves one mount to x, y and rotation as typed."""
    row = _mount_of(code, pk)
    form = PlaceForm(request.POST)
    if not form.is_valid():
        refused(request, form)
        return see(request, row.holder)
    values = form.cleaned_data
    spot = (values["x_mm"], values["y_mm"], values["rotation_deg"] or 0.0)
    return _lay(request, row.holder, {row.pk: spot})


@require_POST
@policy("holder.mount")
def lay_mounts(request, code):
    """POST keeps the places that were dragged or proposed: `m12=x,y,rotation`."""
    holder = holder_of(code)
    places = read_places(request.POST)
    if not places:
        messages.warning(request, "Nothing was moved. Drag a sample, or type its x and y.")
        return see(request, holder)
    return _lay(request, holder, places)


def _lay(request, holder, places):
    before = bench.mounts_of(holder)
    try:
        mount.lay(holder=holder, places=places, by=request.user)
    except Refused as refusal:
        messages.warning(request, str(refusal))
    else:
        _changed(holder, request.user, before)
    return see(request, holder)


@require_POST
@policy("holder.mount")
def bench_step(request, code):
    """POST records a step of the bench, with the gauge where it is the gauge's."""
    holder = holder_of(code)
    form = StepOfBenchForm(request.POST)
    if not form.is_valid():
        refused(request, form)
        return see(request, holder)
    try:
        keep.step(holder=holder, by=request.user, **form.cleaned_data)
    except Refused as refusal:
        messages.warning(request, str(refusal))
    else:
        run.refresh_flags(holder)
    return see(request, holder)


@policy("holder.mount")
def arrange(request, code):
    """GET shows a proposed layout beside the present one; it is kept by `lay_mounts`."""
    holder = holder_of(code)
    return page(request, "bookings/arrange.html", arranging.proposed(holder, request.user))
