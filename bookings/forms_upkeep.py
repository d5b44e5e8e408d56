"""Forms that set up what is kept of an instrument: parts whose use counts, tasks that come due."""

from datetime import datetime, time

from django import forms
from django.utils import timezone

from bookings.forms import SentForm
from facility.models import Consumable, Event, Gauge, Part


class Figure(forms.FloatField):
    """A number above zero, or left empty."""

    def __init__(self, *, label, **about):
        super().__init__(
            label=label, required=False, min_value=0,
            widget=forms.TextInput(attrs={"inputmode": "decimal"}),
            error_messages={
                "invalid": f"{label} must be a number, such as 90.",
                "min_value": f"{label} cannot be below zero.",
            },
            **about,
        )  # fmt: skip


class PartForm(SentForm):
    """A part that wears: what it is, and where its use is read from."""

    name = forms.CharField(
        max_length=60, label="Name", help_text="such as: Al Kα source, backing pump",
        error_messages={"required": "Give the part a name."},
    )  # fmt: skip
    kind = forms.ChoiceField(choices=Part.Kind, label="What it is")
    counts = forms.ChoiceField(choices=Part.Counts, label="Counted", initial=Part.Counts.CALENDAR)
    use = forms.ChoiceField(
        required=False, label="In use while", help_text="a device of the run sheet; not for hours "
        "since it was put in",
    )  # fmt: skip
    gauge = forms.ModelChoiceField(
        Gauge.objects.none(), required=False, empty_label="none", label="Gauge",
        help_text="where its dose is counted",
    )  # fmt: skip
    serial = forms.CharField(max_length=60, required=False, label="Number on it")
    began_on = forms.DateField(
        required=False, label="In since", help_text="left empty: today",
        widget=forms.DateInput(attrs={"type": "date"}),
        error_messages={"invalid": "The day must be a date, such as 2026-03-02."},
    )  # fmt: skip
    began_hours = Figure(label="Hours from before", help_text="where they are known")
    spare = forms.ModelChoiceField(
        Consumable.objects.kept(), to_field_name="slug", required=False, empty_label="none kept",
        label="Its spare in the stores",
    )  # fmt: skip

    def __init__(self, *args, instrument, **kwargs):
        super().__init__(*args, **kwargs)
        devices = instrument.sheet.document["devices"] if instrument.sheet else {}
        self.fields["use"].choices = [("", "nothing of the run sheet")] + [
            (f"{device}|{state}", f"{device} is {state}".replace("_", " "))
            for device, states in devices.items()
            for state in states
            if state != "unknown"
        ]
        self.fields["gauge"].queryset = Gauge.objects.filter(chamber__instrument=instrument)

    def clean_began_on(self):
        day = self.cleaned_data["began_on"]
        if day and day > timezone.localdate():
            raise forms.ValidationError(f"{day:%d %b %Y} is still to come.")
        return day

    def about(self):
        """What `keep_up.add_part` takes."""
        said = dict(self.cleaned_data)
        day, use, spare = said.pop("began_on"), said.pop("use"), said.pop("spare")
        device, _, state = use.partition("|")
        began = None
        if day and day < timezone.localdate():
            began = timezone.make_aware(datetime.combine(day, time(0)))
        return said | {
            "device": device,
            "on_states": [state] if state else [],
            "began_at": began,
            "began_hours": said["began_hours"] or 0.0,
            "spare": spare.name if spare else "",
        }


class TaskForm(SentForm):
    """Something to be done again and again, and when it comes due."""

    name = forms.CharField(
        max_length=80, label="Name", help_text="such as: Backing pump, change the tip seals",
        error_messages={"required": "Give the task a name."},
    )  # fmt: skip
    how = forms.CharField(max_length=300, required=False, label="How")
    caution = forms.CharField(
        max_length=200, required=False, label="Caution", help_text="what can hurt; shown beside it"
    )
    every_days = Figure(label="Every so many days")
    part = forms.ModelChoiceField(
        Part.objects.none(), required=False, empty_label="none", label="Part",
        help_text="whose hours or dose are counted",
    )  # fmt: skip
    every_hours = Figure(label="Every so many hours of it")
    every_dose_mbar_h = Figure(label="Every so much dose of it [mbar h]")
    source = forms.CharField(
        max_length=200, required=False, label="Where the interval is from",
        help_text="the maker's manual comes first",
    )  # fmt: skip
    after = forms.MultipleChoiceField(
        choices=Event.Kind, required=False, label="After", widget=forms.CheckboxSelectMultiple
    )

    def __init__(self, *args, instrument, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["part"].queryset = Part.objects.standing().filter(instrument=instrument)

    def clean_every_days(self):
        days = self.cleaned_data["every_days"]
        if days is not None and (days != int(days) or days > 3650):
            raise forms.ValidationError("Days must be a whole number up to 3650.")
        return days and int(days)

    def about(self):
        """What `keep_up.add_task` takes: empty figures are none."""
        said = dict(self.cleaned_data)
        for name in ("every_days", "every_hours", "every_dose_mbar_h"):
            said[name] = said[name] or None
        return said
