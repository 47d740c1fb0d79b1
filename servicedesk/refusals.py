"""How an operation says no: one error, carrying the sentences the user reads."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from django.apps import apps
from django.core.exceptions import NON_FIELD_ERRORS, ValidationError
from django.db import DEFAULT_DB_ALIAS, IntegrityError, transaction
from django.forms import BaseForm

CLASH = "Somebody else saved the same thing a moment ago. Look at the page again, then repeat your change."


class Refused(Exception):  # noqa: N818  (it is an answer, not a fault)
    """An operation that can't be done, with the reason by field ("" for the whole)."""

    def __init__(self, reasons: str | dict[str, list[str]]) -> None:
        self.reasons = {"": [reasons]} if isinstance(reasons, str) else reasons
        super().__init__(" ".join(text for texts in self.reasons.values() for text in texts))

    @classmethod
    def from_validation(cls, error: ValidationError) -> Refused:
        """Turn a model's validation errors into a refusal, field by field."""
        if not hasattr(error, "error_dict"):
            return cls({"": list(error.messages)})
        return cls(
            {"" if name == NON_FIELD_ERRORS else name: texts for name, texts in error.message_dict.items()}
        )

    def tell(self, form: BaseForm) -> None:
        """Put each reason beside its field on the form, or at the top where the form has no such field."""
        for name, texts in self.reasons.items():
            for text in texts:
                form.add_error(name if name in form.fields else None, text)


def sentence_for(error: IntegrityError) -> str:
    """Find the sentence of the database rule that was broken; rules carry it as their error message."""
    told = str(error)
    for model in apps.get_models():
        for rule in model._meta.constraints:
            if rule.name in told:
                return str(rule.get_violation_error_message())
    return CLASH


@contextmanager
def one_step(using: str = DEFAULT_DB_ALIAS) -> Iterator[None]:
    """Run an operation whole or not at all; what the rules forbid comes out as `Refused`."""
    try:
        with transaction.atomic(using=using):
            yield
    except ValidationError as error:
        raise Refused.from_validation(error) from error
    except IntegrityError as error:
        raise Refused(sentence_for(error)) from error


def attempt(form: BaseForm, make: Callable[[], object]) -> Any:
    """Do what a valid form asks for; a refusal is told on the form and answered with None."""
    if not form.is_valid():
        return None
    try:
        return make()
    except Refused as refusal:
        refusal.tell(form)
        return None
