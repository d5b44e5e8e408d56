"""Forms of people: invitations, visits, leaving, training and levels."""

from django import forms

from bookings.forms_wall import day_field
from facility.models import Group, Instrument, Person, Qualification


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
    arrives_on = day_field("Arrives", required=False)
    leaves_on = day_field("Leaves", required=False)
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
    arrives_on = day_field("Arrives")
    leaves_on = day_field("Leaves")
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

    lapses_on = day_field("Last day", required=False)


class ReasonForm(forms.Form):
    """Why something ends."""

    why = forms.CharField(
        max_length=120, label="Why", error_messages={"required": "Say in a few words why it ends."}
    )
