"""Forms of the house."""

from django import forms


class SignInForm(forms.Form):
    """Name and password."""

    username = forms.CharField(
        label="Sign-in name",
        max_length=150,
        error_messages={"required": "Enter your sign-in name."},
        widget=forms.TextInput(attrs={"autocomplete": "username", "autocapitalize": "none"}),
    )
    password = forms.CharField(
        label="Password",
        strip=False,
        error_messages={"required": "Enter your password."},
        widget=forms.PasswordInput(attrs={"autocomplete": "current-password"}),
    )
