"""A password of one's own: set by an invitation's link, changed by whoever knows the old one."""

from django.contrib import messages
from django.contrib.auth import login, update_session_auth_hash
from django.http import Http404
from django.shortcuts import redirect
from django.views.decorators.debug import sensitive_post_parameters

from facility import invite
from facility.access import policy
from facility.errors import Refused
from facility.forms import ChangePasswordForm, PasswordForm
from facility.htmx import page


@sensitive_post_parameters()
@policy("page.public")
def welcome(request, token):
    """GET shows who is invited; POST sets the password once and signs in."""
    found = invite.standing_invitation(token)
    if found is None:
        if request.method == "POST" or len(token) < 20:
            raise Http404
        return page(request, "facility/link_is_over.html", {}, status=404)
    form = PasswordForm(request.POST if request.method == "POST" else None)
    if form.is_valid():
        try:
            person = invite.accept(token=token, password=form.cleaned_data["password"])
        except Refused as refusal:
            form.add_error("password", str(refusal))
        else:
            login(request, person, "django.contrib.auth.backends.ModelBackend")
            return redirect("bookings:today")
    context = {"form": form, "person": found.person}
    answer = page(request, "facility/welcome.html", context, status=422 if form.errors else 200)
    answer.headers["Referrer-Policy"] = "no-referrer"
    answer.headers["Cache-Control"] = "no-store"
    return answer


welcome.login_required = False


@sensitive_post_parameters()
@policy("page.everyone")
def change_password(request):
    """GET shows the form; POST changes the password and keeps this sign-on."""
    form = ChangePasswordForm(request.POST if request.method == "POST" else None)
    if form.is_valid():
        try:
            changed = invite.change_password(
                person=request.user,
                old=form.cleaned_data["old"],
                new=form.cleaned_data["password"],
            )
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            if changed is None:
                form.add_error("old", "That is not the password that you have now. Type it again.")
        if not form.errors:
            update_session_auth_hash(request, request.user)
            messages.success(request, "The password is changed. Other sign-ons have ended.")
            return redirect("bookings:today")
    context = {"form": form}
    return page(
        request, "facility/change_password.html", context, status=422 if form.errors else 200
    )
