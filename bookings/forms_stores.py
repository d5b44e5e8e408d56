"""Forms of the stores: amounts, days, dials, rooms. Each says beside which field a refusal stands."""

import re

from django import forms
from django.utils import timezone

from bookings.forms import SentForm
from facility.models import Consumable, Cylinder, Instrument, Room

AMOUNT = re.compile(r"\d{1,9}(?:[.,]\d{1,6})?")


class Amount(forms.CharField):
    """A number of zero or more, with a point or a comma."""

    def __init__(self, *, label, example="12", **about):
        super().__init__(
            label=label,
            max_length=40,
            widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}),
            error_messages={"required": f"Type a number, such as {example}."},
            **about,
        )
        self.example = example

    def clean(self, value):
        text = super().clean(value).strip()
        if not text:
            return None
        if not AMOUNT.fullmatch(text):
            shown = text if len(text) <= 12 else f"{text[:12]}…"
            raise forms.ValidationError(
                f"“{shown}” cannot be read as an amount. Type a number of zero or more, "
                f"such as {self.example}."
            )
        return float(text.replace(",", "."))


class Day(forms.DateField):
    """A day of this laboratory."""

    def __init__(self, *, label, **about):
        super().__init__(
            label=label,
            widget=forms.DateInput(attrs={"type": "date"}),
            error_messages={"invalid": f"{label} must be a day, such as 2026-03-02."},
            **about,
        )

    def clean(self, value):
        day = super().clean(value)
        if day and not 1990 < day.year < 2200:
            raise forms.ValidationError(f"{day.isoformat()} is no day of this laboratory.")
        return day


def words(label, most, **about):
    return forms.CharField(label=label, max_length=most, **about)


class StoreForm(SentForm):
    """Stands beside others on one page; `answers` is the field that a refusal is about."""

    answers = None

    def __init__(self, *args, **kwargs):
        stem = type(self).__name__.removesuffix("Form").lower()
        super().__init__(*args, **{"auto_id": f"{stem}_%s", **kwargs})

    def refuse(self, refusal):
        self.add_error(self.answers, str(refusal))


class DeliverForm(StoreForm):
    """What was delivered."""

    answers = "quantity"
    quantity = Amount(label="How much came")
    batch = words("Batch", 60, required=False, help_text="as the maker printed it")
    expires_on = Day(label="Expires on", required=False)


class CountForm(StoreForm):
    """What is really there."""

    answers = "counted"
    counted = Amount(label="Really there", example="3")
    why = words("Why it differs", 160, required=False, help_text="where you know")


class TakeForm(StoreForm):
    """Some is taken for another purpose."""

    answers = "amount"
    amount = Amount(label="How much", example="1")
    says = words("What for", 160, required=False)


class OrderForm(StoreForm):
    """What was ordered."""

    answers = "quantity"
    quantity = Amount(label="How much")
    number = words("Number of the order", 60, required=False)
    expected_on = Day(label="Expected on", required=False, help_text="left empty: by its lead time")

    def clean_expected_on(self):
        day = self.cleaned_data["expected_on"]
        if day and day < timezone.localdate():
            raise forms.ValidationError(
                f"{day.day} {day:%b %Y} is over. Enter the day on which it is expected, or none."
            )
        return day


class FinishForm(StoreForm):
    """The lot is gone."""

    answers = "how"
    how = words("How", 100, required=False, help_text="left empty: used up")


class ConsumableForm(StoreForm):
    """A consumable: what it is, how long it takes to come, what takes it by itself."""

    answers = "name"
    NUMBERS = ("minimum", "lead_days", "lead_spread_days", "per_mount", "per_vent", "per_session")

    name = words("Name", 60)
    unit = words("Counted in", 16, help_text="such as pairs, cm², mL")
    what = words("What it is", 160, required=False, help_text="and where it comes from")
    kept_at = words("Kept at", 80, required=False)
    lead_days = Amount(label="Days to come", example="14", required=False)
    lead_spread_days = Amount(
        label="Give or take days", example="4", required=False,
        help_text="how far that varies: the reorder point allows for it",
    )  # fmt: skip
    minimum = Amount(
        label="Never fewer than", example="1", required=False,
        help_text="of a critical spare, whatever its use",
    )  # fmt: skip
    per_session = Amount(label="Each session takes", example="1", required=False)
    per_vent = Amount(label="Each vent takes", example="1", required=False)
    per_mount = Amount(label="Each mount takes", example="1", required=False)
    by_area = forms.BooleanField(required=False, label="for each mm² of the sample's footprint")
    mounting = words("Only mounts by", 40, required=False, help_text="such as copper tape")
    instrument = forms.ModelChoiceField(
        queryset=Instrument.objects.all(), to_field_name="slug", required=False,
        label="Instrument", empty_label="the whole house",
        error_messages={"invalid_choice": "Choose the instrument, or the whole house."},
    )  # fmt: skip
    room = forms.ModelChoiceField(
        queryset=Room.objects.all(), required=False, label="Spare bottles stand in",
        empty_label="no bottles",
        error_messages={"invalid_choice": "Choose the room, or no bottles."},
    )  # fmt: skip

    def about(self):
        """What is known of it; a number left empty stays what a new consumable has."""
        said = {name: value for name, value in self.cleaned_data.items() if name != "sent_id"}
        for name in self.NUMBERS:
            if said[name] is None:
                said[name] = Consumable._meta.get_field(name).default
        return said


class RetireForm(StoreForm):
    """It is kept no more."""

    answers = "why"
    why = words("Why", 160, required=False, help_text="such as: another product serves as well")


class DialForm(StoreForm):
    """What the dial shows, as it is read."""

    answers = "dial"
    dial = words("The dial shows", 60, help_text="with its unit where it is another one")
    temperature_c = forms.FloatField(
        required=False,
        label="Temperature of the room",
        min_value=-10,
        max_value=50,
        widget=forms.TextInput(attrs={"inputmode": "decimal"}),
        help_text="in °C; left empty: 20",
        error_messages={
            "invalid": "The temperature must be a number, such as 21.",
            "min_value": "Between −10 and 50 °C, or left empty.",
            "max_value": "Between −10 and 50 °C, or left empty.",
        },
    )


class BottleChangeForm(StoreForm):
    """A new bottle is on in place of the old."""

    answers = "dial"
    dial = words("The new dial shows", 60, required=False)
    number = words("Stamped on the bottle", 40, required=False)


class TakeOffForm(StoreForm):
    """The bottle is off for good."""


class ConnectForm(StoreForm):
    """A bottle or dewar in its place."""

    answers = "dial"
    kind = forms.ChoiceField(choices=Cylinder.Kind.choices, label="What", initial="bottle")
    gas = forms.ChoiceField(choices=Cylinder.Gas.choices, label="Gas")
    volume_l = Amount(label="Volume", example="50", help_text="in litres of water, stamped on it")
    dial = words("The dial shows", 60, required=False)
    dial_unit = forms.ChoiceField(choices=Cylinder.Unit.choices, label="Unit of the dial")
    serves = forms.ChoiceField(choices=Cylinder.Serves.choices, label="Used for")
    purge_l = Amount(
        label="Purge at each vent", example="4", required=False, help_text="in litres at 1 atm"
    )
    number = words("Number", 40, required=False, help_text="stamped on it")
    room = forms.ModelChoiceField(
        queryset=Room.objects.all(), label="Room", empty_label="choose",
        error_messages={
            "required": "Choose the room in which it stands.",
            "invalid_choice": "Choose the room in which it stands.",
        },
    )  # fmt: skip
    instrument = forms.ModelChoiceField(
        queryset=Instrument.objects.all(), to_field_name="slug", required=False,
        label="Instrument", empty_label="the whole house",
        error_messages={"invalid_choice": "Choose the instrument, or the whole house."},
    )  # fmt: skip
    consumable = forms.ModelChoiceField(
        queryset=Consumable.objects.kept(), to_field_name="slug", required=False,
        label="Spares are counted as", empty_label="not counted",
        error_messages={"invalid_choice": "Choose what is ordered when it runs out."},
    )  # fmt: skip

    def clean_volume_l(self):
        volume = self.cleaned_data["volume_l"]
        if volume is not None and not 0 < volume <= 1000:
            raise forms.ValidationError(
                f"A bottle of {volume:g} L is none of ours. Type the litres stamped on it, such as 50."
            )
        return volume

    def about(self):
        return self.cleaned_data | {"purge_l": self.cleaned_data["purge_l"] or 0.0}


class RoomForm(StoreForm):
    """A room, its free volume, the air that moves through it."""

    answers = "name"
    name = words("Room", 60)
    volume_m3 = Amount(
        label="Free volume", example="60", help_text="in m³: walls, less what fills it"
    )
    ventilation_m3_h = Amount(
        label="Fresh air", example="240", required=False, help_text="in m³ an hour, if known"
    )
    monitor = words(
        "Oxygen monitor", 120, required=False, help_text="where it hangs, at what it sounds"
    )

    def clean_volume_m3(self):
        return _above_zero(self.cleaned_data["volume_m3"], "A room has more than 0 m³.")

    def clean_ventilation_m3_h(self):
        air = self.cleaned_data["ventilation_m3_h"]
        return _above_zero(air, "Fresh air of 0 m³/h is not known air: leave it empty.")

    def about(self):
        return {name: value for name, value in self.cleaned_data.items() if name != "sent_id"}


def _above_zero(value, says):
    if value is not None and not value > 0:
        raise forms.ValidationError(says)
    return value
