"""Fields of days and of the facility's wall clock, for the forms that ask for a time."""

from datetime import datetime

from django import forms
from django.utils import timezone

from bookings import planning
from bookings.book import here

WALL = ["%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M:%S"]


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


def day_field(label, **more):
    return forms.DateField(
        label=label,
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        error_messages={
            "required": f"Enter the day: {label.lower()}.",
            "invalid": f"{label} must be a date, such as 2026-03-02.",
        },
        **more,
    )


def in_order(form, cleaned):
    start, end = cleaned.get("start"), cleaned.get("end")
    if start and end and end <= start:
        form.add_error("end", f"Until must be after the start, {planning.words(start)}.")
