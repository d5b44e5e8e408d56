"""Asking staff by a link to their own telephone, and their answer from there without signing in."""

from django.contrib import messages
from django.shortcuts import get_object_or_404
from django.views.decorators.debug import sensitive_variables
from django.views.decorators.http import require_POST

from bookings import asking
from bookings.forms import FlagForm
from bookings.forms_keep import OverrideForm
from bookings.models import Flag
from bookings.views.holders import refused
from facility.access import policy
from facility.errors import Refused
from facility.htmx import page, see


@require_POST
@policy("holder.mount")
def ask_by_link(request, pk):
    """POST sends a named person a link that answers this flag once."""
    flag = get_object_or_404(Flag.objects.select_related("holder"), pk=pk, holder__isnull=False)
    form = OverrideForm(request.POST)
    if not form.is_valid():
        refused(request, form)
        return see(request, flag.holder)
    person = get_object_or_404(asking.who_may_answer(flag), pk=form.cleaned_data["person"])
    try:
        asking.ask(flag=flag, person=person, by=request.user)
    except Refused as refusal:
        refused(request, form, refusal)
    else:
        messages.success(request, f"{person} was sent a link that answers this once.")
    return see(request, flag.holder)


@sensitive_variables("token")
@policy("page.public")
def answer_by_link(request, token):
    """GET shows the finding; POST answers it in the name of the person the link was sent to."""
    context, status = {}, 200
    try:
        row = asking.read(token)
    except Refused as refusal:
        return page(request, "bookings/answer_by_link.html", {"gone": str(refusal)}, status=404)
    form = FlagForm(request.POST if request.method == "POST" else None)
    if form.is_valid():
        said = form.cleaned_data
        try:
            asking.answer(token=token, answer=said["answer"], sentence=said["sentence"])
            context["done"] = True
            row.flag.refresh_from_db()
        except Refused as refusal:
            form.add_error(None, str(refusal))
    if form.errors:
        status = 422
    context |= {"asked": row, "flag": row.flag, "form": form}
    return page(request, "bookings/answer_by_link.html", context, status=status)


answer_by_link.login_required = False
