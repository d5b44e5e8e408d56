"""Forms of the bench and the desk: samples, mounting, holders, labels, limits."""

import re
from types import SimpleNamespace

from django import forms
from django.utils import timezone

from bookings.forms import SentForm
from facility.errors import Refused
from facility.models import Place
from samples import describe, keep, tables
from samples import mount as bench_verbs
from samples.bench import GAUGES_MM, TAPE_MM
from samples.matter.composition import parse
from samples.matter.declared import QUESTIONS
from samples.matter.lines import wanted_lines
from samples.models import BenchStep, Mount, Sample
from samples.verdict import verdict_of

MOUNTINGS = [*TAPE_MM, "tantalum clip", "stainless steel", "silicon wafer", "none"]
LIQUIDS = {
    # what the form says: fields of Declared
    "none": ("has not been in a liquid", {}),
    "rinsed": (
        "was in a liquid, rinsed and dried",
        {"immersed": True, "rinsed": True, "dried": True},
    ),
    "dried": (
        "was in a liquid, dried without rinsing",
        {"immersed": True, "rinsed": False, "dried": True},
    ),
    "wet": ("is still wet", {"immersed": True, "dried": False}),
}


def number_field(label, *, required=False, unit="mm", help_text=""):
    """A number that may be typed with a comma and its unit."""
    return forms.CharField(
        label=label,
        required=required,
        max_length=20,
        help_text=help_text,
        widget=forms.TextInput(attrs={"inputmode": "decimal"}),
        error_messages={"required": f"Enter the {label.lower()} in {unit}."},
    )


def number(text, *, what, unit="mm", least=0.0, most=1000.0, above=False):
    """The number in a typed quantity, or ValidationError with a sentence."""
    plain = text.strip().lower().removesuffix(unit.lower()).strip().replace(",", ".")
    plain = plain.replace("−", "-")
    if not re.fullmatch(r"[+-]?\d*\.?\d+(e[+-]?\d{1,3})?|[+-]?\d+\.", plain):
        raise forms.ValidationError(f"{what} must be a number of {unit}, such as 0.5.")
    value = float(plain)
    if not (least <= value <= most) or (above and value == least):
        bound = f"above {least:g}" if above else f"{least:g} or more"
        raise forms.ValidationError(f"{what} must be {bound} and at most {most:g} {unit}.")
    return value


class NumbersForm(SentForm):
    """A form that reads `NUMBERS` = {field: (unit, least, most, above)} from text."""

    NUMBERS = {}

    def clean(self):
        cleaned = super().clean()
        for name, (unit, least, most, above) in self.NUMBERS.items():
            text = cleaned.get(name) or ""
            cleaned[name] = None
            if text:
                try:
                    cleaned[name] = number(
                        text,
                        what=self.fields[name].label,
                        unit=unit,
                        least=least,
                        most=most,
                        above=above,
                    )
                except forms.ValidationError as problem:
                    self.add_error(name, problem)
        return cleaned


class SampleForm(NumbersForm):
    """A sample as its owner describes it before it travels."""

    NUMBERS = {
        "diameter_mm": ("mm", 0, 1000, True),
        "width_mm": ("mm", 0, 1000, True),
        "height_mm": ("mm", 0, 1000, True),
        "thickness_mm": ("mm", 0, 100, False),
        "mass_mg": ("mg", 0, 1e6, False),
        "surface_m2_g": ("m²/g", 0, 1e5, False),
        "max_temperature_c": ("°C", -273.15, 3000, False),
        "particle_nm": ("nm", 0, 1e9, True),
    }

    title = forms.CharField(
        max_length=80, label="Name", error_messages={"required": "Enter a name for the sample."}
    )
    form = forms.ChoiceField(
        choices=[("", "Choose the form"), *Sample.Form.choices],
        label="Form",
        error_messages={"required": "Choose the form: powder, film, bulk ..."},
    )
    composition = forms.CharField(
        max_length=120,
        label="Composition",
        help_text="a formula or a material, such as Ti0.98Nb0.02O2, stainless steel 316, PTFE",
        error_messages={"required": "Enter what it is made of: a formula or a material."},
    )
    wants = forms.CharField(
        max_length=200, required=False, label="Lines wanted", help_text="such as: Cu 2p, O 1s"
    )
    shape = forms.ChoiceField(
        choices=Sample.Shape, label="Outline", initial="rectangle", widget=forms.RadioSelect
    )
    width_mm = number_field("Width", help_text="of a rectangle, in mm")
    height_mm = number_field("Height", help_text="of a rectangle, in mm")
    diameter_mm = number_field("Diameter", help_text="of a disc, in mm")
    width_mm.depends = height_mm.depends = diameter_mm.depends = True  # on the outline
    thickness_mm = number_field(
        "Thickness", required=True, help_text="in mm; measured again at the bench"
    )
    hazards = forms.CharField(
        max_length=200,
        label="Hazards",
        help_text="toxic, nano, corrosive ...; write none where there is none",
        error_messages={"required": "Name the hazards, or write none."},
    )
    history = forms.CharField(
        label="History and storage",
        max_length=4000,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="how it was made, washed, dried and kept",
        error_messages={"required": "Say how it was made, washed, dried and kept."},
    )
    liquid = forms.ChoiceField(
        choices=[(name, words) for name, (words, _) in LIQUIDS.items()],
        label="Liquids",
        required=False,
    )
    max_temperature_c = number_field(
        "Hottest planned", help_text="in °C; room where empty", unit="°C"
    )
    mass_mg = number_field("Mass", help_text="in mg, of a powder", unit="mg")
    surface_m2_g = number_field("Surface", help_text="in m²/g, of a porous powder", unit="m²/g")
    particle_nm = number_field("Grain size", help_text="in nm, of a powder", unit="nm")
    question = forms.ChoiceField(
        choices=[("", "not said"), *[(word, word) for word in QUESTIONS]],
        required=False,
        label="Question",
    )
    ion_gun = forms.BooleanField(required=False, label="The ion gun will be used on it")
    keep_until = forms.DateField(
        required=False,
        label="Keep until",
        widget=forms.DateInput(attrs={"type": "date"}),
        help_text="after this day you are asked what becomes of it",
        error_messages={"invalid": "The day must be a date, such as 2026-12-01."},
    )
    confidential = forms.BooleanField(
        required=False, label="Confidential: others see only that staff know more"
    )

    def clean_title(self):
        return " ".join(self.cleaned_data["title"].split())

    def clean_composition(self):
        text = self.cleaned_data["composition"]
        try:
            parse(text)
        except Refused as refusal:
            raise forms.ValidationError(str(refusal)) from None
        return text

    def clean_wants(self):
        wants = [want.strip() for want in self.cleaned_data["wants"].split(",") if want.strip()]
        for want in wants:
            try:
                wanted_lines(want)
            except Refused as refusal:
                raise forms.ValidationError(str(refusal)) from None
        return ", ".join(wants)

    def clean_keep_until(self):
        day = self.cleaned_data["keep_until"]
        if day and day < timezone.localdate():
            raise forms.ValidationError(f"{day:%d %b %Y} has passed. Enter a day to come.")
        return day

    def clean(self):
        cleaned = super().clean()
        needed = ("diameter_mm",) if cleaned.get("shape") == "disc" else ("width_mm", "height_mm")
        for name in needed:
            if cleaned.get(name) is None and name not in self.errors:
                self.add_error(name, f"Enter the {self.fields[name].label.lower()} in mm.")
        for name in {"diameter_mm", "width_mm", "height_mm"} - set(needed):
            cleaned[name] = None
        return cleaned

    def fields_of_sample(self):
        """What a Sample is made of; plans in the rules' own words."""
        values = dict(self.cleaned_data)
        plans = dict(LIQUIDS[values.pop("liquid") or "none"][1])
        for name in ("ion_gun", "particle_nm", "question"):
            if value := values.pop(name):
                plans[name] = value
        values.pop("sent_id")
        return values | {"plans": plans}

    def verdict(self):
        """The Verdict on what was typed, before anything is kept."""
        plain = {"mass_mg": None, "surface_m2_g": None, "max_temperature_c": None, "permit": ""}
        return verdict_of(SimpleNamespace(**plain | self.fields_of_sample()))

    def save(self, *, by):
        return describe.describe(
            by=by, sent_id=self.cleaned_data["sent_id"], **self.fields_of_sample()
        )


class ManyForm(SentForm):
    """Samples from a paste or a CSV file."""

    table = forms.CharField(
        required=False,
        strip=False,
        max_length=tables.LONGEST,
        label="Paste the table",
        widget=forms.Textarea(attrs={"rows": 10}),
        help_text="with its header line: name, form, composition, size, thickness, hazards, history",
    )
    file = forms.FileField(required=False, label="or a CSV file", allow_empty_file=True)

    def clean(self):
        cleaned = super().clean()
        file = cleaned.get("file")
        if file is not None:
            if file.size > tables.LONGEST:
                raise forms.ValidationError(
                    f"The file has {file.size / 1e3:.0f} kB; at most {tables.LONGEST / 1e3:.0f} kB are taken."
                )
            try:
                cleaned["table"] = file.read().decode("utf-8-sig")
            except UnicodeDecodeError:
                raise forms.ValidationError(
                    "The file is not UTF-8 text. Save it as CSV in UTF-8."
                ) from None
        if not (cleaned.get("table") or "").strip():
            raise forms.ValidationError("Paste the table, or choose its file.")
        return cleaned

    def read(self, *, by):
        """({line: SampleForm}, {line: sentences}): good lines and bad ones; Refused for the whole."""
        good, bad = {}, {}
        mine = set(Sample.objects.of(by).kept().values_list("title", flat=True))
        for line, cells in tables.read_table(self.cleaned_data["table"]).items():
            try:
                outline = tables.outline_of(cells)
            except Refused as refusal:
                bad[line] = [str(refusal)]
                continue
            if cells.pop("line_is_short") | cells.pop("line_is_long"):
                bad[line] = [
                    "The line has another number of columns than the header. Look for a comma too many or a line cut off."
                ]
                continue
            form = SampleForm(
                {"liquid": "none", "history": "not given", **cells, **outline}
                | {"form": cells["form"].lower()}
            )
            title = " ".join(cells["title"].split())
            if form.is_valid() and title in mine:
                bad[line] = [f"{title} is there already. Give this one another name."]
            elif form.errors:
                bad[line] = [sentence for rows in form.errors.values() for sentence in rows]
            else:
                good[line] = form
                mine.add(title)
        return good, bad


class MountForm(NumbersForm):
    """A sample of this person onto a holder."""

    NUMBERS = {
        "x_mm": ("mm", -500, 500, False),
        "y_mm": ("mm", -500, 500, False),
        "rotation_deg": ("°", -360, 360, False),
        "thickness_mm": ("mm", 0, 100, False),
    }

    sample = forms.ModelChoiceField(
        queryset=Sample.objects.none(),
        label="Sample",
        empty_label="Choose a sample",
        error_messages={
            "required": "Choose the sample.",
            "invalid_choice": "That sample is mounted elsewhere, or it is not yours.",
        },
    )
    mounting = forms.ChoiceField(
        choices=[(name, name) for name in MOUNTINGS],
        label="Mounted with",
        required=False,
        help_text="copper tape where nothing is chosen",
    )
    position = forms.IntegerField(
        required=False,
        min_value=1,
        max_value=99,
        label="Position",
        help_text="the next free number where empty",
        error_messages={"invalid": "Position must be a whole number, such as 3."},
    )
    x_mm = number_field("x", help_text="mm from the centre to the right; the free spot where empty")
    y_mm = number_field("y", help_text="mm from the centre upwards")
    rotation_deg = number_field("Rotation", help_text="degrees, against the clock", unit="°")
    thickness_mm = number_field("Thickness, measured", help_text="in mm; as described where empty")
    loose_powder = forms.ChoiceField(
        choices=Mount.Loose, required=False, label="Loose powder", help_text="powders only"
    )

    def __init__(self, *args, person, **kwargs):
        super().__init__(*args, **kwargs)
        mine = Sample.objects.all() if person.is_house_staff else Sample.objects.of(person)
        self.fields["sample"].queryset = mine.kept()  # one that is mounted is refused by name

    def save(self, *, holder, by):
        values = dict(self.cleaned_data)
        values["mounting"] = values["mounting"] or "copper tape"
        values["rotation_deg"] = values["rotation_deg"] or 0.0
        return bench_verbs.mount(holder=holder, by=by, **values)


class LooseForm(forms.Form):
    """How loose powder was removed."""

    how = forms.ChoiceField(choices=[choice for choice in Mount.Loose.choices if choice[0]])


class ThicknessForm(NumbersForm):
    """How thick a mounted sample was measured to be."""

    NUMBERS = {"thickness_mm": ("mm", 0, 100, False)}

    thickness_mm = number_field("Thickness, measured", required=True)


class PlaceForm(NumbersForm):
    """Where a mounted sample lies: x, y and rotation, for hands without a script."""

    NUMBERS = {
        "x_mm": ("mm", -500, 500, False),
        "y_mm": ("mm", -500, 500, False),
        "rotation_deg": ("°", -36_000, 36_000, False),
    }

    x_mm = number_field("x", required=True)
    y_mm = number_field("y", required=True)
    rotation_deg = number_field("Rotation", unit="°")


class StepOfBenchForm(NumbersForm):
    """A bench step; for the gauge also its opening, whether the holder passes, what was measured."""

    NUMBERS = {"measured_mm": ("mm", 0, 100, False)}

    kind = forms.ChoiceField(choices=BenchStep.Kind, error_messages={"required": "Press a step."})
    gauge_mm = forms.TypedChoiceField(
        choices=[(f"{gauge:g}", f"{gauge:g} mm") for gauge in GAUGES_MM],
        coerce=float,
        empty_value=None,
        required=False,
        error_messages={"invalid_choice": "Press one of the gauges."},
    )
    passes = forms.TypedChoiceField(
        choices=[("yes", "passes"), ("no", "does not pass")],
        coerce=lambda word: word == "yes",
        empty_value=None,
        required=False,
    )
    measured_mm = number_field("Tallest point, measured", help_text="in mm, with tape and clips")


class CleanForm(NumbersForm):
    """How a holder was cleaned, and the blank where one was measured."""

    NUMBERS = {"blank_at_percent": ("at.%", 0, 100, False)}

    method = forms.CharField(
        max_length=80,
        label="How",
        error_messages={"required": "Say how it was cleaned, such as: isopropanol, wiped."},
    )
    blank_element = forms.CharField(
        max_length=2, required=False, label="Blank shows", help_text="an element, such as Si"
    )
    blank_at_percent = number_field("Amount", help_text="in at.%", unit="at.%")
    seen_twice = forms.BooleanField(required=False, label="Seen again on a second spot")
    blank_says = forms.CharField(
        max_length=120,
        required=False,
        label="Blank in words",
        help_text="such as: nothing but C and O",
    )

    def blank(self):
        """The blank as one line, as the holder's memory reads it."""
        values = self.cleaned_data
        element = (values.get("blank_element") or "").strip().capitalize()
        parts = [(values.get("blank_says") or "").strip()]
        if element and values.get("blank_at_percent") is not None:
            twice = ", twice" if values.get("seen_twice") else ""
            parts.insert(0, f"{element} {values['blank_at_percent']:g} at.%{twice}")
        return "; ".join(part for part in parts if part)


class WordsForm(SentForm):
    """A sentence about a holder."""

    text = forms.CharField(required=False, max_length=400, label="In words")


class WhereForm(forms.Form):
    """The place something is brought to."""

    place = forms.ModelChoiceField(
        queryset=Place.objects.none(),
        label="Place",
        empty_label="Choose a place",
        error_messages={
            "required": "Choose the place.",
            "invalid_choice": "Choose one of the places.",
        },
    )

    def __init__(self, *args, vacuum=False, **kwargs):
        super().__init__(*args, **kwargs)
        places = Place.objects.all() if vacuum else Place.objects.exclude(kind__in=Place.IN_VACUUM)
        self.fields["place"].queryset = places


class GoneForm(forms.Form):
    """What became of a sample."""

    how = forms.ChoiceField(
        choices=[(word, word) for word in keep.GONE],
        error_messages={"required": "Say where it went.", "invalid_choice": "Say where it went."},
    )


class PictureForm(forms.Form):
    """A photograph from a camera or a file."""

    picture = forms.FileField(
        label="Photograph",
        allow_empty_file=True,
        widget=forms.FileInput(attrs={"accept": "image/jpeg,image/png", "capture": "environment"}),
        error_messages={"required": "Take or choose a picture first."},
    )
