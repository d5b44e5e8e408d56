"""Forms of the pages: what was typed is kept, and each sentence stands beside its field."""

import uuid

from django import forms
from django.utils import timezone

from bookings.models import Flag
from facility.models import Instrument, Place
from samples import mount as bench_verbs
from samples.bench import TAPE_MM
from samples.models import Holder, Mount, Sample

MOUNTINGS = [*TAPE_MM, "tantalum clip", "stainless steel", "silicon wafer", "none"]


class SentForm(forms.Form):
    """A form whose post may arrive twice: it carries the id under which it is stored once."""

    sent_id = forms.UUIDField(required=False, widget=forms.HiddenInput)

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        self.initial.setdefault("sent_id", uuid.uuid4())
        for field in self.fields.values():
            field.error_messages.setdefault("required", f"Enter {field.label or 'this'}.".lower())


def _measure(label, *, required=False, least=0.0, most=1000.0, help_text=""):
    """A length in millimetres that may be typed with a comma."""
    return forms.CharField(
        label=label,
        required=required,
        max_length=20,
        help_text=help_text,
        widget=forms.TextInput(attrs={"inputmode": "decimal"}),
        validators=[],
        error_messages={"required": f"Enter the {label.lower()} in mm."},
    )


def millimetres(text, *, what, least=0.0, most=1000.0, above=False):
    """The number in a typed length, or ValidationError with a sentence."""
    plain = text.strip().lower().removesuffix("mm").strip().replace(",", ".")
    try:
        value = float(plain)
    except ValueError:
        raise forms.ValidationError(f"{what} must be a number of mm, such as 0.5.") from None
    if not (least <= value <= most) or (above and value == least):
        bound = f"above {least:g}" if above else f"{least:g} or more"
        raise forms.ValidationError(f"{what} must be {bound} and at most {most:g} mm.")
    return value


class SampleForm(SentForm):
    """A sample as its owner describes it."""

    title = forms.CharField(
        max_length=80, label="Name", error_messages={"required": "Enter a name for the sample."}
    )
    form = forms.ChoiceField(choices=Sample.Form, label="Form")
    composition = forms.CharField(
        max_length=120, required=False, label="Composition", help_text="a formula or a material"
    )
    wants = forms.CharField(
        max_length=200, required=False, label="Lines wanted", help_text="such as: Cu 2p, O 1s"
    )
    shape = forms.ChoiceField(choices=Sample.Shape, label="Outline")
    diameter_mm = _measure("Diameter", help_text="of a disc, in mm")
    width_mm = _measure("Width", help_text="of a rectangle, in mm")
    height_mm = _measure("Height", help_text="of a rectangle, in mm")
    thickness_mm = _measure("Thickness", required=True, help_text="in mm")
    hazards = forms.CharField(
        max_length=200,
        required=False,
        label="Hazards",
        help_text="toxic, nano, corrosive, none ...",
    )
    history = forms.CharField(
        required=False,
        label="History",
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="how it was made, washed, dried and kept",
    )

    def clean(self):
        cleaned = super().clean()
        for name in ("diameter_mm", "width_mm", "height_mm", "thickness_mm"):
            text = cleaned.get(name, "")
            cleaned[name] = None
            if text:
                try:
                    cleaned[name] = millimetres(
                        text, what=self.fields[name].label, above=name != "thickness_mm"
                    )
                except forms.ValidationError as problem:
                    self.add_error(name, problem)
        needed = ("diameter_mm",) if cleaned.get("shape") == "disc" else ("width_mm", "height_mm")
        for name in needed:
            if cleaned.get(name) is None and name not in self.errors:
                self.add_error(name, f"Enter the {self.fields[name].label.lower()} in mm.")
        return cleaned

    def save(self, *, by):
        fields = {name: value for name, value in self.cleaned_data.items() if name != "sent_id"}
        return bench_verbs.describe(by=by, sent_id=self.cleaned_data["sent_id"], **fields)


class MountForm(SentForm):
    """A sample of this person onto a holder."""

    sample = forms.ModelChoiceField(
        queryset=Sample.objects.none(),
        label="Sample",
        empty_label="Choose a sample",
        error_messages={
            "required": "Choose the sample.",
            "invalid_choice": "That sample is mounted elsewhere, or it is not yours.",
        },
    )
    mounting = forms.ChoiceField(choices=[(name, name) for name in MOUNTINGS], label="Mounted with")
    position = forms.IntegerField(
        required=False,
        min_value=1,
        max_value=99,
        label="Position",
        help_text="the next free number where empty",
        error_messages={"invalid": "Position must be a whole number, such as 3."},
    )
    x_mm = _measure("x", help_text="mm from the centre to the right; the free spot where empty")
    y_mm = _measure("y", help_text="mm from the centre upwards")
    thickness_mm = _measure("Thickness, measured", help_text="in mm; as described where empty")
    loose_powder = forms.ChoiceField(
        choices=Mount.Loose, required=False, label="Loose powder", help_text="powders only"
    )

    def __init__(self, *args, person, **kwargs):
        super().__init__(*args, **kwargs)
        mine = Sample.objects.all() if person.is_house_staff else Sample.objects.of(person)
        self.fields["sample"].queryset = mine.kept()  # one that is mounted is refused by name

    def clean(self):
        cleaned = super().clean()
        bounds = {"x_mm": (-100, 100), "y_mm": (-100, 100), "thickness_mm": (0, 100)}
        for name, (least, most) in bounds.items():
            text = cleaned.get(name, "")
            cleaned[name] = None
            if text:
                try:
                    cleaned[name] = millimetres(
                        text, what=self.fields[name].label, least=least, most=most
                    )
                except forms.ValidationError as problem:
                    self.add_error(name, problem)
        return cleaned

    def save(self, *, holder, by):
        return bench_verbs.mount(holder=holder, by=by, **self.cleaned_data)


class LooseForm(forms.Form):
    """How loose powder was removed."""

    how = forms.ChoiceField(choices=[choice for choice in Mount.Loose.choices if choice[0]])


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
        from samples.codes import read_code

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
