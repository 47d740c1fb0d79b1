"""Forms that record and correct a finding."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from itertools import groupby
from typing import Any

from django import forms
from django.utils import timezone

from servicedesk.calls.models import Finding, Inspection
from servicedesk.calls.querysets import SAME_FAULT_DAYS
from servicedesk.core.idempotency import IdempotencyKeyForm
from servicedesk.core.rules.refusals import RuleViolation
from servicedesk.core.values.dates import long_date
from servicedesk.core.values.typed import read_key
from units.forms import DayField
from units.models import FailureMode, Kind, Unit

NEW_FAULT = "new"
MOST_EARLIER = 8
MOST_PANELS = 12
SAY_WHAT_MADE_IT_SAFE = "This is unsafe: say what was done to make it safe."

# Choosing a mode reloads the page for that mode, keeping the answer whether the finding is a repeat.
ASK_WHETHER_REPEAT = {
    "hx-get": "",
    "hx-trigger": "change",
    "hx-target": "#repeat",
    "hx-select": "#repeat",
    "hx-swap": "outerHTML",
    "hx-include": "[name=found_on]",
}


def modes_for(
    unit: Unit, *, also: FailureMode | None = None, offered: Iterable[FailureMode] | None = None
) -> list[FailureMode]:
    """Failure modes to choose from at a unit: those of the kinds it contains, the expected ones first.

    A unit without recorded parts could contain any kind. For many units at once, prefetch their
    parts and the modes expected of their construction, and pass the modes that are ``offered``.
    """
    built = unit.construction
    expected = {mode.pk for mode in built.expected_modes.all()} if built else set()
    kinds = {part.kind for part in unit.installed_parts.all()}
    if offered is None:
        offered = FailureMode.objects.offered()
    modes = [mode for mode in offered if not kinds or mode.kind in kinds or mode.kind == Kind.UNIT]
    if also is not None and also not in modes:
        modes.append(also)
    order = {kind: place for place, kind in enumerate(Kind.values)}
    return sorted(modes, key=lambda mode: (order[mode.kind], mode.pk not in expected, mode.code))


def grouped(modes: Iterable[FailureMode]) -> list[tuple[str, Any]]:
    """Choices of failure modes, grouped by kind of part."""
    groups: list[tuple[str, Any]] = [("", "choose what is wrong")]
    for kind, of_kind in groupby(modes, key=lambda mode: mode.kind):
        label = str(Kind(kind).label)
        groups.append((label[:1].upper() + label[1:], [(str(mode.pk), mode.name) for mode in of_kind]))
    return groups


class FindingForm(IdempotencyKeyForm, forms.ModelForm):
    """Form of a finding: what was seen, where, and how severe it is."""

    found_on = DayField(label="Found on")
    panel = forms.TypedChoiceField(label="Panel", coerce=int, empty_value=None, required=False)
    last_good_on = DayField(
        label="Last known to be fine",
        required=False,
        help_text="Filled in from the last “inspected, no faults”.",
    )
    is_failure = forms.TypedChoiceField(
        label="Does it count as a failure?",
        coerce=lambda said: said == "True",
        choices=[("True", "A failure: the part no longer does its job"), ("False", "Worn, still works")],
        widget=forms.RadioSelect,
        initial="True",
    )
    same_as = forms.ChoiceField(
        label="Is it the same fault as before?", required=False, widget=forms.RadioSelect
    )

    class Meta:
        model = Finding
        fields = [
            "mode",
            "panel",
            "corner",
            "severity",
            "made_safe_how",
            "is_failure",
            "found_on",
            "place",
            "mechanism",
            "cause",
            "detected",
            "last_good_on",
            "note",
        ]
        labels = {"mode": "What is wrong", "severity": "How bad it is"}
        widgets = {"severity": forms.RadioSelect, "note": forms.Textarea(attrs={"rows": 2})}
        help_texts = {
            "place": "Only if panel and corner do not show it.",
            "mechanism": "What is happening in the part. Choose “unknown” rather than guess.",
            "cause": "What caused it. Choose “unknown” rather than guess.",
            "made_safe_how": "Say what keeps people safe for now.",
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.unit: Unit = self.instance.unit
        self.fields["severity"].choices = Finding.Severity.choices  # type: ignore[attr-defined]
        panels = range(1, (self.unit.panels or MOST_PANELS) + 1)
        self.fields["panel"].choices = [  # type: ignore[attr-defined]
            ("", "no one panel"),
            *((str(number), f"panel {number}") for number in panels),
        ]
        self._offer_modes()
        # Shown only for a danger, and required then.
        danger = self.data.get("severity") == Finding.Severity.DANGER
        self.fields["made_safe_how"].required = danger or not self.is_bound
        self.fields["made_safe_how"].error_messages["required"] = SAY_WHAT_MADE_IT_SAFE
        if not self.instance.pk:
            today = timezone.localdate()
            self.initial["last_good_on"] = Inspection.objects.last_good(self.unit, today)
        self.earlier = self._earlier()
        self.fields["same_as"].choices = [  # type: ignore[attr-defined]
            *((str(finding.pk), _told(finding)) for finding in self.earlier),
            (NEW_FAULT, "No, it is a new fault"),
        ]
        self.fields["same_as"].initial = self.instance.continues_id or (
            NEW_FAULT if self.instance.pk else None
        )

    def _offer_modes(self) -> None:
        modes = modes_for(self.unit, also=self.instance.mode if self.instance.mode_id else None)
        field = self.fields["mode"]
        field.queryset = FailureMode.objects.filter(  # type: ignore[attr-defined]
            pk__in=[mode.pk for mode in modes]
        )
        field.choices = grouped(modes)  # type: ignore[attr-defined]
        field.error_messages["required"] = "Choose what is wrong."
        field.widget.attrs.update(ASK_WHETHER_REPEAT)

    def _earlier(self) -> list[Finding]:
        """Earlier findings of the chosen failure mode at this unit, which the finding may continue."""
        data = self.data if self.is_bound else self.initial
        mode_pk, day = read_key(data.get("mode")), data.get("found_on")
        on = day if isinstance(day, date) else self._day(day)
        if mode_pk is None or on is None:
            return []
        mode = FailureMode.objects.filter(pk=mode_pk).first()
        if mode is None:
            return []
        earlier = Finding.objects.earlier_of(self.unit, mode, on=on)
        return list(earlier.exclude(pk=self.instance.pk)[:MOST_EARLIER])

    def _day(self, typed: object) -> date | None:
        try:
            return self.fields["found_on"].to_python(typed)
        except forms.ValidationError:
            return None

    def clean(self) -> dict[str, Any]:
        """Take over which finding this one continues; what made it safe is stored for a danger only."""
        data = super().clean() or self.cleaned_data
        if self.earlier and "same_as" in data:
            said = data["same_as"]
            self.instance.continues = next((f for f in self.earlier if str(f.pk) == said), None)
            self.instance.repeat = self.instance.continues is not None
        if data.get("severity") != Finding.Severity.DANGER:
            data["made_safe_how"] = ""
        return data

    def ask_whether_repeat(self) -> None:
        """Refuse a finding that leaves open whether it repeats a fault found here shortly before.

        Checked when the record is made, not in validation: a form sent twice would
        otherwise find its own first record and ask about that.
        """
        on, said = self.cleaned_data["found_on"], self.cleaned_data["same_as"]
        lately = [finding for finding in self.earlier if (on - finding.found_on).days <= SAME_FAULT_DAYS]
        if lately and not said:
            day = long_date(lately[0].found_on)
            sentence = f"The same was found here on {day}. Say whether it is still the same fault."
            raise RuleViolation({"same_as": [sentence]})


class ChangeFindingForm(FindingForm):
    """Correction of a finding."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["idempotency_key"]


def _told(finding: Finding) -> str:
    where = f", {finding.where}" if finding.where else ""
    return f"Yes, it is the one found on {long_date(finding.found_on)}{where}"
