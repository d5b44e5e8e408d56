"""Forms of time: what was typed is kept, and each sentence stands beside its field."""

from datetime import timedelta

from django import forms

from bookings import planning, series
from bookings.book import INTRODUCTION, MAIN, here, where
from bookings.forms import SentForm
from bookings.forms_wall import WallField, in_order
from facility.models import Instrument, Person, Place, Project
from samples.models import Holder, Sample

LENGTHS = [
    ("60", "1 h"),
    ("120", "2 h"),
    ("180", "3 h"),
    ("240", "4 h"),
    ("480", "8 h"),
    ("night", "overnight, to 08:00"),
    ("until", "until the time below"),
]


class PlaceField(forms.ModelChoiceField):
    """A place that is booked, in a reader's words: the instrument, then the chamber."""

    def label_from_instance(self, place):
        return where(place)


class BookForm(SentForm):
    """Time on a place of an instrument, in the facility's wall time, once or every week."""

    place = PlaceField(
        queryset=Place.objects.filter(instrument__isnull=False, kind__in=[MAIN, INTRODUCTION])
        .select_related("instrument")
        .order_by("instrument", "-kind"),
        label="Place",
        empty_label=None,
        widget=forms.RadioSelect,
        error_messages={
            "required": "Choose the place.",
            "invalid_choice": "That place is not booked. Choose one of the list.",
        },
    )
    start = WallField(label="From")
    length = forms.ChoiceField(
        choices=LENGTHS, label="For how long", widget=forms.RadioSelect,
        error_messages={"required": "Choose for how long."},
    )  # fmt: skip
    end = WallField(label="Until", required=False, help_text="only where chosen above")
    why = forms.CharField(max_length=120, required=False, label="What for")
    project = forms.ModelChoiceField(
        queryset=Project.objects.none(), required=False, label="Project", empty_label="no project"
    )
    loaded_before = forms.BooleanField(
        required=False, label="The holder is loaded before, under a booking of its own"
    )
    person = forms.ModelChoiceField(
        queryset=Person.objects.none(), required=False, label="For whom", empty_label="myself"
    )
    times = forms.IntegerField(
        required=False,
        min_value=1,
        max_value=series.AT_MOST,
        label="How often, every week",
        help_text="1 books once; at most 26 weeks, at the same wall time all along",
        error_messages={"invalid": "How often must be a whole number, such as 6."},
    )

    def __init__(self, *args, person, **kwargs):
        super().__init__(*args, **kwargs)
        projects = Project.objects.filter(closed_at=None)
        if not person.is_house_staff:
            projects = projects.filter(group=person.group_id) | projects.filter(group=None)
            del self.fields["person"]
        else:
            others = Person.objects.here().exclude(role=Person.Role.VISITOR).exclude(pk=person.pk)
            self.fields["person"].queryset = others
        self.fields["project"].queryset = projects

    def clean(self):
        cleaned = super().clean()
        start = cleaned.get("start")
        length = cleaned.get("length")
        if start and length and length != "until":
            try:
                cleaned["end"] = end_of(start, length)
            except ValueError as problem:
                self.add_error("length", str(problem))
        elif start and length and not cleaned.get("end") and "end" not in self.errors:
            self.add_error("end", "Enter the time: until.")
        in_order(self, cleaned)
        return cleaned


def end_of(start, length):
    """The end of a booking from a press: so many minutes later, or the next 08:00."""
    if length != "night":
        return planning.later(start, timedelta(minutes=int(length)))
    wall = start.astimezone(here()).replace(tzinfo=None)
    morning = wall.replace(hour=8, minute=0)
    morning += timedelta(days=0 if wall.hour < 6 else 1)
    return planning.moment_of(morning, here(), "Until")


class MoveForm(forms.Form):
    """Another time for a booking."""

    start = WallField(label="From")
    end = WallField(label="Until")

    def clean(self):
        cleaned = super().clean()
        in_order(self, cleaned)
        return cleaned


class CloseForm(SentForm):
    """Time without users on a whole instrument."""

    instrument = forms.ModelChoiceField(
        queryset=Instrument.objects.all(),
        to_field_name="slug",
        label="Instrument",
        empty_label="choose one",
        error_messages={"required": "Choose the instrument."},
    )
    start = WallField(label="From")
    end = WallField(label="Until")
    why = forms.CharField(
        max_length=120,
        label="Why",
        help_text="everybody sees it",
        error_messages={"required": "Say why it is closed; everybody sees it."},
    )

    def clean(self):
        cleaned = super().clean()
        in_order(self, cleaned)
        return cleaned


class PlanForm(forms.Form):
    """When to load, so that a holder lies on the stage in time."""

    instrument = forms.ModelChoiceField(
        queryset=Instrument.objects.all(),
        to_field_name="slug",
        label="Instrument",
        empty_label="choose one",
        error_messages={"required": "Choose the instrument."},
    )
    measure_at = WallField(label="I want to measure at")
    holder = forms.CharField(
        max_length=60,
        required=False,
        label="Holder",
        help_text="its code or short name, if it is mounted already",
    )
    form = forms.ChoiceField(
        choices=[("", "empty or not known"), *Sample.Form.choices],
        required=False,
        label="Slowest form",
    )
    samples = forms.IntegerField(
        required=False,
        min_value=0,
        max_value=99,
        label="Samples",
        error_messages={"invalid": "Samples must be a whole number, such as 4."},
    )
    certainty = forms.TypedChoiceField(
        choices=[(str(value), f"{value:.0%}") for value in planning.CERTAINTIES],
        coerce=float,
        initial="0.9",
        required=False,
        empty_value=0.9,
        label="Ready in time with a certainty of",
        widget=forms.RadioSelect,
    )

    def clean_holder(self):
        text = self.cleaned_data["holder"].strip()
        if not text:
            return None
        plain = text.upper().replace(" ", "").replace("-", "")[-8:]
        found = Holder.objects.called(text).first() or (
            Holder.objects.in_use().filter(code=plain).first()
        )
        if found is None:
            raise forms.ValidationError(f"No holder in use here is called {text[:20]}.")
        return found


class WaitForm(forms.Form):
    """A stretch that somebody would like to have."""

    place = forms.ModelChoiceField(
        queryset=Place.objects.filter(instrument__isnull=False, kind__in=[MAIN, INTRODUCTION]),
        error_messages={"required": "Choose the place."},
    )
    start = WallField(label="From")
    end = WallField(label="Until")

    def clean(self):
        cleaned = super().clean()
        in_order(self, cleaned)
        return cleaned


class CalendarFileForm(forms.Form):
    """The present calendar as a file."""

    place = PlaceField(
        queryset=Place.objects.filter(instrument__isnull=False, kind=MAIN),
        label="For which instrument",
        empty_label="choose one",
        error_messages={"required": "Choose the instrument."},
    )
    file = forms.FileField(
        label="The calendar's file, .ics",
        error_messages={
            "required": "Choose the file.",
            "empty": "That file is empty. Export the calendar again.",
        },
    )
