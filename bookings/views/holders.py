"""Holders: the list, one holder with its drawing and findings, mounting, labels."""

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_GET, require_POST

from bookings import run
from bookings.forms import LooseForm, MountForm
from bookings.models import Flag, Load
from facility.access import may, policy
from facility.errors import Refused
from facility.findings import gravest_first
from facility.htmx import page, see
from samples import bench, labels, mount
from samples.codes import read_code
from samples.models import Holder, Mount, Whereabouts


def _holder(code):
    return get_object_or_404(Holder.objects.select_related("type"), code=code)


@require_GET
@policy("page.everyone")
def holders(request):
    """Every holder in use, with where it is and what it carries."""
    rows = Holder.objects.in_use().with_state()
    return page(request, "bookings/holders.html", {"holders": rows})


@require_GET
@policy("holder.see")
def holder(request, code):
    """One holder: the drawing to scale, what it carries, what the rules find, what it did before."""
    holder = Holder.objects.select_related("type").filter(code=code).first()
    if holder is None:
        return render(request, "bookings/unknown_code.html", {"code": code}, status=404)
    return page(request, "bookings/holder.html", _holder_context(request, holder))


def _holder_context(request, holder):
    mounts = bench.mounts_of(holder)
    seen = {mount.pk: may(request.user, "sample.see", mount.sample) for mount in mounts}
    findings = gravest_first(bench.findings_of(holder, mounts))
    here = Whereabouts.objects.now().filter(holder=holder).select_related("place").first()
    return {
        "holder": holder,
        "mounts": [{"mount": row, "seen": seen[row.pk]} for row in mounts],
        "drawing": bench.draw(holder, mounts, seen),
        "findings": findings,
        "here": here,
        "in_vacuum": here is not None and here.place.is_in_vacuum,
        "flags": Flag.objects.waiting().filter(holder=holder).by_severity(),
        "loads": Load.objects.filter(holder=holder).select_related("instrument")[:8],
        "cleaning": holder.cleanings.first(),
        "may_mount": may(request.user, "holder.mount"),
    }


@require_GET
@policy("page.everyone")
def scanned_holder(request, code):
    """What a label's address leads to: any spelling of the code, then the holder's page."""
    try:
        code = read_code(code)
    except ValueError as problem:
        context = {"code": code, "problem": str(problem)}
        return render(request, "bookings/unknown_code.html", context, status=404)
    return see(request, "bookings:holder", code)


@policy("holder.mount")
def mount_sample(request, code):
    """GET shows the form; POST mounts a sample, described before or now, or says why not."""
    holder = _holder(code)
    form = MountForm(
        request.POST if request.method == "POST" else None,
        person=request.user,
        initial={"sample": request.GET.get("sample")},
    )
    if form.is_valid():
        try:
            form.save(holder=holder, by=request.user)
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            run.refresh_flags(holder)
            return see(request, holder)
    context = {"holder": holder, "form": form}
    return page(request, "bookings/mount_sample.html", context, status=422 if form.errors else 200)


@require_POST
@policy("holder.mount")
def take_off(request, code, pk):
    """POST takes a sample off its holder."""
    row = get_object_or_404(Mount.objects.select_related("holder"), pk=pk, holder__code=code)
    try:
        mount.take_off(mount=row, by=request.user)
    except Refused as refusal:
        messages.warning(request, str(refusal))
    else:
        run.refresh_flags(row.holder)
    return see(request, row.holder)


@require_POST
@policy("holder.mount")
def say_loose_powder(request, code, pk):
    """POST records how loose powder was removed."""
    row = get_object_or_404(Mount.objects.select_related("holder"), pk=pk, holder__code=code)
    form = LooseForm(request.POST)
    try:
        how = form.cleaned_data["how"] if form.is_valid() else ""
        mount.say_loose_powder(mount=row, by=request.user, how=how)
    except Refused as refusal:
        messages.warning(request, str(refusal))
    else:
        run.refresh_flags(row.holder)
    return see(request, row.holder)


@require_GET
@policy("label.print")
def label(request, code):
    """The box label, to be printed in its true size."""
    holder = _holder(code)
    size, path = labels.path(labels.address_of("H", holder.code))
    mounts = bench.mounts_of(holder)
    context = {
        "holder": holder,
        "mounts": [
            {"mount": row, "seen": may(request.user, "sample.see", row.sample)} for row in mounts
        ],
        "size": size,
        "path": path,
    }
    return page(request, "bookings/label.html", context)


@require_GET
@policy("label.print")
def label_png(request, code):
    """The box label as a picture at 300 dots an inch, for a label printer."""
    holder = _holder(code)
    lines = [
        f"{row.position} {row.sample.title if may(request.user, 'sample.see', row.sample) else row.sample.get_form_display()}"
        for row in bench.mounts_of(holder)
    ]
    picture = labels.box_label_png(
        kind="H", code=holder.code, short_name=holder.short_name, lines=lines
    )
    return HttpResponse(picture, content_type="image/png")
