"""Samples: described at the desk, one or many; found again; one with everything that ever happened to it."""

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import Http404
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from bookings import at_bench, histories, run
from bookings.forms_bench import GoneForm, ManyForm, MountForm, SampleForm, WhereForm
from bookings.forms_keep import PermitForm
from bookings.views.holders import holder_of, refused
from facility.access import may, policy, require_or_404
from facility.errors import Refused
from facility.htmx import page, see
from samples import bench, describe, keep, mount
from samples.codes import read_code
from samples.models import Sample
from samples.risks.beam import argon_fact
from samples.verdict import verdict_of

A_PAGE = 60


def _sample(request, code):
    row = Sample.objects.select_related("owner", "group").with_code(code)
    if row is None:
        raise Http404
    require_or_404(request.user, "sample.see", row)
    return row


@require_GET
@policy("page.everyone")
def samples(request):
    """This person's samples and their group's; ?all=yes with those that have left."""
    everything = request.GET.get("all") == "yes"
    rows = Sample.objects.of(request.user)
    rows = (rows if everything else rows.kept()).with_place().select_related("owner")
    listed = Paginator(rows, A_PAGE).get_page(request.GET.get("page"))
    context = {"samples": listed, "all": everything, "today": timezone.localdate()}
    return page(request, "bookings/samples.html", context)


@policy("sample.add")
def describe_sample(request):
    """GET shows the form, ?like=CODE filled in; POST says what the rules make of it, or keeps it."""
    posted = request.method == "POST"
    form = SampleForm(request.POST if posted else None, initial=_like(request))
    context = {"form": form, "before": Sample.objects.measured_before_by(request.user)[:12]}
    if form.is_valid():
        if "check" not in request.POST:
            return see(request, form.save(by=request.user))
        context["verdict"] = form.verdict()
    return page(
        request, "bookings/describe_sample.html", context, status=422 if form.errors else 200
    )


def _like(request):
    """What the form starts with: another sample's fields, the last one's for ?like=last."""
    code = request.GET.get("like", "")
    rows = Sample.objects.of(request.user)
    row = rows.first() if code == "last" else rows.with_code(code) if code else None
    return _typed(describe.copied(row)) if row else {}


def _typed(values):
    """Fields of a sample as they stand in its form."""
    plans = values.pop("plans") or {}
    liquid = "none"
    if plans.get("immersed"):
        liquid = "wet" if not plans.get("dried") else "rinsed" if plans.get("rinsed") else "dried"
    plain = {
        name: "" if value is None else f"{value:g}" if isinstance(value, float) else value
        for name, value in values.items()
    }
    return plain | plans | {"liquid": liquid}


@policy("sample.see")
def correct_sample(request, code):
    """GET shows the description; POST corrects it and keeps what it said before."""
    row = _sample(request, code)
    started = _typed(describe.copied(row) | {"keep_until": row.keep_until})
    form = SampleForm(request.POST if request.method == "POST" else None, initial=started)
    context = {"form": form, "correcting": row, "why": request.POST.get("why", "")[:200]}
    if form.is_valid():
        try:
            fields = form.fields_of_sample()
            describe.correct(sample=row, by=request.user, why=context["why"], **fields)
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            if standing := at_bench.holder_under(row):
                run.refresh_flags(standing)
            return see(request, row)
    return page(
        request, "bookings/describe_sample.html", context, status=422 if form.errors else 200
    )


@policy("sample.add")
def describe_many(request):
    """GET takes a paste or a CSV; POST shows its good and bad lines first, then keeps the good ones."""
    form = ManyForm(request.POST if request.method == "POST" else None, request.FILES or None)
    context = {"form": form}
    if form.is_valid():
        try:
            good, bad = form.read(by=request.user)
            if "keep" in request.POST:
                rows = {line: one.fields_of_sample() for line, one in good.items()}
                sent = form.cleaned_data["sent_id"]
                if sent is None:
                    raise Refused("Look at the lines first, then keep them.")
                made = describe.describe_many(rows=rows, by=request.user, sent_id=sent)
                messages.success(request, f"{len(made)} samples are described.")
                return see(request, "bookings:samples")
            context |= {"good": good, "bad": bad, "table": form.cleaned_data["table"]}
            context["sent_id"] = form.cleaned_data["sent_id"] or form.initial["sent_id"]
        except Refused as refusal:
            form.add_error(None, str(refusal))
    return page(request, "bookings/describe_many.html", context, status=422 if form.errors else 200)


@require_GET
@policy("sample.see")
def sample(request, code):
    """One sample: verdict, where it is, neighbours, and everything that ever happened to it."""
    row = Sample.objects.select_related("owner", "group").with_code(code)
    if row is None:
        return render(request, "bookings/unknown_code.html", {"code": code}, status=404)
    require_or_404(request.user, "sample.see", row)
    standing = row.mounts.standing().select_related("holder").first()
    context = {
        "sample": row,
        "verdict": verdict_of(row),
        "standing": standing,
        "here": row.whereabouts.now().select_related("place").first(),
        "holder_here": standing
        and standing.holder.whereabouts.now().select_related("place").first(),
        "overdue": describe.overdue(row),
        "residence": at_bench.residence(row),
        "neighbours": at_bench.neighbours(row, request.user),
        "photographs": at_bench.photographs_of_sample(row, request.user),
        "argon": argon_fact(bench.declared_of(row)),
        "monolayer": at_bench.MONOLAYERS,
        "history": histories.of_sample(row, page=request.GET.get("page")),
        "where_form": WhereForm(),
        "gone": keep.GONE,
        "may_permit": may(request.user, "hazard.answer"),
        "traces": may(request.user, "trace.see"),
        "mine": row.owner_id == request.user.pk or may(request.user, "holder.keep"),
    }
    return page(request, "bookings/sample.html", context)


def _act(request, code, form, verb):
    """A verb on one sample, from a small form on its page."""
    row = _sample(request, code)
    if not form.is_valid():
        refused(request, form)
        return see(request, row)
    try:
        verb(row, form.cleaned_data)
    except Refused as refusal:
        refused(request, form, refusal)
    return see(request, row)


@require_POST
@policy("sample.see")
def put_sample(request, code):
    """POST says where the sample is now."""
    return _act(
        request,
        code,
        WhereForm(request.POST),
        lambda row, said: mount.put(sample=row, place=said["place"], by=request.user),
    )


@require_POST
@policy("sample.see")
def send_away(request, code):
    """POST says that the sample has left: returned, stored elsewhere, disposed of."""
    return _act(
        request,
        code,
        GoneForm(request.POST),
        lambda row, said: keep.send_away(sample=row, how=said["how"], by=request.user),
    )


@require_POST
@policy("hazard.answer")
def permit_sample(request, code):
    """POST writes the safety officer's permit."""
    return _act(
        request,
        code,
        PermitForm(request.POST),
        lambda row, said: keep.permit(sample=row, by=request.user, number=said["number"]),
    )


@require_POST
@policy("holder.mount")
def mount_again(request, code):
    """POST mounts a sample that nobody declared, the same as one of the group's own past; marked so."""
    holder = holder_of(code)
    form = MountForm(request.POST, person=request.user)
    form.fields["sample"].queryset = Sample.objects.of(request.user)
    if not form.is_valid():
        refused(request, form)
        return see(request, "bookings:mount_sample", holder.code)
    like = form.cleaned_data["sample"]
    try:
        form.cleaned_data["sample"] = describe.again(
            like=like, by=request.user, sent_id=form.cleaned_data["sent_id"]
        )
        row = form.save(holder=holder, by=request.user)
    except Refused as refusal:
        refused(request, form, refusal)
    else:
        run.refresh_flags(holder)
        messages.success(request, f"{row.sample} is on position {row.position}, undeclared.")
    return see(request, "bookings:mount_sample", holder.code)


@require_GET
@policy("page.everyone")
def scanned_sample(request, code):
    """A scanned code answers whom to ask, where the sample is another group's."""
    try:
        code = read_code(code)
    except ValueError as problem:
        context = {"code": code, "problem": str(problem)}
        return render(request, "bookings/unknown_code.html", context, status=404)
    row = Sample.objects.select_related("owner", "group").with_code(code)
    if row is None:
        return render(request, "bookings/unknown_code.html", {"code": code}, status=404)
    if not may(request.user, "sample.see", row):
        return render(request, "bookings/ask_about.html", {"sample": row}, status=403)
    return see(request, row)
