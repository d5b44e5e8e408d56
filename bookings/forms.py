"""Forms of the pages: what was typed is kept, and each sentence stands beside its field."""

import uuid

from django import forms
from django.utils import timezone

from bookings.models import Flag
from facility.models import Instrument, Place
from samples.codes import read_code
from samples.models import Holder


class SentForm(forms.Form):
    """A form whose post may arrive twice: it carries the id under which it is stored once."""

    sent_id = forms.UUIDField(required=False, widget=forms.HiddenInput)

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        self.initial.setdefault("sent_id", uuid.uuid4())
        for field in self.fields.values():
            field.error_messages.setdefault("required", f"Enter {field.label or 'this'}.".lower())


class SignOnForm(SentForm):
    """Which instrument somebody starts to work on."""

    instrument = forms.ModelChoiceField(
        queryset=Instrument.objects.all(),
        to_field_name="slug",
        label="Instrument",
        error_messages={"required": "Choose the instrument."},
    )


class StepForm(SentForm):
    """A step of the run sheet, with the holder where the step asks for one."""

    step = forms.CharField(max_length=60)
    holder = forms.CharField(max_length=60, required=False, label="Holder")
    through = forms.CharField(max_length=2000, required=False)

    def before(self):
        """The steps that a folded sheet takes with the one that was pressed, in their order."""
        return self.cleaned_data["through"].split()

    def values(self):
        """What the step asked for, by name: fields called `asked:NAME`."""
        return {
            name.removeprefix("asked:"): text[:200]
            for name, text in self.data.items()
            if name.startswith("asked:")
        }

    def clean_holder(self):
        text = self.cleaned_data["holder"].strip()
        if not text:
            return None
        if found := Holder.objects.called(text).first():
            return found
        try:
            code = read_code(text)
        except ValueError as problem:
            raise forms.ValidationError(str(problem)) from None
        found = Holder.objects.in_use().filter(code=code).first()
        if found is None:
            raise forms.ValidationError(f"No holder in use here has the code {code}.")
        return found


class PressureForm(SentForm):
    """A pressure as typed, or from the pad: figure, tenth and power."""

    pressure = forms.CharField(max_length=80, required=False, label="Pressure")
    figure = forms.CharField(max_length=1, required=False)
    tenth = forms.CharField(max_length=1, required=False)
    power = forms.CharField(max_length=4, required=False)

    def clean(self):
        cleaned = super().clean()
        if not cleaned.get("pressure", "").strip():
            pad = [cleaned.get(name, "") for name in ("figure", "tenth", "power")]
            if not all(pad):
                raise forms.ValidationError(
                    "Press a figure, a tenth and a power, or type the pressure, such as 1.2e-6."
                )
            cleaned["pressure"] = f"{pad[0]}.{pad[1]}e{pad[2]}"
        return cleaned


class NoteForm(SentForm):
    """A person's own words."""

    text = forms.CharField(
        label="Note",
        max_length=4000,
        widget=forms.Textarea(attrs={"rows": 2}),
        error_messages={"required": "Write the note first."},
    )


class FaultForm(SentForm):
    """What is wrong with an instrument, from whoever stands before it."""

    text = forms.CharField(
        label="What is wrong",
        max_length=1000,
        widget=forms.Textarea(attrs={"rows": 3}),
        error_messages={"required": "Say in a few words what is wrong."},
    )
    devices_unknown = forms.BooleanField(
        required=False,
        label="Valves, arm or sources may have moved: look again before going on",
    )


class FlagForm(forms.Form):
    """The answer to a flag."""

    answer = forms.ChoiceField(
        choices=Flag.Answer,
        error_messages={"required": "Press one of: seen, fixed, watch until, not real."},
    )
    sentence = forms.CharField(max_length=300, required=False)
    watch_until = forms.DateField(
        required=False, error_messages={"invalid": "The day must be a date, such as 2026-12-01."}
    )


class BookingForm(SentForm):
    """Time on a place of an instrument, in the facility's wall time."""

    place = forms.ModelChoiceField(
        queryset=Place.objects.exclude(instrument=None).filter(
            kind__in=[Place.Kind.STAGE, Place.Kind.INTRODUCTION]
        ),
        label="Place",
        error_messages={"required": "Choose the place."},
    )
    start = forms.DateTimeField(
        label="From",
        input_formats=["%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M"],
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
        error_messages={
            "required": "Enter when the booking starts.",
            "invalid": "From must be a date and time that exists here, such as 2026-03-02 09:00.",
        },
    )
    end = forms.DateTimeField(
        label="Until",
        input_formats=["%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M"],
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
        error_messages={
            "required": "Enter when the booking ends.",
            "invalid": "Until must be a date and time that exists here, such as 2026-03-02 12:00.",
        },
    )
    why = forms.CharField(max_length=120, required=False, label="For")
    closure = forms.BooleanField(required=False, label="Nobody: the instrument is closed")

    def clean(self):
        cleaned = super().clean()
        start, end = cleaned.get("start"), cleaned.get("end")
        if start and end and end <= start:
            start = timezone.localtime(start)
            self.add_error("end", f"Until must be after the start, {start:%d %b %H:%M}.")
        return cleaned
