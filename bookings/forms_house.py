"""Forms of how an instrument may be booked, what staff say of it, and which hours are counted."""

from django import forms

from bookings.forms_wall import day_field
from facility.models import Instrument


class RulesForm(forms.Form):
    """How time on an instrument may be booked."""

    shortest_min = forms.IntegerField(
        min_value=5, max_value=1440, label="Shortest booking, minutes"
    )
    longest_min = forms.IntegerField(min_value=5, max_value=20160, label="Longest booking, minutes")
    notice_min = forms.IntegerField(
        min_value=0,
        max_value=43200,
        label="Notice, minutes",
        help_text="booked at least so long before",
    )
    horizon_days = forms.IntegerField(
        min_value=1, max_value=730, label="Days ahead", help_text="booked at most so far ahead"
    )
    loading_min = forms.IntegerField(
        min_value=0,
        max_value=1440,
        label="Loading, minutes",
        help_text="the introduction chamber is held so long",
    )
    transfer_min = forms.IntegerField(
        min_value=0,
        max_value=600,
        label="Transfer, minutes",
        help_text="from below the threshold to the stage",
    )
    release_min = forms.IntegerField(
        min_value=0,
        max_value=1440,
        label="Free again if unused, minutes",
        help_text="after the start; 0: never",
    )
    late_cancel_hours = forms.IntegerField(
        min_value=0,
        max_value=336,
        label="Cancelled late, hours",
        help_text="a later cancellation is counted",
    )
    quota_hours = forms.FloatField(
        min_value=0,
        max_value=168,
        required=False,
        label="Hours a group and week",
        help_text="empty: as much as is free",
    )
    offer_hours = forms.IntegerField(
        min_value=1,
        max_value=168,
        label="An offer stands, hours",
        help_text="then the next who waits is told",
    )
    price = forms.FloatField(
        min_value=0,
        max_value=100000,
        required=False,
        label="Price of an hour present",
        help_text="in the house's own currency",
    )
    fault_is_charged = forms.BooleanField(required=False, label="Time of a fault is charged")
    standing = forms.CharField(
        max_length=4000,
        required=False,
        label="Standing rules",
        help_text="shown to whoever books, one a line",
        widget=forms.Textarea(attrs={"rows": 5}),
    )

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        for field in self.fields.values():
            field.error_messages |= {
                "required": f"Enter a number: {field.label.lower()}.",
                "invalid": f"{field.label} must be a number, such as 30.",
            }

    def clean(self):
        cleaned = super().clean()
        if cleaned.get("longest_min", 0) < cleaned.get("shortest_min", 0):
            self.add_error("longest_min", "The longest cannot be below the shortest.")
        return cleaned


class WordForm(forms.Form):
    """What staff say of an instrument."""

    word = forms.ChoiceField(
        choices=Instrument.Word,
        error_messages={"required": "Press one of: usable, with care, down."},
    )
    why = forms.CharField(max_length=200, required=False, label="Why")


class UsageForm(forms.Form):
    """Which hours to count."""

    start = day_field("From", required=False)
    end = day_field("Until, included", required=False)
    by = forms.ChoiceField(
        choices=[("group", "group"), ("project", "project"), ("class", "sample class")],
        required=False,
        label="By",
    )
    instrument = forms.ModelChoiceField(
        queryset=Instrument.objects.all(),
        to_field_name="slug",
        required=False,
        label="Instrument",
        empty_label="all",
    )
