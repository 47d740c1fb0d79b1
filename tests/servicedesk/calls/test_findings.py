"""Recording what was seen: on which part, whether it is the same fault, and what keeps people safe."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.db import IntegrityError, transaction
from django.test import Client
from django.urls import reverse

from servicedesk.accounts.models import User
from servicedesk.calls.forms.findings import modes_for
from servicedesk.calls.models import Call, Finding, Inspection
from servicedesk.core.models import Change
from tests.factories import (
    FailureModeFactory,
    FindingFactory,
    InspectionFactory,
    SiteFactory,
    UnitFactory,
    VisitFactory,
)
from tests.servicedesk.calls.conftest import Porch, day, typed
from units.models import FailureMode


def seen(wrong: FailureMode, **fields: object) -> dict[str, object]:
    """What is typed for a finding, with what the form fills in."""
    usual = {"severity": "hinders", "is_failure": "True", "found_on": day(0).isoformat()}
    return typed(**{"mode": wrong.pk, **usual, **fields})


def record(client: Client, call: Call, wrong: FailureMode, **fields: object) -> Any:
    """Send the form of a finding on a call."""
    return client.post(reverse("calls:add_finding", args=[call.pk]), seen(wrong, **fields))


def test_a_finding_is_stored_on_its_part_as_part_of_a_look(
    as_technician: Client, call: Call, porch: Porch, technician: User
) -> None:
    answer = record(
        as_technician,
        call,
        porch.cracked,
        panel=2,
        corner="UL",
        mechanism="2.5",
        cause="use",
        detected="called",
        note="hairline",
    )
    assert answer["Location"] == call.get_absolute_url()
    finding = Finding.objects.get()
    assert (finding.unit, finding.installed_part, finding.mode) == (porch.unit, porch.corner, porch.cracked)
    assert (finding.panel, finding.corner, finding.where) == (2, "UL", "panel 2, upper left")
    assert (finding.mechanism, finding.cause, finding.detected) == ("2.5", "use", "called")
    assert (finding.is_failure, finding.repeat, finding.continues) == (True, False, None)
    assert (finding.recorded_by, finding.note) == (technician, "hairline")
    inspection = finding.inspection
    assert inspection is not None
    assert (inspection.unit, inspection.inspected_on, inspection.outcome, inspection.call) == (
        porch.unit,
        day(0),
        "findings",
        call,
    )
    call.refresh_from_db()
    assert call.state == "in-process"
    assert "found: corner joint: cracked, panel 2" in Change.objects.about(porch.unit).for_page()[0].action
    page = as_technician.get(call.get_absolute_url()).content.decode()
    assert "Corner joint: cracked" in page
    assert "plastic corner key" in page


def test_wear_is_not_a_failure_and_unknown_is_an_answer(
    as_technician: Client, call: Call, porch: Porch
) -> None:
    record(as_technician, call, porch.binds, is_failure="False", mechanism="", cause="", detected="")
    finding = Finding.objects.get()
    assert (finding.is_failure, finding.mechanism, finding.cause, finding.detected) == (False, "", "", "")
    assert not Finding.objects.failures().exists()


def test_a_finding_sent_twice_is_one_finding(as_technician: Client, call: Call, porch: Porch) -> None:
    sent = seen(porch.binds)
    address = reverse("calls:add_finding", args=[call.pk])
    first, second = (as_technician.post(address, sent) for _ in range(2))
    assert first["Location"] == second["Location"]
    assert Finding.objects.count() == Inspection.objects.count() == 1


def test_several_findings_of_a_day_are_one_look(as_technician: Client, call: Call, porch: Porch) -> None:
    record(as_technician, call, porch.binds)
    record(as_technician, call, porch.cracked)
    assert Inspection.objects.count() == 1
    assert Inspection.objects.get().findings.count() == 2


def test_modes_of_the_fitted_kinds_are_offered_the_expected_first(porch: Porch) -> None:
    assert porch.unit.construction is not None
    scored = FailureModeFactory(code="TRK-02", kind="track", name="scored")
    stiff = FailureModeFactory(code="OPR-01", kind="unit", name="stiff")
    FailureModeFactory(kind="film", name="torn")  # no film is recorded in this unit
    FailureModeFactory(kind="track", name="retired", in_use=False)
    scored.expected_on.add(porch.unit.construction)
    assert modes_for(porch.unit) == [scored, porch.binds, porch.cracked, stiff]


def test_a_unit_without_recorded_parts_is_offered_every_mode(porch: Porch) -> None:
    torn = FailureModeFactory(kind="film", name="torn")
    assert set(modes_for(UnitFactory())) == {porch.binds, porch.cracked, torn}


def test_the_page_shows_the_drawing_to_point_at(as_technician: Client, call: Call) -> None:
    page = as_technician.get(reverse("calls:add_finding", args=[call.pk])).content.decode()
    for panel in (1, 2, 3, 4):
        for corner in ("UL", "UR", "LL", "LR"):
            assert f'data-panel="{panel}" data-corner="{corner}"' in page
            assert f'<option value="{corner}">' in page
        assert f'<option value="{panel}">panel {panel}</option>' in page
    assert "panel 5" not in page


@pytest.mark.parametrize(
    ("fields", "sentence"),
    [
        ({"mode": ""}, "Choose what is wrong."),
        ({"corner": "UL"}, "A corner belongs to a panel: say which panel."),
        ({"panel": "9"}, "not one of the available choices"),
        ({"found_on": "2031-01-01"}, "That day is still to come"),
        ({"found_on": "2019-01-01"}, "was installed on March 2, 2020"),
        ({"found_on": ""}, "This field is required."),
        ({"last_good_on": "2031-01-01"}, "The part was fine before the fault was found"),
        ({"severity": "danger"}, "say what was done to make it safe"),
    ],
)
def test_what_can_not_be_is_refused_with_a_sentence(
    as_technician: Client, call: Call, porch: Porch, fields: dict[str, str], sentence: str
) -> None:
    answer = record(as_technician, call, porch.binds, **fields)
    assert answer.status_code == 422
    assert sentence in answer.content.decode()
    assert not Finding.objects.exists()
    assert not Inspection.objects.exists()


def test_a_danger_says_what_made_it_safe_and_stays_in_sight(
    as_technician: Client, call: Call, porch: Porch
) -> None:
    record(as_technician, call, porch.cracked, severity="danger", made_safe_how="panel taken down")
    finding = Finding.objects.get()
    assert finding.made_safe_how == "panel taken down"
    assert list(Finding.objects.standing_dangers()) == [finding]
    page = as_technician.get(call.get_absolute_url()).content.decode()
    assert "Danger, safe for now: corner joint: cracked" in page
    assert "panel taken down" in page
    with pytest.raises(IntegrityError, match="finding_danger_says_how"), transaction.atomic():
        Finding.objects.filter(pk=finding.pk).update(made_safe_how="")


def test_without_a_unit_the_page_asks_for_one_and_the_call_gets_it(
    as_technician: Client, log: Callable[..., Call], porch: Porch
) -> None:
    call = log(unit=None)
    address = reverse("calls:add_finding", args=[call.pk])
    page = as_technician.get(address).content.decode()
    assert "At which window?" in page
    assert f'href="?unit={porch.unit.pk}"' in page
    answer = as_technician.post(f"{address}?unit={porch.unit.pk}", seen(porch.binds))
    assert answer.status_code == 302
    call.refresh_from_db()
    assert call.unit == porch.unit
    assert call.task is not None
    assert call.task.unit == porch.unit


def test_a_finding_can_be_at_another_window_of_the_place(
    as_technician: Client, call: Call, porch: Porch
) -> None:
    other = UnitFactory(site=porch.site, code="U-0002")
    address = reverse("calls:add_finding", args=[call.pk])
    assert "U-0002" in as_technician.get(f"{address}?unit=other").content.decode()
    as_technician.post(f"{address}?unit={other.pk}", seen(porch.binds))
    call.refresh_from_db()
    assert (Finding.objects.get().unit, call.unit) == (other, porch.unit)
    assert as_technician.get(f"{address}?unit={UnitFactory().pk}").status_code == 404


def test_a_finding_of_a_care_visit_needs_no_call(as_technician: Client, porch: Porch) -> None:
    visit = VisitFactory(site=porch.site)
    address = reverse("calls:add_unit_finding", args=[porch.unit.pk])
    form = as_technician.get(f"{address}?visit={visit.pk}").context["form"]
    assert form["detected"].value() == "care"
    answer = as_technician.post(f"{address}?visit={visit.pk}", seen(porch.binds, detected="care"))
    assert answer["Location"] == reverse("schedules:visit", args=[visit.pk])
    finding = Finding.objects.get()
    assert (finding.call, finding.detected) == (None, "care")
    assert finding.inspection is not None
    assert finding.inspection.visit_id == visit.pk
    elsewhere = VisitFactory(site=SiteFactory())
    assert as_technician.get(f"{address}?visit={elsewhere.pk}").status_code == 404
    alone = as_technician.post(address, seen(porch.cracked))
    assert alone["Location"] == porch.unit.get_absolute_url()


def test_last_seen_in_order_is_filled_in_from_the_last_good_look(
    as_technician: Client, call: Call, porch: Porch
) -> None:
    address = reverse("calls:add_finding", args=[call.pk])
    assert as_technician.get(address).context["form"]["last_good_on"].value() is None
    for ago, outcome in ((90, "fine"), (40, "fine"), (10, "findings"), (0, "fine")):
        InspectionFactory(unit=porch.unit, inspected_on=day(ago), outcome=outcome)
    InspectionFactory(inspected_on=day(1))
    assert as_technician.get(address).context["form"]["last_good_on"].value() == day(40)
    assert Inspection.objects.last_good(porch.unit, day(40)) == day(90)
    assert Inspection.objects.last_good(porch.unit, day(90)) is None


class TestSameFaultAsBefore:
    """A new event, or the old fault still: the person at the porch decides, never the calendar."""

    @pytest.mark.parametrize("ago", [0, 30])
    def test_it_is_asked_within_thirty_days(
        self, as_technician: Client, call: Call, porch: Porch, ago: int
    ) -> None:
        before = FindingFactory(installed_part=porch.track, mode=porch.binds, found_on=day(ago), panel=3)
        answer = record(as_technician, call, porch.binds)
        assert answer.status_code == 422
        assert f"The same was found here on {day(ago):%B %-d, %Y}" in answer.content.decode()
        same = record(as_technician, call, porch.binds, same_as=before.pk)
        assert same.status_code == 302
        finding = Finding.objects.get(call=call)
        assert (finding.repeat, finding.continues) == (True, before)

    def test_a_new_fault_of_the_same_kind_is_an_event_of_its_own(
        self, as_technician: Client, call: Call, porch: Porch
    ) -> None:
        FindingFactory(installed_part=porch.track, mode=porch.binds, found_on=day(3))
        assert record(as_technician, call, porch.binds, same_as="new").status_code == 302
        finding = Finding.objects.get(call=call)
        assert (finding.repeat, finding.continues) == (False, None)

    def test_it_is_not_asked_later_nor_of_other_faults_or_units(
        self, as_technician: Client, call: Call, porch: Porch
    ) -> None:
        FindingFactory(installed_part=porch.track, mode=porch.binds, found_on=day(31))
        FindingFactory(installed_part=porch.corner, mode=porch.cracked, found_on=day(3))
        FindingFactory(mode=porch.binds, found_on=day(3))
        assert record(as_technician, call, porch.binds).status_code == 302
        assert not Finding.objects.get(call=call).repeat

    def test_an_older_one_can_still_be_named(self, as_technician: Client, call: Call, porch: Porch) -> None:
        before = FindingFactory(installed_part=porch.track, mode=porch.binds, found_on=day(80))
        record(as_technician, call, porch.binds, same_as=before.pk)
        assert Finding.objects.get(call=call).continues == before

    def test_choosing_a_fault_fetches_the_question(
        self, as_technician: Client, call: Call, porch: Porch
    ) -> None:
        before = FindingFactory(installed_part=porch.track, mode=porch.binds, found_on=day(3))
        query = {"mode": porch.binds.pk, "found_on": day(0).isoformat()}
        page = as_technician.get(reverse("calls:add_finding", args=[call.pk]), query)
        assert page.context["form"].earlier == [before]
        assert f'name="same_as" value="{before.pk}"' in page.content.decode()
        for nonsense in ({"mode": "x"}, {"mode": "9" * 30}, {**query, "found_on": "soon"}):
            form = as_technician.get(reverse("calls:add_finding", args=[call.pk]), nonsense).context["form"]
            assert form.earlier == []

    def test_another_fault_is_never_the_same(self, as_technician: Client, call: Call, porch: Porch) -> None:
        other = FindingFactory(installed_part=porch.corner, mode=porch.cracked, found_on=day(3))
        answer = record(as_technician, call, porch.binds, same_as=other.pk)
        assert answer.status_code == 422


class TestCorrecting:
    """What was entered wrong is put right; its part and its look follow."""

    def correct(self, client: Client, finding: Finding, **fields: object) -> Any:
        address = reverse("calls:change_finding", args=[finding.pk])
        current = {
            "mode": finding.mode_id,
            "severity": finding.severity,
            "is_failure": str(finding.is_failure),
        }
        return client.post(address, {"found_on": finding.found_on.isoformat(), **current, **fields})

    @pytest.fixture
    def finding(self, as_technician: Client, call: Call, porch: Porch) -> Finding:
        record(as_technician, call, porch.binds)
        return Finding.objects.get()

    def test_the_part_follows_the_fault(self, as_technician: Client, finding: Finding, porch: Porch) -> None:
        answer = self.correct(as_technician, finding, mode=porch.cracked.pk, panel=4, corner="LR")
        assert answer.status_code == 302
        finding.refresh_from_db()
        assert (finding.mode, finding.installed_part, finding.panel) == (porch.cracked, porch.corner, 4)
        assert finding.call is not None
        changed = {field.field for field in Change.objects.about(finding).for_page()[0].fields.all()}
        assert {"mode", "installed part", "corner"} <= changed
        page = as_technician.get(reverse("calls:change_finding", args=[finding.pk])).content.decode()
        assert "corrected" in page

    def test_a_look_of_its_own_follows_the_day(self, as_technician: Client, finding: Finding) -> None:
        assert self.correct(as_technician, finding, found_on=day(5).isoformat()).status_code == 302
        inspection = Inspection.objects.get()
        assert (inspection.inspected_on, inspection.outcome) == (day(5), "findings")

    def test_a_shared_look_stays_and_the_finding_gets_another(
        self, as_technician: Client, finding: Finding, call: Call, porch: Porch
    ) -> None:
        record(as_technician, call, porch.cracked)
        self.correct(as_technician, finding, found_on=day(5).isoformat())
        finding.refresh_from_db()
        assert finding.inspection is not None
        assert finding.inspection.inspected_on == day(5)
        assert Inspection.objects.exclude(pk=finding.inspection_id).get().inspected_on == day(0)

    def test_a_repeat_can_be_taken_back(self, as_technician: Client, finding: Finding, porch: Porch) -> None:
        before = FindingFactory(installed_part=porch.track, mode=porch.binds, found_on=day(3))
        self.correct(as_technician, finding, same_as=before.pk)
        finding.refresh_from_db()
        assert (finding.repeat, finding.continues) == (True, before)
        self.correct(as_technician, finding, same_as="new")
        finding.refresh_from_db()
        assert (finding.repeat, finding.continues) == (False, None)

    def test_a_repeat_from_older_records_stays_one(self, as_technician: Client, porch: Porch) -> None:
        old = FindingFactory(installed_part=porch.track, mode=porch.binds, found_on=day(3), repeat=True)
        self.correct(as_technician, old, note="seen again")
        old.refresh_from_db()
        assert (old.repeat, old.note) == (True, "seen again")

    def test_nonsense_is_refused(self, as_technician: Client, finding: Finding) -> None:
        answer = self.correct(as_technician, finding, found_on="2031-01-01")
        assert answer.status_code == 422
        finding.refresh_from_db()
        assert finding.found_on == day(0)


def test_a_cancelled_call_takes_no_findings_but_a_closed_one_does(
    as_technician: Client, log: Callable[..., Call], porch: Porch
) -> None:
    closed, cancelled = log(), log()
    as_technician.post(reverse("calls:close", args=[closed.pk]))
    as_technician.post(reverse("calls:cancel", args=[cancelled.pk]), {"why": "logged twice"})
    assert record(as_technician, closed, porch.binds).status_code == 302
    closed.refresh_from_db()
    assert closed.state == "completed"
    answer = record(as_technician, cancelled, porch.cracked)
    assert answer.status_code == 422
    assert "This call was canceled" in answer.content.decode()


def test_a_units_findings_come_newest_first(porch: Porch) -> None:
    older, newer = (
        FindingFactory(installed_part=porch.track, mode=porch.binds, found_on=day(ago)) for ago in (9, 2)
    )
    FindingFactory()
    assert list(Finding.objects.for_unit_sheet(porch.unit)) == [newer, older]
