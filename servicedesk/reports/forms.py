"""Forms of the figures. All fields are query parameters."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import Any

from django import forms
from django.http import QueryDict

from servicedesk.reports.queries.exclusion_reasons import (
    EVERY_EXCLUSION_REASON,
    EXCLUSION_REASON_WORDS,
    ExclusionReason,
)
from servicedesk.reports.questions.asking import DAYS, QuestionError, read_selection
from servicedesk.reports.questions.selection import Selection
from servicedesk.reports.questions.traits import GROUPINGS, NOT_RECORDED, TRAITS, UNKNOWN
from servicedesk.reports.rates.strata import AGES
from units.forms import DayField
from units.models import ComponentType, FailureMode, Kind

Choices = list[tuple[str, Any]]

NOT_OFFERED = "“%(value)s” is not on this list: choose what is, or leave it open."

USUAL = ("from", "until", "part", "component", "mode")
"""Fields that are always visible; the others are behind a disclosure."""


class OneOrMore(forms.Select):
    """Select widget for one value that also keeps several values of a query parameter."""

    def value_from_datadict(self, data: Any, files: Any, name: str) -> Any:
        return (
            [text for text in data.getlist(name) if text] if isinstance(data, QueryDict) else data.get(name)
        )


class ThoseOffered(forms.MultipleChoiceField):
    """Multiple-choice field that ignores values which are not among its choices."""

    def to_python(self, value: Any) -> list[str]:
        return [text for text in super().to_python(value) if self.valid_value(text)]


class FigureForm(forms.Form):
    """Selection of the parts and days of a figure."""

    part = forms.MultipleChoiceField(required=False, label="Kind of part", widget=OneOrMore)
    component = forms.MultipleChoiceField(required=False, label="Type of part", widget=OneOrMore)
    mode = forms.ChoiceField(required=False, label="Failure")
    construction = forms.MultipleChoiceField(required=False, label="Construction", widget=OneOrMore)
    finish = forms.MultipleChoiceField(required=False, label="Color", widget=OneOrMore)
    facing = forms.MultipleChoiceField(required=False, label="Facing", widget=OneOrMore)
    sun = forms.MultipleChoiceField(required=False, label="Sun", widget=OneOrMore)
    shade = forms.MultipleChoiceField(required=False, label="Shade", widget=OneOrMore)
    coast = forms.MultipleChoiceField(required=False, label="Salt water", widget=OneOrMore)
    year = forms.CharField(
        max_length=120,
        required=False,
        label="Year fitted",
        widget=forms.TextInput(attrs={"inputmode": "numeric"}),
    )
    lot = forms.CharField(max_length=60, required=False, label="Lot")

    def __init__(self, data: QueryDict, *, today: date) -> None:
        super().__init__(data, label_suffix="")
        self.today = today
        self.selection: Selection | None = None
        days = {
            "from": DayField(required=False, label="From"),
            "until": DayField(required=False, label="Until"),
        }
        more = {"as_of": DayField(required=False, label="Read the records as of")}
        self.fields = {**days, **self.fields, **more}
        self._offer("part", [(kind.value, kind.label) for kind in Kind if kind != Kind.UNIT])
        self._offer("component", types_by_kind(), unrecorded=False)
        self._offer("mode", modes_by_kind(), unrecorded=False)
        for name in ("construction", "finish", "facing", "sun", "shade", "coast"):
            listed = TRAITS[name].listed
            self._offer(name, [(str(key), words) for key, words in listed().items()] if listed else [])

        for field in self.fields.values():
            if isinstance(field, forms.ChoiceField) and not isinstance(field, forms.ModelChoiceField):
                field.error_messages["invalid_choice"] = NOT_OFFERED

    def _offer(self, name: str, choices: Choices, *, unrecorded: bool = True) -> None:
        rest: Choices = [(UNKNOWN, NOT_RECORDED)] if unrecorded and name not in ("part",) else []
        self.fields[name].choices = [("", "all"), *choices, *rest]  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        """Build the selection."""
        cleaned_data = super().clean() or self.cleaned_data
        if self.errors:
            return cleaned_data
        texts = {name: _texts(cleaned_data.get(name)) for name in (*DAYS, *TRAITS, "mode", "age", "since")}
        try:
            self.selection = read_selection(texts, today=self.today)
        except QuestionError as error:
            self.add_error(error.name, str(error))
        return cleaned_data

    @property
    def usual(self) -> list[forms.BoundField]:
        """Fields that are always visible."""
        return [self[name] for name in self.fields if name in self.shown_first()]

    @property
    def further(self) -> list[forms.BoundField]:
        """Fields behind the disclosure."""
        return [self[name] for name in self.fields if name not in self.shown_first()]

    @property
    def further_open(self) -> bool:
        """Whether one of the further fields has a value or an error."""
        return any(bound.value() or bound.errors for bound in self.further)

    def shown_first(self) -> Iterable[str]:
        """Names of the fields that are always visible."""
        return USUAL


class RatesForm(FigureForm):
    """Selection and grouping of failure rates."""

    by = forms.ChoiceField(required=False, label="Compare by", choices=list(GROUPINGS.items()))

    def shown_first(self) -> Iterable[str]:
        return (*USUAL, "by")

    @property
    def grouping(self) -> str:
        """Trait to group by."""
        return self.cleaned_data.get("by") or "component"


class CurvesForm(FigureForm):
    """Selection of the types of one kind of part for curves over age."""

    component = ThoseOffered(
        required=False, label="Types to show (all, where none is ticked)", widget=forms.CheckboxSelectMultiple
    )

    def __init__(self, data: QueryDict, *, today: date) -> None:
        form_data = data.copy()
        if not form_data.get("part"):
            form_data["part"] = Kind.TRACK.value
        super().__init__(form_data, today=today)
        self.fields["part"].choices = self.fields["part"].choices[1:]  # type: ignore[attr-defined]
        if self.kind not in Kind.values:  # the field reports it
            del self.fields["component"]
            return
        types = ComponentType.objects.filter(kind=self.kind).order_by("name")
        self.fields["component"].choices = [(str(each.pk), each.name) for each in types]  # type: ignore[attr-defined]

    @property
    def kind(self) -> str:
        """Kind of part shown: curves of different kinds are not compared."""
        return str(self.data["part"])


class CompareForm(FigureForm):
    """Selection of two types of one kind of part to compare."""

    one = forms.ChoiceField(required=False, label="This type")
    other = forms.ChoiceField(required=False, label="against this")

    def __init__(self, data: QueryDict, *, today: date) -> None:
        super().__init__(data, today=today)
        for name in ("part", "component"):
            del self.fields[name]
        for name in ("one", "other"):
            self.fields[name].choices = [("", "choose"), *types_by_kind()]  # type: ignore[attr-defined]

    def shown_first(self) -> Iterable[str]:
        return ("one", "other", "mode", "from", "until")

    @property
    def pair(self) -> tuple[int, int] | None:
        """Keys of the two types, or None as long as they are not chosen."""
        cleaned_data = self.cleaned_data
        return (
            (int(cleaned_data["one"]), int(cleaned_data["other"]))
            if cleaned_data.get("one") and cleaned_data.get("other")
            else None
        )

    def clean(self) -> dict[str, Any]:
        cleaned_data = super().clean()
        if self.errors or self.pair is None:
            return cleaned_data
        kinds = dict(ComponentType.objects.filter(pk__in=self.pair).values_list("pk", "kind"))
        if self.pair[0] == self.pair[1]:
            self.add_error("other", "Choose another type than the first.")
        elif len(set(kinds.values())) > 1:
            self.add_error("other", "Choose two types of the same kind of part: only those do the same job.")
        return cleaned_data


class FindingsForm(FigureForm):
    """Selection of findings: as for a figure, and by exclusion reason."""

    age = forms.ChoiceField(
        required=False,
        label="Age of the part",
        choices=[("", "any"), *((str(place), words) for place, words in enumerate(AGES))],
    )
    since = forms.CharField(max_length=400, required=False, widget=forms.HiddenInput)
    exclusion_reason = forms.ChoiceField(
        required=False,
        label="Counted as",
        choices=[
            ("", EXCLUSION_REASON_WORDS[ExclusionReason.EVENT]),
            *(
                (str(exclusion_reason), words)
                for exclusion_reason, words in EXCLUSION_REASON_WORDS.items()
                if exclusion_reason != ExclusionReason.EVENT
            ),
            (EVERY_EXCLUSION_REASON, "all findings"),
        ],
    )

    def shown_first(self) -> Iterable[str]:
        return (*USUAL, "exclusion_reason")

    @property
    def chosen_exclusion_reason(self) -> ExclusionReason | None:
        """Exclusion reason to list (by default failures), or None for all."""
        choice = self.cleaned_data.get("exclusion_reason") or ExclusionReason.EVENT
        return None if choice == EVERY_EXCLUSION_REASON else ExclusionReason(choice)


class PeriodForm(forms.Form):
    """Selection of a period."""

    def __init__(self, data: QueryDict) -> None:
        super().__init__(data, label_suffix="")
        days = {
            "from": DayField(required=False, label="From"),
            "until": DayField(required=False, label="Until"),
        }
        self.fields = {**days, **self.fields}

    def clean(self) -> dict[str, Any]:
        cleaned_data = super().clean() or self.cleaned_data
        if (
            cleaned_data.get("from")
            and cleaned_data.get("until")
            and cleaned_data["from"] > cleaned_data["until"]
        ):
            self.add_error("from", "The first day comes after the last: swap them or leave one out.")
        return cleaned_data


class LogForm(PeriodForm):
    """Selection of days and kind of part of the failure log."""

    part = forms.ChoiceField(
        required=False,
        label="Kind of part",
        choices=[("", "all"), *((kind.value, kind.label) for kind in Kind if kind != Kind.UNIT)],
    )


def types_by_kind() -> Choices:
    """Choices of types of part, grouped by kind."""
    return _by_kind((each.kind, str(each.pk), each.name) for each in ComponentType.objects.order_by("name"))


def modes_by_kind() -> Choices:
    """Choices of failure modes, grouped by kind of part."""
    return _by_kind((each.kind, str(each.pk), each.name) for each in FailureMode.objects.order_by("code"))


def _by_kind(rows: Iterable[tuple[str, str, str]]) -> Choices:
    grouped: dict[str, list[tuple[str, str]]] = {}
    for kind, key, name in rows:
        grouped.setdefault(kind, []).append((key, name))
    return [(str(Kind(kind).label), grouped[kind]) for kind in Kind.values if kind in grouped]


def _texts(value: Any) -> list[str]:
    """Value of a field as a list of texts."""
    if value is None:
        return []
    if isinstance(value, list):
        return value
    return [value.isoformat() if isinstance(value, date) else str(value)]
