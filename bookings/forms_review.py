"""Forms of the weekly review: answering a line, signing the week, muting a rule."""

from django import forms

from bookings.models import Flag
from facility.models import Instrument


class LineForm(forms.Form):
    """The answer to one line."""

    key = forms.CharField(
        max_length=200, error_messages={"required": "Press an answer beside the line it is for."}
    )
    answer = forms.ChoiceField(
        choices=Flag.Answer,
        error_messages={
            "required": "Press one of: seen, fixed, watch until, not real.",
            "invalid_choice": "Press one of: seen, fixed, watch until, not real.",
        },
    )
    sentence = forms.CharField(
        max_length=300,
        required=False,
        error_messages={"max_length": "Say it in at most 300 characters."},
    )
    watch_until = forms.DateField(
        required=False, error_messages={"invalid": "The day must be a date, such as 2026-12-01."}
    )


class SignForm(forms.Form):
    """A sentence for the week, and the password again."""

    sentence = forms.CharField(
        max_length=300,
        required=False,
        label="Sentence for the week",
        error_messages={"max_length": "Say it in at most 300 characters."},
    )
    password = forms.CharField(
        max_length=200,
        label="Your password",
        widget=forms.PasswordInput(attrs={"autocomplete": "current-password"}),
        error_messages={"required": "Type your password: signing asks for it again."},
    )


class MuteForm(forms.Form):
    """Which rule is not asked about, where, until when, and why."""

    instrument = forms.ModelChoiceField(
        queryset=Instrument.objects.all(),
        to_field_name="slug",
        empty_label=None,
        error_messages={
            "required": "Choose the instrument.",
            "invalid_choice": "Choose the instrument.",
        },
    )
    rule = forms.CharField(
        max_length=12,
        help_text="as it stands under a flag, such as PMP-01",
        error_messages={"required": "Write the rule as it stands, such as PMP-01."},
    )
    until = forms.DateField(
        widget=forms.DateInput(attrs={"type": "date"}),
        help_text="at most 13 weeks",
        error_messages={
            "required": "Choose a day to come.",
            "invalid": "The day must be a date, such as 2026-12-01.",
        },
    )
    why = forms.CharField(
        max_length=200,
        error_messages={"required": "Say in a sentence why: the next person reads it."},
    )
