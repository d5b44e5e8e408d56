"""Forms of checks, parts, upkeep and events."""

from django import forms

from facility.check_sorts import asked
from facility.models import CheckKind, Event, Gauge, Instrument, Job, Part


def check_form(setting, data=None):
    """A form with one field for each figure that a check asks for."""
    fields = {}
    for one in asked(setting):
        label = f"{one.label} [{one.unit}]" if one.unit else one.label
        attrs = {"autocomplete": "off"}
        if one.kind in ("numbers", "shares"):
            attrs["inputmode"] = "decimal"
        fields[one.name] = forms.CharField(
            required=one.required, max_length=200, label=label, help_text=one.hint,
            error_messages={"required": f"Enter {one.label}."},
            widget=forms.TextInput(attrs=attrs),
        )  # fmt: skip
    return type("CheckForm", (forms.Form,), fields)(data)


class KindForm(forms.Form):
    """A new kind of check."""

    sort = forms.ChoiceField(
        choices=CheckKind.Sort, label="What is checked",
        error_messages={"required": "Choose what is checked.", "invalid_choice": "Choose what is checked."},
    )  # fmt: skip
    name = forms.CharField(
        max_length=80, label="Name", help_text="such as: Energy scale, pass energy 20 eV",
        error_messages={"required": "Give the check a name."},
    )  # fmt: skip
    source = forms.ModelChoiceField(
        Part.objects.none(), required=False, label="X-ray source", empty_label="none",
        error_messages={"invalid_choice": "This instrument has no such source. Choose one of its own."},
    )  # fmt: skip
    pass_energy_ev = forms.FloatField(required=False, label="Pass energy [eV]")
    lens_mode = forms.CharField(required=False, max_length=40, label="Lens mode")
    aperture = forms.CharField(required=False, max_length=40, label="Aperture or spot")
    gauge = forms.ModelChoiceField(Gauge.objects.none(), required=False, empty_label="none")
    tolerance_ev = forms.FloatField(
        required=False, label="Tolerance [eV]", help_text="above 0.03; usually 0.1 to 0.2"
    )
    low = forms.FloatField(required=False, label="Low limit")
    high = forms.FloatField(required=False, label="High limit")
    unit = forms.CharField(required=False, max_length=16)
    every_days = forms.IntegerField(
        required=False, min_value=1, max_value=3650, label="Every so many days"
    )

    def __init__(self, *args, instrument, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["source"].queryset = Part.objects.standing().filter(
            instrument=instrument, kind=Part.Kind.SOURCE
        )
        self.fields["gauge"].queryset = Gauge.objects.filter(chamber__instrument=instrument)
        for field in self.fields.values():
            if isinstance(field, forms.FloatField | forms.IntegerField):
                field.error_messages["invalid"] = f"{field.label} must be a number."
                field.widget = forms.TextInput(attrs={"inputmode": "decimal"})


class ChangePartForm(forms.Form):
    """The old piece out, a new one in."""

    cause = forms.CharField(
        max_length=200, label="Why the old one came out",
        help_text="the next person plans by it",
        error_messages={"required": "Say why the old one came out."},
    )  # fmt: skip
    serial = forms.CharField(required=False, max_length=60, label="Number on the new one")
    sent_id = forms.UUIDField(required=False, widget=forms.HiddenInput)


class EventForm(forms.Form):
    """Something that changed what is normal."""

    kind = forms.ChoiceField(
        choices=[c for c in Event.Kind.choices if c[0] not in ("power", "water")],
        label="What happened",
        error_messages={"required": "Choose what happened.", "invalid_choice": "Choose what happened."},
    )  # fmt: skip
    says = forms.CharField(required=False, max_length=300, label="In a sentence")
    sent_id = forms.UUIDField(required=False, widget=forms.HiddenInput)


class LossForm(forms.Form):
    """Power or water was lost, on one instrument or on several at once."""

    kind = forms.ChoiceField(
        choices=[("power", "power cut"), ("water", "cooling water lost")], label="What was lost",
        error_messages={"required": "Choose what was lost.", "invalid_choice": "Choose what was lost."},
    )  # fmt: skip
    instruments = forms.ModelMultipleChoiceField(
        None, widget=forms.CheckboxSelectMultiple, label="Where",
        error_messages={"required": "Choose at least one instrument."},
    )  # fmt: skip
    says = forms.CharField(required=False, max_length=300, label="In a sentence")
    sent_id = forms.UUIDField(required=False, widget=forms.HiddenInput)

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["instruments"].queryset = Instrument.objects.all()


NOT_A_NUMBER = {"invalid": "A temperature must be a number, such as 120."}


class JobForm(forms.Form):
    """A bake or vent that begins."""

    kind = forms.ChoiceField(
        choices=Job.Kind, label="What",
        error_messages={"required": "Choose bake or vent.", "invalid_choice": "Choose bake or vent."},
    )  # fmt: skip
    why = forms.CharField(
        max_length=200, label="Why", error_messages={"required": "Say why in a few words."}
    )
    max_c = forms.FloatField(
        required=False, label="Hottest temperature planned [°C]", error_messages=NOT_A_NUMBER,
        widget=forms.TextInput(attrs={"inputmode": "decimal"}),
    )  # fmt: skip
    before = forms.CharField(
        required=False, max_length=40, label="Pressure of the main chamber now"
    )
    accepted = forms.CharField(
        required=False, max_length=200, label="What stays in, and up to which temperature it may",
        help_text="empty where the chamber is empty; tape: its maker's sheet; indium melts at 156.6 °C",
    )  # fmt: skip
    sent_id = forms.UUIDField(required=False, widget=forms.HiddenInput)


class JobReadingForm(forms.Form):
    """A line of the temperature log."""

    temperature_c = forms.FloatField(
        required=False, label="Temperature [°C]", error_messages=NOT_A_NUMBER,
        widget=forms.TextInput(attrs={"inputmode": "decimal"}),
    )  # fmt: skip
    pressure = forms.CharField(required=False, max_length=40, label="Pressure")
    says = forms.CharField(required=False, max_length=200, label="Note")
    sent_id = forms.UUIDField(required=False, widget=forms.HiddenInput)


class EndJobForm(forms.Form):
    """How a bake or vent ended."""

    after = forms.CharField(required=False, max_length=40, label="Pressure after it")
    says = forms.CharField(required=False, max_length=300, label="In a sentence")
