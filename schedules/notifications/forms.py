"""Forms of messages."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django import forms

from schedules.models import EmailPreference, Notification
from schedules.notifications.questions import TOKEN, Question, VisitAsItWas
from schedules.notifications.texts import check_blanks
from servicedesk.core.rules.new_values import LimitedTextInput


class StageForm(forms.Form):
    """Filter of the list of messages."""

    stage = forms.ChoiceField(
        choices=[("", "all"), *Notification.Stage.choices], required=False, label="Status"
    )


class TextForm(forms.Form):
    """Text of a kind of message."""

    title = forms.CharField(max_length=160)
    body = LimitedTextInput(widget=forms.Textarea(attrs={"rows": 14}), label="Text")

    def __init__(self, *args: object, kind: str, **kwargs: object) -> None:
        super().__init__(*args, **kwargs)  # type: ignore[arg-type]
        self.kind = kind

    def clean_title(self) -> str:
        """Refuse an unknown blank."""
        return self._checked("title")

    def clean_body(self) -> str:
        """Refuse an unknown blank."""
        return self._checked("body")

    def _checked(self, name: str) -> str:
        text: str = self.cleaned_data[name]
        try:
            check_blanks(self.kind, text)
        except ValueError as error:
            raise forms.ValidationError(str(error)) from error
        return text


class _Tokens(forms.MultipleChoiceField):
    """Tokens of visits as the page showed them; the operation, not the field, reports changed ones."""

    def valid_value(self, value: str) -> bool:
        """Accept any well-formed token."""
        return TOKEN.fullmatch(value) is not None


class AskCustomersForm(forms.Form):
    """Choice of the customers to ask."""

    visits = _Tokens(
        label="Who is asked",
        error_messages={"required": "Check at least one customer, or go back to the schedule."},
    )

    def __init__(self, *args: Any, questions: Sequence[Question], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        ticked = set(self["visits"].value() or ()) if self.is_bound else None
        self.to_ask = [
            (each, ticked is None or each.token in ticked) for each in questions if not each.why_not
        ]
        self.not_asked = [each for each in questions if each.why_not]

    @property
    def wanted(self) -> list[VisitAsItWas]:
        """Ticked visits, each once."""
        return [VisitAsItWas.from_token(token) for token in dict.fromkeys(self.cleaned_data["visits"])]


class EmailPreferenceForm(forms.Form):
    """E-mail preference of a customer."""

    what = forms.ChoiceField(
        choices=EmailPreference.What.choices, widget=forms.RadioSelect, label="Send me by mail", initial="all"
    )
