"""Forms of what is kept in order: limits, permits, label sheets, whom to ask."""

from django import forms

from bookings.forms_bench import CleanForm
from facility.models import Chamber
from samples import sheets


class PermitForm(forms.Form):
    """The safety officer's permit."""

    number = forms.CharField(
        max_length=60,
        label="Permit",
        error_messages={"required": "Write the number or day of the permit."},
    )


class OverrideForm(forms.Form):
    """Which of the staff is asked by a link to their own telephone."""

    person = forms.IntegerField(
        error_messages={"required": "Choose whom to ask.", "invalid": "Choose whom to ask."}
    )


class ChamberForm(CleanForm):
    """Which chamber was cleaned, how, and the blank where one was measured."""

    chamber = forms.ChoiceField(
        choices=Chamber.Kind.choices,
        initial=Chamber.Kind.INTRODUCTION,
        widget=forms.RadioSelect,
        label="Which chamber",
        error_messages={
            "required": "Choose the chamber that was cleaned.",
            "invalid_choice": "Choose one of the two chambers.",
        },
    )


class SheetForm(forms.Form):
    """Which sheet the labels go on, from which place of it, how often each."""

    OWN = ("width", "height", "columns", "rows", "left", "top", "gap_x", "gap_y")

    size = forms.ChoiceField(
        choices=[
            *((name, sheet.name) for name, sheet in sheets.SHEETS.items()),
            ("own", "your own"),
        ],
        label="Sheet",
        error_messages={"required": "Choose the sheet.", "invalid_choice": "Choose the sheet."},
    )
    first = forms.IntegerField(
        required=False, min_value=1, max_value=800, label="Begin at place",
        help_text="of a sheet that was begun before; counted from the top left",
    )  # fmt: skip
    copies = forms.IntegerField(
        required=False, min_value=1, max_value=sheets.MOST_LABELS, label="Copies of each"
    )
    width = forms.FloatField(required=False, label="Width", help_text="of a label, in mm")
    height = forms.FloatField(required=False, label="Height", help_text="in mm")
    columns = forms.IntegerField(required=False, label="Across")
    rows = forms.IntegerField(required=False, label="Down")
    left = forms.FloatField(required=False, label="Left margin", help_text="in mm")
    top = forms.FloatField(required=False, label="Top margin", help_text="in mm")
    gap_x = forms.FloatField(required=False, label="Gap across", help_text="in mm")
    gap_y = forms.FloatField(required=False, label="Gap down", help_text="in mm")

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        for field in self.fields.values():
            if isinstance(field, forms.FloatField | forms.IntegerField):
                field.error_messages["invalid"] = f"{field.label} must be a number."
                for validator in field.validators:
                    validator.message = (
                        f"{field.label} must be %(limit_value)s or "
                        f"{'more' if validator.code == 'min_value' else 'fewer'}, not %(show_value)s."
                    )
                field.widget = forms.TextInput(attrs={"inputmode": "decimal"})

    def clean(self):
        cleaned = super().clean()
        if cleaned.get("size") == "own":
            for name in ("width", "height", "columns", "rows"):
                if cleaned.get(name) is None and name not in self.errors:
                    self.add_error(name, f"Enter the sheet's {self.fields[name].label.lower()}.")
        return cleaned

    def sheet(self):
        """The chosen Sheet; Refused where an own one does not fit."""
        if self.cleaned_data["size"] != "own":
            return sheets.SHEETS[self.cleaned_data["size"]]
        return sheets.own_sheet(**{name: self.cleaned_data[name] or 0 for name in self.OWN})
