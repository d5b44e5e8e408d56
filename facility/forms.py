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


def _new_password(label="New password"):
    return forms.CharField(
        label=label,
        strip=False,
        max_length=200,
        help_text="at least 8 characters; four plain words are good",
        error_messages={"required": "Enter the new password."},
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
    )


class PasswordForm(forms.Form):
    """A new password, typed twice."""

    password = _new_password()
    again = forms.CharField(
        label="The same once more",
        strip=False,
        max_length=200,
        error_messages={"required": "Enter the new password once more."},
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
    )

    def clean(self):
        cleaned = super().clean()
        typed, again = cleaned.get("password"), cleaned.get("again")
        if typed and again and typed != again:
            self.add_error("again", "The two are not the same. Type it once more.")
        return cleaned


class ChangePasswordForm(PasswordForm):
    """The old password and a new one."""

    old = forms.CharField(
        label="Password that you have now",
        strip=False,
        max_length=200,
        error_messages={"required": "Enter the password that you have now."},
        widget=forms.PasswordInput(attrs={"autocomplete": "current-password"}),
    )
    field_order = ["old", "password", "again"]
