"""Labels on paper and files for the engraver. Paper and glue never go into the vacuum."""

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.views.decorators.http import require_GET

from bookings.at_bench import seen_by
from bookings.forms_keep import SheetForm
from bookings.views.holders import holder_of
from facility.access import may, policy, require_or_404
from facility.errors import Refused
from facility.htmx import page
from facility.models import Lot
from samples import bench, labels, sheets
from samples.models import Holder, Sample

OFFERED = 400


def _line(mount, may_see):
    what = mount.sample.title if may_see(mount.sample) else mount.sample.get_form_display()
    return f"{mount.position} {what}"


@require_GET
@policy("label.print")
def label(request, code):
    """The box label, to be printed in its true size."""
    holder = holder_of(code)
    size, path = labels.path(labels.address_of("H", holder.code))
    context = {
        "holder": holder,
        "mounts": [
            {"mount": row, "seen": may(request.user, "sample.see", row.sample)}
            for row in bench.mounts_of(holder)
        ],
        "size": size,
        "path": path,
    }
    return page(request, "bookings/label.html", context)


@require_GET
@policy("label.print")
def label_png(request, code):
    """The box label as a picture at 300 dots an inch, for a label printer."""
    holder, may_see = holder_of(code), seen_by(request.user)
    picture = labels.box_label_png(
        kind="H",
        code=holder.code,
        short_name=holder.short_name,
        lines=[_line(row, may_see) for row in bench.mounts_of(holder)],
    )
    return HttpResponse(picture, content_type="image/png")


@require_GET
@policy("sample.see")
def sample_label_png(request, code):
    """A sample's label as a picture."""
    row = Sample.objects.select_related("owner", "group").with_code(code)
    if row is None:
        raise Http404
    require_or_404(request.user, "sample.see", row)
    picture = labels.box_label_png(
        kind="S", code=row.code, short_name=row.title, lines=_sample_lines(row)
    )
    return HttpResponse(picture, content_type="image/png")


def _sample_lines(row):
    hazards = ", ".join(bench.declared_of(row).hazards)
    lines = [row.title, f"{row.get_form_display()}, {row.composition}", str(row.owner)]
    return [*lines, hazards] if hazards else lines


@require_GET
@policy("label.print")
def engraving(request, code):
    """The file for the engraver: bare code and short name."""
    holder = holder_of(code)
    drawn = labels.engraving_svg(code=holder.code, short_name=holder.short_name)
    answer = HttpResponse(drawn, content_type="image/svg+xml")
    answer["Content-Disposition"] = f'attachment; filename="{holder.short_name}-{holder.code}.svg"'
    return answer


@policy("label.print")
def label_sheet(request):
    """GET offers holders, samples and lots; POST answers with the sheets as a PDF, or says why not."""
    form = SheetForm(request.POST if request.method == "POST" else None)
    if form.is_valid():
        try:
            printed = sheets.pdf(
                _chosen(request, form), form.sheet(), first=form.cleaned_data["first"] or 1
            )
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            answer = HttpResponse(printed, content_type="application/pdf")
            answer["Content-Disposition"] = 'inline; filename="labels.pdf"'
            return answer
    for sentence in [s for rows in form.errors.values() for s in rows]:
        messages.warning(request, sentence)
    context = {
        "form": form,
        "holders": Holder.objects.in_use().with_state()[:OFFERED],
        "samples": Sample.objects.of(request.user).kept()[:OFFERED],
        "lots": Lot.objects.standing().select_related("consumable")[:OFFERED],
        "sheets": sheets.SHEETS,
        "chosen": set(request.POST.getlist("code") or request.GET.getlist("code")),
    }
    return page(request, "samples/labels.html", context, status=422 if form.errors else 200)


def _chosen(request, form):
    """The labels of the chosen codes, each so often; what this person may not see is left out."""
    copies = form.cleaned_data["copies"] or 1
    codes = list(dict.fromkeys(request.POST.getlist("code")))
    if len(codes) * copies > sheets.MOST_LABELS:
        raise Refused(
            f"{len(codes) * copies} labels were asked for; at most {sheets.MOST_LABELS} are printed "
            "at once. Print them in several goes."
        )
    may_see, found = seen_by(request.user), []
    for row in Holder.objects.in_use().coded(codes).prefetch_standing():
        lines = [_line(mount, may_see) for mount in row.standing_mounts]
        foot = "quarantined" if row.quarantined_why else ""
        found.append(labels.label_of("H", row.code, name=row.short_name, lines=lines, foot=foot))
    for row in Sample.objects.coded(codes).select_related("owner"):
        if may_see(row):
            lines = _sample_lines(row)
            found.append(labels.label_of("S", row.code, name=row.title, lines=lines[1:]))
    for row in Lot.objects.coded(codes).select_related("consumable"):
        lines = [f"batch {row.batch}"] if row.batch else []
        foot = f"expires {row.expires_on:%d %b %Y}" if row.expires_on else ""
        name = row.consumable.name
        found.append(labels.label_of("C", row.code, name=name, lines=lines, foot=foot))
    return [label for label in found for _ in range(copies)]
