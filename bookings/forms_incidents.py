"""Forms of incidents: report one in under a minute, change it, follow up, close."""

from django import forms
from django.utils import timezone

from bookings.forms import SentForm
from bookings.models import Incident
from facility.models import Instrument, Person
from samples.codes import read_code
from samples.models import Holder

KINDS = Incident.Kind.choices
WRITTEN = {"rows": 3, "maxlength": 1000}


class ReportForm(SentForm):
    """What kind, what happened; the rest may stay empty."""

    kind = forms.ChoiceField(
        choices=KINDS,
        label="What kind",
        widget=forms.RadioSelect,
        error_messages={
            "required": "Press what kind it was; something else is one of them.",
            "invalid_choice": "Press what kind it was; something else is one of them.",
        },
    )
    says = forms.CharField(
        label="What happened",
        max_length=1000,
        widget=forms.Textarea(attrs=WRITTEN),
        error_messages={"required": "Say in a few words what happened."},
    )
    at_once = forms.CharField(
        required=False,
        label="What was done at once",
        max_length=1000,
        widget=forms.Textarea(attrs=WRITTEN | {"rows": 2}),
    )
    instrument = forms.ModelChoiceField(
        queryset=Instrument.objects.all(),
        to_field_name="slug",
        required=False,
        label="Instrument",
        empty_label="none, or somewhere else",
        error_messages={"invalid_choice": "Choose the instrument, or none."},
    )
    happened_at = forms.DateTimeField(
        required=False,
        label="When",
        help_text="left empty: now",
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}),
        error_messages={"invalid": "When must be a date and time, such as 2026-03-02 09:00."},
    )
    holder = forms.CharField(
        required=False, max_length=60, label="Holder", help_text="its name or code, where one is touched"
    )  # fmt: skip
    element = forms.CharField(
        required=False, max_length=20, label="Element", help_text="of a contamination, such as Sn"
    )

    def clean_happened_at(self):
        moment = self.cleaned_data["happened_at"]
        if moment and moment > timezone.now():
            raise forms.ValidationError(
                f"It must have happened before now, not at {timezone.localtime(moment):%d %b %H:%M}."
            )
        return moment

    def clean_holder(self):
        text = self.cleaned_data["holder"].strip()
        if not text:
            return None
        found = Holder.objects.called(text).first()
        if found is None:
            try:
                found = Holder.objects.with_code(read_code(text))
            except ValueError as problem:
                raise forms.ValidationError(str(problem)) from None
        if found is None:
            raise forms.ValidationError(f"No holder here is called {text}.")
        return found


class ChangeForm(forms.Form):
    """What is known meanwhile; each change keeps the words before."""

    kind = forms.ChoiceField(choices=KINDS, label="What kind")
    at_once = forms.CharField(
        required=False, label="At once done", max_length=1000,
        widget=forms.Textarea(attrs=WRITTEN | {"rows": 2}),
    )  # fmt: skip
    cause = forms.CharField(
        required=False, label="Cause", max_length=1000, help_text="may stay open",
        widget=forms.Textarea(attrs=WRITTEN | {"rows": 2}),
    )  # fmt: skip
    element = forms.CharField(required=False, max_length=20, label="Element")
    instrument = forms.ModelChoiceField(
        queryset=Instrument.objects.all(),
        to_field_name="slug",
        required=False,
        label="Instrument",
        empty_label="none, or somewhere else",
    )


class FollowUpForm(SentForm):
    """What has to be done, by whom, until when."""

    says = forms.CharField(
        label="What has to be done",
        max_length=400,
        error_messages={"required": "Say what has to be done."},
    )
    who = forms.ModelChoiceField(
        queryset=Person.objects.here().order_by("full_name"),
        label="Who",
        empty_label="choose",
        error_messages={"required": "Choose who does it.", "invalid_choice": "Choose who does it."},
    )
    until = forms.DateField(
        label="Until",
        widget=forms.DateInput(attrs={"type": "date"}),
        error_messages={
            "required": "Say until which day.",
            "invalid": "Until must be a day, such as 2026-03-02.",
        },
    )


class WordForm(SentForm):
    """A word more."""

    text = forms.CharField(
        max_length=1000,
        label="A word more",
        widget=forms.Textarea(attrs=WRITTEN | {"rows": 2}),
        error_messages={"required": "Write the word you want to add first."},
    )


class CloseForm(SentForm):
    """What was learned, or why it is opened again."""

    text = forms.CharField(
        max_length=400,
        label="What was learned",
        error_messages={"required": "Write what was learned: the next person reads it."},
    )

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **{"auto_id": "close_%s", **kwargs})


class RedactForm(forms.Form):
    """Why what was written has to go."""

    reason = forms.CharField(
        max_length=200,
        label="Why it has to go",
        help_text="this sentence stays",
        error_messages={"required": "Say in a sentence why the text has to go."},
    )


class TraceForm(forms.Form):
    """An element and a day, how far to look, and where to begin."""

    element = forms.CharField(
        max_length=20,
        label="Element",
        help_text="such as Sn",
        error_messages={"required": "Write the element, such as Sn."},
    )
    on = forms.DateField(
        label="Seen or spilled on",
        widget=forms.DateInput(attrs={"type": "date"}),
        error_messages={
            "required": "Say around which day.",
            "invalid": "The day must be a date, such as 2026-03-02.",
        },
    )
    holder = forms.CharField(
        required=False, max_length=60, label="Holder", help_text="where it began, if you know"
    )
    before = forms.IntegerField(min_value=0, max_value=400, label="Days before")
    after = forms.IntegerField(min_value=1, max_value=400, label="Days after")

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        for name in ("before", "after"):
            self.fields[name].widget = forms.TextInput(attrs={"inputmode": "numeric"})
            said = f"{self.fields[name].label} must be a whole number up to 400."
            self.fields[name].error_messages |= {"invalid": said, "required": said}
            for validator in self.fields[name].validators:
                validator.message = said

    def clean_on(self):
        day = self.cleaned_data["on"]
        if not 1990 < day.year < 2200:
            raise forms.ValidationError(f"{day:%d %b %Y} is no day of this laboratory.")
        return day
