"""The list of calls, and one call from told to closed."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from schedules.models import Visit, VisitTask
from servicedesk.accounts.models import User
from servicedesk.calls import operations
from servicedesk.calls.models import Call, SafetyAnswer
from servicedesk.core.models import Change
from servicedesk.core.rules.refusals import RuleViolation
from tests.factories import CallFactory, FindingFactory, UnitFactory, VisitFactory, WorkFactory
from tests.servicedesk.calls.conftest import SAFE, Porch, day

LogCall = Callable[..., Call]


def post(client: Client, name: str, pk: int, **fields: object) -> Any:
    """Press a button on the call's page."""
    return client.post(reverse(f"calls:{name}", args=[pk]), fields)


def shown(client: Client, **query: str) -> list[int]:
    """The calls the list shows, in its order."""
    return [call.pk for call in client.get(reverse("calls:calls"), query).context["page"].rows]


def test_the_list_leads_with_what_is_most_urgent(as_technician: Client, log: LogCall) -> None:
    round_, week, today = (
        log(urgency="next_round"),
        log(urgency="this_week"),
        log(urgency="", answers={**SAFE, "fall_risk": "yes"}),
    )
    closed = log()
    operations.close_call(closed, by=None, at=timezone.now())
    assert shown(as_technician) == [today.pk, week.pk, round_.pk]
    assert shown(as_technician, state="all") == [today.pk, week.pk, round_.pk, closed.pk]
    assert shown(as_technician, state="closed") == [closed.pk]


def test_the_list_is_searched_by_any_scrap(as_technician: Client, log: LogCall) -> None:
    call = log(words="rattles in the wind", reported_by="Neighbor Nell", phone="555-0199")
    CallFactory()
    for scrap in ("rattles", "nell", "0199", "maple", "probeson", "u-0001"):
        assert shown(as_technician, q=scrap) == [call.pk], scrap
    page = as_technician.get(reverse("calls:calls"), {"q": "no such thing"})
    assert "No call matches" in page.content.decode()


def test_an_empty_list_says_how_to_begin(as_technician: Client) -> None:
    page = as_technician.get(reverse("calls:calls")).content.decode()
    assert "No call is open" in page
    assert reverse("calls:log_call") in page


def test_the_list_goes_on_page_by_page(as_technician: Client, porch: Porch) -> None:
    now = timezone.now()
    made = [CallFactory(site=porch.site, reported_at=now - timedelta(hours=n)) for n in range(60)]
    oldest_first = [call.pk for call in reversed(made)]
    first = as_technician.get(reverse("calls:calls")).context["page"]
    assert [call.pk for call in first.rows] == oldest_first[:50]
    assert shown(as_technician, after=first.later) == oldest_first[50:]


@pytest.mark.parametrize("state", ["", "waiting", "closed", "all"])
def test_the_list_costs_the_same_for_three_calls_and_for_thirty(
    as_technician: Client, log: LogCall, django_assert_max_num_queries: Any, state: str
) -> None:
    def add(count: int) -> None:
        for number in range(count):
            call = log(unit=UnitFactory(site=porch_site, code=f"U{Call.objects.count()}-{number}"))
            visit = VisitFactory(site=porch_site)
            VisitTask.objects.create(visit=visit, task=call.task)
            if state == "waiting":
                until = timezone.localdate()
                operations.wait_for(call, waiting_for="part", until=until, by=None, at=timezone.now())
            elif state == "closed":
                operations.close_call(call, by=None, at=timezone.now())

    porch_site = log().site
    for so_many in (3, 27):
        add(so_many)
        with django_assert_max_num_queries(9):
            page = as_technician.get(reverse("calls:calls"), {"state": state}).content.decode()
    assert page.count("<tr>") > 30


def test_the_page_of_a_call_costs_the_same_however_much_was_done(
    as_technician: Client, call: Call, porch: Porch, django_assert_max_num_queries: Any
) -> None:
    for so_many in (3, 27):
        for _ in range(so_many):
            finding = FindingFactory(installed_part=porch.track, mode=porch.binds, call=call)
            WorkFactory(unit=porch.unit, call=call, finding=finding, installed_part=porch.track)
        with django_assert_max_num_queries(22):
            as_technician.get(call.get_absolute_url())


def test_a_call_is_not_closed_while_a_question_was_not_asked(as_technician: Client, log: LogCall) -> None:
    call = log(answers={**SAFE, "fall_risk": ""})
    answer = post(as_technician, "close", call.pk)
    assert answer.status_code == 422
    assert "Could somebody fall through or over the opening?” is not answered" in answer.content.decode()
    call.refresh_from_db()
    assert call.is_open
    assert call.task is not None
    assert call.task.is_open
    post(as_technician, "answer", call.safety_answers.get(question="fall_risk").pk, said="no")
    assert post(as_technician, "close", call.pk).status_code == 302


def test_a_call_is_not_closed_while_a_danger_stands(
    as_technician: Client, log: LogCall, technician: User
) -> None:
    call = log(urgency="", answers={**SAFE, "wont_stay_up": "yes"})
    answer = post(as_technician, "close", call.pk)
    assert answer.status_code == 422
    assert "say what made it safe before you close the call" in answer.content.decode()
    question = call.safety_answers.get(question="wont_stay_up")
    unsaid = post(as_technician, "make_safe", question.pk, made_safe_how=" ")
    assert unsaid.status_code == 422
    assert "Say what was done" in unsaid.content.decode()
    post(as_technician, "make_safe", question.pk, made_safe_how="panel taken down and tagged")
    question.refresh_from_db()
    assert (question.made_safe_how, question.made_safe_by) == ("panel taken down and tagged", technician)
    assert post(as_technician, "close", call.pk).status_code == 302


def test_closing_ends_the_repair_and_says_when(as_technician: Client, call: Call) -> None:
    answer = post(as_technician, "close", call.pk)
    assert answer["Location"] == call.get_absolute_url()
    call.refresh_from_db()
    assert (call.state, call.task.state) == ("completed", "completed")  # type: ignore[union-attr]
    assert call.task.done_on == timezone.localdate()  # type: ignore[union-attr]
    closed_at = call.closed_at
    changes = Change.objects.about(call).count()
    assert post(as_technician, "close", call.pk).status_code == 302
    call.refresh_from_db()
    assert call.closed_at == closed_at  # pressed twice, closed once
    assert Change.objects.about(call).count() == changes


def test_cancelling_needs_a_reason_and_no_danger(as_technician: Client, log: LogCall) -> None:
    call = log(urgency="", answers={"guard_glass": "yes"})
    assert "such as “logged twice”" in post(as_technician, "cancel", call.pk).content.decode()
    refused = post(as_technician, "cancel", call.pk, why="logged twice")
    assert refused.status_code == 422
    assert "say what made it safe" in refused.content.decode()
    post(
        as_technician,
        "make_safe",
        call.safety_answers.get(question="guard_glass").pk,
        made_safe_how="see the other call: boarded",
    )
    assert post(as_technician, "cancel", call.pk, why="logged twice").status_code == 302
    call.refresh_from_db()
    assert (call.state, call.task.state) == ("cancelled", "cancelled")  # type: ignore[union-attr]
    assert "canceled: logged twice" in Change.objects.about(call).for_page()[0].action


def test_an_ended_call_opens_again_with_a_new_repair(as_technician: Client, call: Call) -> None:
    post(as_technician, "close", call.pk)
    first = call.task_id
    assert post(as_technician, "reopen", call.pk).status_code == 302
    call.refresh_from_db()
    assert (call.state, call.closed_at) == ("needs-action", None)
    assert call.task_id != first
    assert call.task.is_open  # type: ignore[union-attr]
    post(as_technician, "reopen", call.pk)
    call.refresh_from_db()
    assert call.site.tasks.open().count() == 1


def test_an_ended_call_changes_no_more(as_technician: Client, call: Call) -> None:
    post(as_technician, "close", call.pk)
    for name, fields in (
        ("wait", {"waiting_for": "part", "until": timezone.localdate().isoformat()}),
        ("cancel", {"why": "late"}),
        ("resume", {}),
    ):
        answer = post(as_technician, name, call.pk, **fields)
        assert answer.status_code == 422, name
        assert "Reopen it first" in answer.content.decode()


def test_a_call_waits_until_a_day_and_goes_on(as_technician: Client, call: Call) -> None:
    until = timezone.localdate() + timedelta(days=9)
    post(as_technician, "wait", call.pk, waiting_for="maker", until=until.isoformat())
    call.refresh_from_db()
    assert (call.task.waiting_for, call.task.waiting_until) == ("maker", until)  # type: ignore[union-attr]
    assert call.state == "in-process"
    assert shown(as_technician, state="waiting") == [call.pk]
    assert (
        f"on hold for the maker until {until:%b %-d, %Y}"
        in as_technician.get(reverse("calls:calls")).content.decode()
    )
    post(as_technician, "resume", call.pk)
    assert shown(as_technician, state="waiting") == []


@pytest.mark.parametrize(
    ("fields", "sentence"),
    [
        ({"waiting_for": "part", "until": ""}, "This field is required."),
        ({"waiting_for": "part", "until": "2020-01-01"}, "That day is over"),
        ({"waiting_for": "nobody", "until": "2030-01-01"}, "not one of the available choices"),
    ],
)
def test_a_wait_needs_somebody_and_a_day_to_come(
    as_technician: Client, call: Call, fields: dict[str, str], sentence: str
) -> None:
    answer = post(as_technician, "wait", call.pk, **fields)
    assert answer.status_code == 422
    assert sentence in answer.content.decode()


def test_a_yes_found_out_later_hurries_the_call(as_technician: Client, call: Call) -> None:
    question = call.safety_answers.get(question="fall_risk")
    post(as_technician, "answer", question.pk, said="yes")
    call.refresh_from_db()
    assert call.urgency == "make_safe"
    assert (call.task.priority, call.task.due_on) == (1, timezone.localdate())  # type: ignore[union-attr]
    # a danger that stands is not talked away
    back = post(as_technician, "answer", question.pk, said="no")
    assert back.status_code == 422
    assert "Say what made it safe" in back.content.decode()
    assert post(as_technician, "answer", question.pk, said="perhaps").status_code == 422


def test_only_a_danger_is_made_safe(call: Call) -> None:
    question = call.safety_answers.get(question="fall_risk")
    with pytest.raises(RuleViolation, match="No danger was named here"):
        operations.note_made_safe(question, how="looked", by=None, at=timezone.now())


def test_correcting_what_was_told_moves_the_repair(as_technician: Client, call: Call, porch: Porch) -> None:
    data = {"reported_by": "Ben", "phone": "", "words": "It is the screen.", "symptom": "screen"}
    address = reverse("calls:change_call", args=[call.pk])
    assert as_technician.post(address, {**data, "urgency": "next_round"}).status_code == 302
    call.refresh_from_db()
    assert (call.reported_by, call.symptom, call.urgency) == ("Ben", "screen", "next_round")
    assert call.task is not None
    assert (call.task.priority, call.task.reason) == (6, "Customer called: screen torn or sagging")
    assert call.task.minutes == 30  # nobody has recorded how screens fail here
    fields = {field.field for field in Change.objects.about(call).for_page()[0].fields.all()}
    assert fields == {"reported by", "in the caller's words", "symptom", "urgency"}


def test_a_symptom_told_later_answers_its_question(as_technician: Client, log: LogCall) -> None:
    entries = {"words": "It drops.", "symptom": "wont_stay_up", "urgency": "make_safe"}
    call = log(answers={**SAFE, "wont_stay_up": ""})
    address = reverse("calls:change_call", args=[call.pk])
    late = as_technician.post(address, {**entries, "urgency": "this_week"})
    assert "A danger was named" in late.content.decode()
    assert as_technician.post(address, entries).status_code == 302
    assert Call.objects.get(pk=call.pk).danger_stands
    denied = log(answers=SAFE)
    answer = as_technician.post(reverse("calls:change_call", args=[denied.pk]), entries)
    assert answer.status_code == 422
    assert "was answered with no" in answer.content.decode()


def test_a_standing_danger_keeps_the_call_urgent(as_technician: Client, log: LogCall) -> None:
    call = log(urgency="", answers={**SAFE, "fall_risk": "yes"})
    data = {"words": "Never mind", "symptom": "stiff", "urgency": "next_round"}
    answer = as_technician.post(reverse("calls:change_call", args=[call.pk]), data)
    assert answer.status_code == 422
    assert "make safe today" in answer.content.decode()


def test_the_window_can_be_named_later(as_technician: Client, log: LogCall, porch: Porch) -> None:
    call = log(unit=None)
    address = reverse("calls:set_unit", args=[call.pk])
    assert "U-0001" in as_technician.get(address).content.decode()
    as_technician.post(address, {"unit": porch.unit.pk})
    call.refresh_from_db()
    assert call.unit == porch.unit
    assert (call.task.unit, call.task.reason) == (porch.unit, "Customer called: stiff at all times")  # type: ignore[union-attr]
    other = UnitFactory()
    assert as_technician.post(address, {"unit": other.pk}).status_code == 422


@pytest.mark.parametrize("who", ["as_technician", "as_scheduler", "as_owner"])
def test_each_role_reads_and_moves_a_call(request: pytest.FixtureRequest, call: Call, who: str) -> None:
    client: Client = request.getfixturevalue(who)
    assert client.get(call.get_absolute_url()).status_code == 200
    assert post(client, "close", call.pk).status_code == 302


@pytest.mark.parametrize("name", ["wait", "resume", "close", "cancel", "reopen"])
def test_a_call_moves_by_a_button_only(as_technician: Client, call: Call, name: str) -> None:
    assert as_technician.get(reverse(f"calls:{name}", args=[call.pk])).status_code == 405


def test_the_page_leads_from_one_step_to_the_next(
    as_scheduler: Client, log: LogCall, porch: Porch, technician: User
) -> None:
    call = log(unit=None, answers={**SAFE, "fall_risk": ""})

    def next_words() -> str | None:
        step = as_scheduler.get(call.get_absolute_url()).context["step"]
        return None if step is None else step.words

    assert next_words() == "Plan a visit"
    visit = VisitFactory(
        site=porch.site, starts_at=timezone.now(), ends_at=timezone.now() + timedelta(hours=1)
    )
    VisitTask.objects.create(visit=Visit.objects.get(pk=visit.pk), task=call.task)
    assert next_words() == "Choose window"
    at = timezone.now()
    operations.name_unit(call, unit=porch.unit, by=technician, at=at)
    assert next_words() == "Record what you find"
    finding = FindingFactory(installed_part=porch.track, mode=porch.binds, call=call, found_on=day(0))
    assert next_words() == "Record what was done"
    WorkFactory(unit=porch.unit, call=call, finding=finding)
    assert next_words() == "Answer it"
    question = SafetyAnswer.objects.get(call=call, question="fall_risk")
    operations.answer_question(question, said="yes", by=technician, at=at)
    assert next_words() == "Say what made it safe"
    operations.note_made_safe(question, how="barrier put up", by=technician, at=at)
    assert next_words() == "Close the call"
    operations.close_call(call, by=technician, at=at)
    assert next_words() is None


def test_a_call_from_older_records_can_wait_and_close(as_technician: Client, porch: Porch) -> None:
    call = CallFactory(site=porch.site, unit=porch.unit)
    assert call.task is None
    until = timezone.localdate().isoformat()
    assert post(as_technician, "wait", call.pk, waiting_for="customer", until=until).status_code == 302
    call.refresh_from_db()
    assert call.task.waiting_for == "customer"  # type: ignore[union-attr]
    assert post(as_technician, "close", call.pk).status_code == 302
