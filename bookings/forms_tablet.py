"""Forms of tablets: pairing, PINs."""

from django import forms

from facility.models import Instrument

DIGITS = {"inputmode": "numeric", "autocomplete": "off", "maxlength": "6", "pattern": "[0-9]*"}


class PairForm(forms.Form):
    """Which instrument this browser stands at."""

    instrument = forms.ModelChoiceField(
        queryset=Instrument.objects.all(),
        empty_label=None,
        error_messages={"required": "Choose the instrument."},
    )
    name = forms.CharField(
        max_length=60,
        label="Name of this tablet",
        help_text="such as: prep bench",
        error_messages={"required": "Give the tablet a name."},
    )


class SignOnByPinForm(forms.Form):
    """A name and six digits at a paired tablet; its script fills the token in."""

    username = forms.CharField(
        max_length=150,
        label="Sign-in name",
        widget=forms.TextInput(attrs={"autocomplete": "off", "autocapitalize": "none"}),
        error_messages={"required": "Enter your sign-in name."},
    )
    pin = forms.CharField(
        max_length=6,
        label="PIN",
        widget=forms.PasswordInput(attrs=DIGITS),
        error_messages={"required": "Enter your PIN."},
    )
    token = forms.CharField(
        max_length=200, required=False, widget=forms.HiddenInput(attrs={"data-tablet-token": ""})
    )


class PinForm(forms.Form):
    """A new PIN."""

    pin = forms.CharField(
        max_length=6,
        label="Six digits",
        widget=forms.PasswordInput(attrs=DIGITS),
        error_messages={"required": "Enter six digits."},
    )
