"""Forms about people."""

from __future__ import annotations

from django import forms
from django.contrib.auth.forms import AuthenticationForm

from servicedesk.people.models import Role, User
from servicedesk.people.receipts import ReceiptForm


class SignInForm(AuthenticationForm):
    """Name and password."""

    error_messages = {
        "invalid_login": "That name and password do not go together. Passwords mind capital letters.",
        "inactive": "That name and password do not go together. Passwords mind capital letters.",
    }


class PersonForm(forms.ModelForm):
    """Somebody who works here, and what they may do."""

    role = forms.ChoiceField(choices=Role.choices, widget=forms.RadioSelect)

    class Meta:
        model = User
        fields = ["name", "phone", "email", "is_active"]
        labels = {"is_active": "May sign in", "email": "Mail"}
        help_texts = {"email": "For the day’s digest: rounds for technicians, what waits for schedulers."}


class NewPersonForm(ReceiptForm):
    """Somebody new, with a first password."""

    name = forms.CharField(label="Full name", max_length=120)
    username = forms.CharField(label="Name to sign in with", max_length=150)
    role = forms.ChoiceField(choices=Role.choices, widget=forms.RadioSelect)
    password = forms.CharField(
        label="First password",
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
        help_text="At least ten characters; they can change it under My account.",
    )


class PasswordForm(forms.Form):
    """A new password for somebody."""

    password = forms.CharField(
        label="New password",
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
        help_text="At least ten characters.",
    )
