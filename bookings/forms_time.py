"""Forms of time and people: what was typed is kept, and each sentence stands beside its field."""

from datetime import datetime, timedelta

from django import forms
from django.utils import timezone

from bookings import planning, series
from bookings.book import INTRODUCTION, MAIN, here
from bookings.forms import SentForm
from facility.models import Group, Instrument, Person, Place, Project, Qualification
from samples.models import Holder, Sample

WALL = ["%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M:%S"]
LENGTHS = [
    ("60", "1 h"),
    ("120", "2 h"),
    ("180", "3 h"),
    ("240", "4 h"),
    ("480", "8 h"),
    ("night", "overnight, to 08:00"),
    ("", "until the time below"),
]


class WallField(forms.CharField):
    """A date and time of the facility's wall clock; gives the moment, or says why there is none."""

    def __init__(self, *, label, required=True, **more):
        messages = {"required": f"Enter the time: {label.lower()}."}
        super().__init__(
            label=label,
            required=required,
            max_length=30,
            widget=forms.DateTimeInput(
                attrs={"type": "datetime-local", "step": "300"}, format="%Y-%m-%dT%H:%M"
            ),
            error_messages=messages,
            **more,
        )

    def prepare_value(self, value):
        if isinstance(value, datetime):
            value = timezone.localtime(value) if value.tzinfo else value
            return f"{value:%Y-%m-%dT%H:%M}"
        return value

    def clean(self, value):
        text = super().clean(value)
        if not text:
            return None
        for pattern in WALL:
            try:
                wall = datetime.strptime(text, pattern)
            except ValueError:
                continue
            break
        else:
            raise forms.ValidationError(
                f"{self.label} must be a date and time, such as 2026-03-02 09:00."
            )
        if not 2000 <= wall.year <= 2200:
            raise forms.ValidationError(f"{self.label}: the year {wall.year} is far off. Check it.")
        try:
            return planning.moment_of(wall.replace(second=0), here(), self.label)
        except ValueError as problem:
            raise forms.ValidationError(str(problem)) from None


def _day(label, **more):
    return forms.DateField(
        label=label,
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        error_messages={
            "required": f"Enter the day: {label.lower()}.",
            "invalid": f"{label} must be a date, such as 2026-03-02.",
        },
        **more,
    )


def _in_order(form, cleaned):
    start, end = cleaned.get("start"), cleaned.get("end")
    if start and end and end <= start:
        form.add_error("end", f"Until must be after the start, {planning.words(start)}.")


class BookForm(SentForm):
    """Time on a place of an instrument, in the facility's wall time, once or every week."""

    place = forms.ModelChoiceField(
        queryset=Place.objects.filter(
            instrument__isnull=False, kind__in=[MAIN, INTRODUCTION]
        ).select_related("instrument"),
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
        choices=LENGTHS, required=False, label="For how long", widget=forms.RadioSelect
    )
    end = WallField(label="Until", required=False)
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
        if start and cleaned.get("length") and "length" not in self.errors:
            try:
                cleaned["end"] = end_of(start, cleaned["length"])
            except ValueError as problem:
                self.add_error("length", str(problem))
        elif start and not cleaned.get("end") and "end" not in self.errors:
            self.add_error("end", "Choose for how long, or enter the time: until.")
        _in_order(self, cleaned)
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
        _in_order(self, cleaned)
        return cleaned


class CloseForm(SentForm):
    """Time without users on a whole instrument."""

    instrument = forms.ModelChoiceField(
        queryset=Instrument.objects.all(),
        to_field_name="slug",
        label="Instrument",
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
        _in_order(self, cleaned)
        return cleaned


class PlanForm(forms.Form):
    """When to load, so that a holder lies on the stage in time."""

    instrument = forms.ModelChoiceField(
        queryset=Instrument.objects.all(),
        to_field_name="slug",
        label="Instrument",
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
        _in_order(self, cleaned)
        return cleaned


class CalendarFileForm(forms.Form):
    """The present calendar as a file."""

    place = forms.ModelChoiceField(
        queryset=Place.objects.filter(instrument__isnull=False, kind=MAIN),
        label="For which instrument",
        error_messages={"required": "Choose the instrument."},
    )
    file = forms.FileField(
        label="The calendar's file, .ics",
        error_messages={
            "required": "Choose the file.",
            "empty": "That file is empty. Export the calendar again.",
        },
    )


class RulesForm(forms.Form):
    """How time on an instrument may be booked."""

    shortest_min = forms.IntegerField(min_value=5, max_value=1440, label="Shortest, minutes")
    longest_min = forms.IntegerField(min_value=5, max_value=20160, label="Longest, minutes")
    notice_min = forms.IntegerField(min_value=0, max_value=43200, label="Notice, minutes")
    horizon_days = forms.IntegerField(min_value=1, max_value=730, label="Days ahead")
    loading_min = forms.IntegerField(min_value=0, max_value=1440, label="Loading, minutes")
    transfer_min = forms.IntegerField(min_value=0, max_value=600, label="Transfer, minutes")
    release_min = forms.IntegerField(
        min_value=0, max_value=1440, label="Free again if unused, minutes", help_text="0: never"
    )
    late_cancel_hours = forms.IntegerField(min_value=0, max_value=336, label="Late, hours before")
    quota_hours = forms.FloatField(
        min_value=0, max_value=168, required=False, label="Hours a group and week"
    )
    offer_hours = forms.IntegerField(min_value=1, max_value=168, label="An offer stands, hours")
    price = forms.FloatField(
        min_value=0, max_value=100000, required=False, label="Price of an hour present"
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


class InviteForm(forms.Form):
    """Somebody new, or a visitor with a stay."""

    full_name = forms.CharField(
        max_length=120, label="Name", error_messages={"required": "Enter the person's name."}
    )
    email = forms.EmailField(
        required=False,
        label="Mail address",
        error_messages={"invalid": "A mail address looks like name@example.org."},
    )
    phone = forms.CharField(max_length=40, required=False, label="Phone")
    role = forms.ChoiceField(choices=Person.Role, label="Role", initial=Person.Role.USER)
    group = forms.ModelChoiceField(
        queryset=Group.objects.all(), required=False, label="Group", empty_label="no group"
    )
    host = forms.ModelChoiceField(
        queryset=Person.objects.none(), required=False, label="Host", empty_label="nobody",
        help_text="of a visitor",
    )  # fmt: skip
    arrives_on = _day("Arrives", required=False)
    leaves_on = _day("Leaves", required=False)
    samples_ahead = forms.CharField(
        max_length=200, required=False, label="Samples posted ahead",
        help_text="how many, of what, and where they wait",
    )  # fmt: skip

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["host"].queryset = hosts()

    def clean(self):
        cleaned = super().clean()
        if cleaned.get("role") == Person.Role.VISITOR:
            for name, sentence in (
                ("host", "Choose who hosts the visitor."),
                ("arrives_on", "Enter the day on which the visitor arrives."),
                ("leaves_on", "Enter the day on which the visitor leaves."),
            ):
                if not cleaned.get(name) and name not in self.errors:
                    self.add_error(name, sentence)
        return cleaned


def hosts():
    """Who may host or take over: everybody here but visitors."""
    return Person.objects.here().exclude(role=Person.Role.VISITOR)


class VisitForm(forms.Form):
    """Another stay of somebody known."""

    host = forms.ModelChoiceField(
        queryset=Person.objects.none(),
        label="Host",
        error_messages={"required": "Choose who hosts them."},
    )
    arrives_on = _day("Arrives")
    leaves_on = _day("Leaves")
    samples_ahead = forms.CharField(max_length=200, required=False, label="Samples posted ahead")

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["host"].queryset = hosts()


class LeaveForm(forms.Form):
    """Who takes over the samples of somebody who leaves."""

    to = forms.ModelChoiceField(
        queryset=Person.objects.none(), required=False, label="Samples go to", empty_label="nobody"
    )

    def __init__(self, *args, person, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["to"].queryset = hosts().exclude(pk=person.pk)


class TrainingForm(forms.Form):
    """Towards which level somebody is trained."""

    instrument = forms.ModelChoiceField(
        queryset=Instrument.objects.all(),
        to_field_name="slug",
        label="Instrument",
        error_messages={"required": "Choose the instrument."},
    )
    level = forms.TypedChoiceField(
        choices=Qualification.Level,
        coerce=int,
        label="Level",
        error_messages={"required": "Choose the level."},
    )
    refresher = forms.BooleanField(required=False, label="A refresher of a level that lapsed")


class GrantForm(forms.Form):
    """The last day of a level that is granted, if it has one."""

    lapses_on = _day("Last day", required=False)


class ReasonForm(forms.Form):
    """Why something ends."""

    why = forms.CharField(
        max_length=120, label="Why", error_messages={"required": "Say in a few words why it ends."}
    )


class UsageForm(forms.Form):
    """Which hours to count."""

    start = _day("From", required=False)
    end = _day("Until, included", required=False)
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
