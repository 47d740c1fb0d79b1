"""Forms of sign-in and accounts."""

from __future__ import annotations

from typing import Any

from django import forms
from django.conf import settings
from django.contrib.auth.forms import AuthenticationForm, UsernameField

from servicedesk.accounts.models import Role, User
from servicedesk.core.idempotency import IdempotencyKeyForm
from servicedesk.core.values.mail_addresses import MailField

LONGEST_PASSWORD = 256


class SignInForm(AuthenticationForm):
    """Username and password."""

    username = UsernameField(max_length=150, widget=forms.TextInput(attrs={"autofocus": True}))
    password = forms.CharField(
        max_length=LONGEST_PASSWORD,
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "current-password"}),
    )

    error_messages = {
        "invalid_login": "That name and password do not go together. Capital letters count in passwords.",
        "inactive": "That name and password do not go together. Capital letters count in passwords.",
    }


class PersonForm(forms.ModelForm):
    """A user's account and role."""

    role = forms.ChoiceField(choices=Role.choices, widget=forms.RadioSelect)

    class Meta:
        model = User
        fields = ["name", "phone", "email", "is_active"]
        field_classes = {"email": MailField}
        labels = {"is_active": "Active", "email": "E-mail"}
        help_texts = {
            "is_active": (
                "Can sign in. Uncheck it when somebody leaves: they are signed out at once, "
                "and their records stay."
            ),
            "email": "For the day’s digest: the schedule for technicians, what waits for schedulers.",
        }


class NewPersonForm(IdempotencyKeyForm):
    """A new user, with a first password or a mail address for an invitation."""

    name = forms.CharField(label="Full name", max_length=120)
    username = forms.CharField(label="Name to sign in with", max_length=150)
    role = forms.ChoiceField(choices=Role.choices, widget=forms.RadioSelect)
    email = MailField(
        label="E-mail",
        required=False,
        help_text="With no password below, a link to choose one goes here; it opens for three days.",
    )
    password = forms.CharField(
        max_length=LONGEST_PASSWORD,
        label="First password",
        required=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
        help_text="At least ten characters; they can change it under My account. Empty to send the link.",
    )

    def clean(self) -> dict[str, Any]:
        """Require a password or a mail address for the invitation."""
        data: dict[str, Any] = super().clean() or self.cleaned_data
        if data.get("password") or self.errors:
            return data
        if not data.get("email"):
            self.add_error("email", "Enter an e-mail address for the link, or a first password below.")
        elif not settings.EMAIL_BACKEND:
            self.add_error("password", "No mail server is set up to send the link: enter a first password.")
        return data


class CodeForm(forms.Form):
    """The code that an app shows now."""

    code = forms.CharField(
        label="Code from your app",
        max_length=12,
        widget=forms.TextInput(attrs={"autocomplete": "one-time-code", "inputmode": "numeric"}),
        help_text="Six digits, new every thirty seconds.",
    )


class OldPasswordForm(forms.Form):
    """One's own password, as proof of identity."""

    old = forms.CharField(
        max_length=LONGEST_PASSWORD,
        label="Your password",
        widget=forms.PasswordInput(attrs={"autocomplete": "current-password"}),
    )

    def __init__(self, *args: Any, user: User, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.user = user

    def clean_old(self) -> str:
        """Refuse a wrong password."""
        password: str = self.cleaned_data["old"]
        if not self.user.check_password(password):
            raise forms.ValidationError("That is not your password.", code="wrong")
        return password

    @property
    def is_no_proof(self) -> bool:
        """Whether a wrong password was reported."""
        return self.has_error("old", code="wrong")


class NewCodeForm(OldPasswordForm, CodeForm):
    """The first code of a new MFA device, with one's password as proof of identity."""

    field_order = ("code", "old")


class PasswordForm(forms.Form):
    """A new password for another user."""

    password = forms.CharField(
        max_length=LONGEST_PASSWORD,
        label="New password",
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
        help_text="At least ten characters.",
    )


class OwnPasswordForm(OldPasswordForm, PasswordForm):
    """A new password for oneself."""

    field_order = ("old", "password")

    def __init__(self, *args: Any, user: User, **kwargs: Any) -> None:
        super().__init__(*args, user=user, **kwargs)
        self.fields["old"].label = "Your current password"
