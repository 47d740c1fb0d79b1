"""Forms that log a call and change its state."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from django import forms

from schedules.models import MaintenanceTask
from servicedesk.calls.models import Call, SafetyAnswer
from servicedesk.calls.models.calls import Symptom
from servicedesk.calls.safety import TELL_THEM
from servicedesk.calls.site_plan import Wall, walls_of
from servicedesk.core.idempotency import IdempotencyKeyForm
from servicedesk.core.values.searching import ScrapField
from units.forms import DayField
from units.models import Site, Unit

ANSWERS = [("yes", "Yes"), ("no", "No"), ("unasked", "Not asked")]


class ChoiceForm(forms.Form):
    """A form of one button, without fields; it can be refused."""


class SiteSearchForm(forms.Form):
    """Search for the site of a caller."""

    q = ScrapField(
        label="Name, street, phone or unit code",
        widget=forms.TextInput(attrs={"autocomplete": "off", "autofocus": True, "spellcheck": "false"}),
    )


class PlanForm(forms.Form):
    """Base form with a choice of unit on the site's plan."""

    unit = forms.ModelChoiceField(
        queryset=Unit.objects.none(),
        required=False,
        label="Which window",
        widget=forms.RadioSelect,
    )

    def __init__(self, *args: Any, site: Site, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        units = site.units.in_place()
        self.fields["unit"].queryset = units  # type: ignore[attr-defined]
        self.walls: list[Wall] = walls_of(units)
        places = [place for wall in self.walls for place in wall.places]
        if len(places) == 1 and not self.initial.get("unit"):
            self.initial["unit"] = places[0].unit.pk

    @property
    def chosen_unit(self) -> str:
        """Unit chosen on the plan, as posted ("" for not sure)."""
        value = self["unit"].value()
        return "" if value is None else str(getattr(value, "pk", value))


class LogForm(IdempotencyKeyForm, PlanForm, forms.ModelForm):
    """All questions that are asked while the caller is on the phone."""

    symptom = forms.ChoiceField(label="Symptom", choices=Symptom.choices, widget=forms.RadioSelect)
    urgency = forms.ChoiceField(
        label="Urgency",
        choices=Call.Urgency.choices,
        widget=forms.RadioSelect,
        required=False,
    )

    class Meta:
        model = Call
        fields = ["reported_by", "phone", "words", "symptom", "urgency", "unit"]
        labels = {"words": "What is wrong, in their words"}
        widgets = {
            "phone": forms.TextInput(attrs={"type": "tel", "autocomplete": "off"}),
            "reported_by": forms.TextInput(attrs={"autocomplete": "off"}),
            "words": forms.Textarea(attrs={"rows": 3, "autofocus": True}),
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["words"].required = True
        self.fields["words"].error_messages["required"] = "Write down what they said, in a few words."
        self.fields["symptom"].error_messages["required"] = "Choose what comes closest to what they notice."
        for question, label in SafetyAnswer.Question.choices:
            self.fields[question] = forms.ChoiceField(
                label=label, choices=ANSWERS, widget=forms.RadioSelect, required=False
            )

    @property
    def questions(self) -> Iterator[tuple[forms.BoundField, str]]:
        """Safety questions, each with what to tell the caller when the answer is yes."""
        for question in SafetyAnswer.Question.values:
            yield self[question], TELL_THEM[question]

    @property
    def answers(self) -> dict[str, str]:
        """Answers, yes or no, by question."""
        replies = {question: self.cleaned_data.get(question) for question in SafetyAnswer.Question.values}
        return {question: said for question, said in replies.items() if said in ("yes", "no")}


class ChangeCallForm(forms.ModelForm):
    """Correction of what the caller said."""

    class Meta:
        model = Call
        fields = ["reported_by", "phone", "words", "symptom", "urgency"]
        widgets = {"words": forms.Textarea(attrs={"rows": 3})}


class UnitForm(PlanForm):
    """Unit of a call, once known."""


class AnswerForm(forms.Form):
    """Answer to a safety question that was not asked on the phone."""

    said = forms.ChoiceField(
        choices=[("yes", "Yes"), ("no", "No")], error_messages={"required": "Choose yes or no."}
    )


class MadeSafeForm(forms.Form):
    """What took a danger away."""

    made_safe_how = forms.CharField(
        label="What made it safe",
        max_length=240,
        error_messages={"required": "Say what was done, such as “panel taken down and tagged”."},
    )


class WaitForm(forms.Form):
    """What a call waits for, and when to follow up."""

    waiting_for = forms.ChoiceField(
        label="Waiting for", choices=[choice for choice in MaintenanceTask.WaitingFor.choices if choice[0]]
    )
    until = DayField(label="Follow up on")


class CancelForm(forms.Form):
    """Reason why a call needs nothing from us."""

    why = forms.CharField(
        label="Reason",
        max_length=160,
        error_messages={"required": "Say why the call is canceled, such as “logged twice”."},
    )


class CallSearchForm(forms.Form):
    """Search for calls."""

    q = ScrapField(label="Name, street, phone, unit or words")
    state = forms.ChoiceField(
        label="Status",
        choices=[("", "open"), ("waiting", "on hold"), ("closed", "closed or canceled"), ("all", "all")],
        required=False,
    )
