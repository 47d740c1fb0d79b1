"""Logging a call: the place is found by any scrap, and one short page does the rest."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from schedules.models import MaintenanceTask
from servicedesk.accounts.models import User
from servicedesk.calls.models import Call, SafetyAnswer
from servicedesk.core.models import Change
from tests.factories import FailureModeFactory, SiteFactory, UnitFactory
from tests.servicedesk.calls.conftest import SAFE, Porch, typed


def told(porch: Porch, **fields: object) -> dict[str, object]:
    """What is typed for a call about the porch, all four questions answered with no."""
    usual = {"words": "It binds half-way.", "symptom": "stiff", "urgency": "this_week", "unit": porch.unit.pk}
    return typed(reported_by="Ada Probeson", phone="555-0142", **{**usual, **SAFE, **fields})


def log_at(porch: Porch) -> str:
    """The address of the page on which a call about the porch is logged."""
    return reverse("calls:log_call_at", args=[porch.site.pk])


@pytest.mark.parametrize("scrap", ["probeson", "maple", "0142", "u-0001", "S-0001"])
def test_a_place_is_found_by_any_scrap(as_technician: Client, porch: Porch, scrap: str) -> None:
    SiteFactory(address="2 Elsewhere Road")
    page = as_technician.get(reverse("calls:log_call"), {"q": scrap})
    assert [site.pk for site in page.context["found"]] == [porch.site.pk]
    assert log_at(porch) in page.content.decode()


def test_a_unit_code_leads_straight_to_that_unit(as_technician: Client, porch: Porch) -> None:
    page = as_technician.get(reverse("calls:log_call"), {"q": "U-0001"})
    assert f'href="{log_at(porch)}?unit={porch.unit.pk}"' in page.content.decode()
    form = as_technician.get(log_at(porch), {"unit": porch.unit.pk}).context["form"]
    assert form.chosen_unit == str(porch.unit.pk)


def test_a_scrap_that_matches_nothing_says_how_to_go_on(as_technician: Client, porch: Porch) -> None:
    page = as_technician.get(reverse("calls:log_call"), {"q": "nowhere"}).content.decode()
    assert "No place matches “nowhere”" in page
    assert "Ask a scheduler to add the site" in page


def test_a_site_or_a_unit_in_the_address_skips_the_search(as_technician: Client, porch: Porch) -> None:
    by_site = as_technician.get(reverse("calls:log_call"), {"site": porch.site.pk})
    assert by_site["Location"] == log_at(porch)
    by_unit = as_technician.get(reverse("calls:log_call"), {"unit": porch.unit.pk})
    assert by_unit["Location"] == f"{log_at(porch)}?unit={porch.unit.pk}"
    for nonsense in ("0", "none", "9" * 40):
        assert as_technician.get(reverse("calls:log_call"), {"unit": nonsense}).status_code == 404


def test_the_page_knows_the_owner_and_asks_for_the_rest(as_technician: Client, porch: Porch) -> None:
    UnitFactory(site=porch.site, code="U-0002")
    UnitFactory(site=porch.site, code="U-GONE", removed_on=timezone.localdate())
    form = as_technician.get(log_at(porch)).context["form"]
    assert (form["reported_by"].value(), form["phone"].value()) == ("Ada Probeson", "555-0142")
    names = ["symptom", "urgency", *SafetyAnswer.Question.values]
    assert [form[name].value() for name in names] == [None] * 6
    assert form.chosen_unit == ""
    on_the_plan = [place.unit.code for wall in form.walls for place in wall.places]
    assert on_the_plan == ["U-0001", "U-0002"]


def test_the_only_unit_of_a_place_is_chosen_already(as_technician: Client, porch: Porch) -> None:
    assert as_technician.get(log_at(porch)).context["form"].chosen_unit == str(porch.unit.pk)


def test_logging_stores_the_call_its_answers_and_the_repair(
    as_technician: Client, porch: Porch, technician: User
) -> None:
    answer = as_technician.post(log_at(porch), told(porch))
    call = Call.objects.get()
    assert answer["Location"] == call.get_absolute_url()
    assert (call.site, call.unit, call.state) == (porch.site, porch.unit, "needs-action")
    assert (call.reported_by, call.phone, call.words) == ("Ada Probeson", "555-0142", "It binds half-way.")
    assert (call.symptom, call.urgency, call.logged_by) == ("stiff", "this_week", technician)
    assert timezone.now() - call.reported_at < timedelta(minutes=1)
    answers = {answer.question: answer.answer for answer in call.safety_answers.all()}
    assert answers == SAFE
    task = call.task
    assert task is not None
    assert (task.origin, task.site, task.unit) == ("call", porch.site, porch.unit)
    assert task.minutes == 15  # the usual minutes of the fault that stiffness comes from here
    assert Change.objects.about(call).count() == 1
    assert Change.objects.about(porch.unit).count() == 1


@pytest.mark.parametrize(
    ("urgency", "priority", "days"), [("make_safe", 1, 0), ("this_week", 4, 6), ("next_round", 6, 30)]
)
def test_urgency_decides_when_the_repair_is_due(
    as_technician: Client, porch: Porch, urgency: str, priority: int, days: int
) -> None:
    as_technician.post(log_at(porch), told(porch, urgency=urgency))
    task = MaintenanceTask.objects.get()
    assert (task.priority, task.due_on) == (priority, timezone.localdate() + timedelta(days=days))


def test_the_callers_words_stay_off_the_list_of_work(as_technician: Client, porch: Porch) -> None:
    as_technician.post(log_at(porch), told(porch, words="I am away, the key is under the pot"))
    assert MaintenanceTask.objects.get().reason == "Customer called: stiff at all times"


def test_a_symptom_takes_the_longest_of_its_faults_and_two_people_at_most(
    as_technician: Client, porch: Porch
) -> None:
    FailureModeFactory(code="FRM-01", kind="frame", minutes=45, persons=3)
    as_technician.post(log_at(porch), told(porch))
    task = MaintenanceTask.objects.get()
    assert (task.minutes, task.persons) == (45, 2)


@pytest.mark.parametrize("question", SafetyAnswer.Question.values)
def test_any_danger_makes_it_a_call_for_today(as_technician: Client, porch: Porch, question: str) -> None:
    as_technician.post(log_at(porch), told(porch, urgency="", **{question: "yes"}))
    call = Call.objects.get()
    assert call.urgency == "make_safe"
    assert call.safety_answers.get(question=question).is_open
    page = as_technician.get(call.get_absolute_url()).content.decode()
    assert "MAKE SAFE: somebody may get hurt here" in page
    assert "local code" in page


@pytest.mark.parametrize("urgency", ["this_week", "next_round"])
def test_a_danger_is_not_logged_as_less_than_urgent(
    as_technician: Client, porch: Porch, urgency: str
) -> None:
    answer = as_technician.post(log_at(porch), told(porch, urgency=urgency, fall_risk="yes"))
    assert answer.status_code == 422
    assert "A danger was named, so this call is “make safe today”" in answer.content.decode()
    assert not Call.objects.exists()
    assert not MaintenanceTask.objects.exists()


@pytest.mark.parametrize(
    ("symptom", "question"),
    [("wont_stay_up", "wont_stay_up"), ("falls_out", "wont_stay_up"), ("glass", "guard_glass")],
)
def test_a_symptom_that_names_a_danger_answers_its_question(
    as_technician: Client, porch: Porch, symptom: str, question: str
) -> None:
    as_technician.post(log_at(porch), told(porch, symptom=symptom, urgency="", **{question: ""}))
    call = Call.objects.get()
    assert call.urgency == "make_safe"
    assert call.safety_answers.get(question=question).answer == "yes"
    refused = as_technician.post(log_at(porch), told(porch, symptom=symptom, **{question: "no"}))
    assert refused.status_code == 422
    assert "which says yes here" in refused.content.decode()
    assert Call.objects.count() == 1


@pytest.mark.parametrize("said", ["", "unasked"])
def test_a_question_left_alone_was_not_asked(as_technician: Client, porch: Porch, said: str) -> None:
    as_technician.post(log_at(porch), told(porch, fall_risk=said))
    answer = SafetyAnswer.objects.get(question="fall_risk")
    assert (answer.answer, answer.is_open) == ("", True)


@pytest.mark.parametrize(
    ("field", "sentence"),
    [
        ("urgency", "Choose an urgency."),
        ("words", "Write down what they said, in a few words."),
        ("symptom", "Choose what comes closest to what they notice."),
    ],
)
def test_what_is_missing_is_asked_for(as_technician: Client, porch: Porch, field: str, sentence: str) -> None:
    answer = as_technician.post(log_at(porch), told(porch, **{field: ""}))
    assert answer.status_code == 422
    assert sentence in answer.content.decode()
    assert not Call.objects.exists()


def test_not_sure_which_window_is_an_answer(as_technician: Client, porch: Porch) -> None:
    as_technician.post(log_at(porch), told(porch, unit=""))
    call = Call.objects.get()
    assert call.unit is None
    assert call.task is not None
    assert call.task.reason == "Customer called: stiff at all times, unit not known yet"


def test_a_window_of_another_place_is_refused(as_technician: Client, porch: Porch) -> None:
    answer = as_technician.post(log_at(porch), told(porch, unit=UnitFactory().pk))
    assert answer.status_code == 422
    assert not Call.objects.exists()


def test_a_call_sent_twice_is_one_call(as_technician: Client, porch: Porch) -> None:
    sent = told(porch)
    first, second = (as_technician.post(log_at(porch), sent) for _ in range(2))
    assert first["Location"] == second["Location"]
    assert Call.objects.count() == MaintenanceTask.objects.count() == 1
    assert SafetyAnswer.objects.count() == 4


def test_an_open_call_here_is_pointed_out(
    as_technician: Client, porch: Porch, log: Callable[..., Call]
) -> None:
    call = log()
    page = as_technician.get(log_at(porch)).content.decode()
    assert "There is an open call here already" in page
    assert call.get_absolute_url() in page
