"""Samples: describe one, and one with everything that ever happened to it."""

from django.shortcuts import render
from django.views.decorators.http import require_GET

from bookings.forms import SampleForm
from bookings.models import Load
from facility.access import may, policy, require_or_404
from facility.htmx import page, see
from samples.codes import read_code
from samples.models import Sample


@require_GET
@policy("page.everyone")
def samples(request):
    """This person's samples and their group's."""
    rows = Sample.objects.of(request.user).kept().select_related("owner")[:200]
    return page(request, "bookings/samples.html", {"samples": rows})


@policy("sample.add")
def describe_sample(request):
    """GET shows the form; POST describes a sample."""
    form = SampleForm(request.POST if request.method == "POST" else None)
    if form.is_valid():
        return see(request, form.save(by=request.user))
    return page(
        request, "bookings/describe_sample.html", {"form": form}, status=422 if form.errors else 200
    )


@require_GET
@policy("sample.see")
def sample(request, code):
    """One sample: what it is, where it is, what it was mounted on and which loads it was in."""
    row = Sample.objects.select_related("owner", "group").filter(code=code).first()
    if row is None:
        return render(request, "bookings/unknown_code.html", {"code": code}, status=404)
    require_or_404(request.user, "sample.see", row)
    return page(request, "bookings/sample.html", _sample_context(row))


def _sample_context(sample):
    mounts = list(sample.mounts.select_related("holder", "by").order_by("-since")[:20])
    loads = Load.objects.carrying(mounts).select_related("instrument", "holder")
    return {
        "sample": sample,
        "mounts": mounts,
        "standing": next((row for row in mounts if row.until is None), None),
        "loads": loads[:20],
    }


@require_GET
@policy("page.everyone")
def scanned_sample(request, code):
    """A scanned code answers whom to ask, where the sample is another group's."""
    try:
        code = read_code(code)
    except ValueError as problem:
        context = {"code": code, "problem": str(problem)}
        return render(request, "bookings/unknown_code.html", context, status=404)
    row = Sample.objects.select_related("owner", "group").filter(code=code).first()
    if row is None:
        return render(request, "bookings/unknown_code.html", {"code": code}, status=404)
    if not may(request.user, "sample.see", row):
        return render(request, "bookings/ask_about.html", {"sample": row}, status=403)
    return see(request, row)
