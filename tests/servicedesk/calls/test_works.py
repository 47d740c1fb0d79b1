"""Recording work: a piece is work only, a whole set changes the register, care counts as care."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from schedules.models import MaintenanceTask, NextDue
from servicedesk.accounts.models import User
from servicedesk.calls.models import Call, Finding, Work
from servicedesk.core.models import Change
from tests.factories import (
    ComponentTypeFactory,
    ConstructionFactory,
    FindingFactory,
    InstalledPartFactory,
    MaintenanceRuleFactory,
    NextDueFactory,
    TaskFactory,
    UnitFactory,
    VisitFactory,
)
from tests.servicedesk.calls.conftest import Porch, day, typed
from units.models import InstalledPart, Unit


def done(kind: str, **fields: object) -> dict[str, object]:
    """What is typed for a piece of work."""
    return typed(kind=kind, **{"done_on": day(0).isoformat(), "payer": "undecided", **fields})


def record(client: Client, call: Call, kind: str, **fields: object) -> Any:
    """Send the form of work on a call."""
    return client.post(reverse("calls:add_work", args=[call.pk]), done(kind, **fields))


def test_work_is_stored_with_what_it_took_and_who_pays(
    as_technician: Client, call: Call, porch: Porch, technician: User
) -> None:
    finding = FindingFactory(installed_part=porch.track, mode=porch.binds, call=call)
    answer = record(
        as_technician,
        call,
        "adjusted",
        installed_part=porch.track.pk,
        finding=finding.pk,
        minutes=25,
        payer="warranty",
        note="re-shimmed",
    )
    assert answer["Location"] == call.get_absolute_url()
    work = Work.objects.get()
    assert (work.unit, work.installed_part, work.finding) == (porch.unit, porch.track, finding)
    assert (work.kind, work.minutes, work.pieces, work.payer) == ("adjusted", 25, 0, "warranty")
    assert (work.call, work.task, work.done_by) == (call, call.task, technician)
    assert (work.done_on, work.whole_set, work.note) == (day(0), False, "re-shimmed")
    call.refresh_from_db()
    assert call.state == "in-process"
    assert "adjusted: bare aluminum track" in Change.objects.about(porch.unit).for_page()[0].action
    assert "re-shimmed" in as_technician.get(call.get_absolute_url()).content.decode()


def test_a_finding_leads_to_its_work_with_its_part_filled_in(
    as_technician: Client, call: Call, porch: Porch
) -> None:
    finding = FindingFactory(installed_part=porch.corner, mode=porch.cracked, call=call, panel=2)
    page = as_technician.get(reverse("calls:add_work", args=[call.pk]), {"finding": finding.pk})
    form = page.context["form"]
    values = {name: form[name].value() for name in ("finding", "installed_part", "panel", "done_on")}
    assert values == {"finding": finding.pk, "installed_part": porch.corner.pk, "panel": 2, "done_on": day(0)}


def test_work_answers_a_danger(as_technician: Client, call: Call, porch: Porch) -> None:
    danger = FindingFactory(
        installed_part=porch.track, mode=porch.binds, call=call, severity="danger", made_safe_how="taken down"
    )
    assert list(Finding.objects.standing_dangers()) == [danger]
    record(as_technician, call, "repaired", finding=danger.pk)
    assert list(Finding.objects.standing_dangers()) == []
    assert "safe for now" not in as_technician.get(call.get_absolute_url()).content.decode()


def test_work_sent_twice_is_done_once(as_technician: Client, call: Call, porch: Porch) -> None:
    sent = done(
        "replaced",
        installed_part=porch.track.pk,
        extent="set",
        component_type=ComponentTypeFactory(kind="track").pk,
    )
    address = reverse("calls:add_work", args=[call.pk])
    first, second = (as_technician.post(address, sent) for _ in range(2))
    assert first["Location"] == second["Location"]
    assert Work.objects.count() == 1
    assert porch.unit.installed_parts.in_slot("track", InstalledPart.WHOLE).count() == 2


class TestReplacing:
    """A piece replaced leaves the part running; a set replaced ends it."""

    def test_a_piece_is_work_only(self, as_technician: Client, call: Call, porch: Porch) -> None:
        record(as_technician, call, "replaced", installed_part=porch.corner.pk, extent="pieces", pieces=2)
        work = Work.objects.get()
        assert (work.pieces, work.whole_set) == (2, False)
        assert list(porch.unit.installed_parts.in_slot("corner", 0)) == [porch.corner]
        porch.corner.refresh_from_db()
        assert (porch.corner.removed_on, porch.corner.pieces_left) == (None, 16)

    def test_a_whole_set_ends_the_part_and_opens_another(
        self, as_technician: Client, call: Call, porch: Porch
    ) -> None:
        nylon = ComponentTypeFactory(kind="track", name="rigid nylon liner")
        record(
            as_technician,
            call,
            "replaced",
            installed_part=porch.track.pk,
            extent="set",
            component_type=nylon.pk,
            lot="L-9",
            done_on=day(2).isoformat(),
        )
        porch.track.refresh_from_db()
        assert porch.track.removed_on == day(2)
        new = porch.unit.installed_parts.in_place().get(kind="track")
        assert (new.component_type, new.lot, new.fitted_on, new.pieces) == (nylon, "L-9", day(2), 1)
        work = Work.objects.get()
        assert (work.installed_part, work.whole_set, work.pieces) == (porch.track, True, 1)

    def test_one_panels_share_splits_the_part(self, as_technician: Client, call: Call, porch: Porch) -> None:
        metal = ComponentTypeFactory(kind="corner", name="metal corner key")
        record(
            as_technician,
            call,
            "replaced",
            installed_part=porch.corner.pk,
            extent="share",
            component_type=metal.pk,
            panel=2,
        )
        corner = InstalledPart.objects.get(pk=porch.corner.pk)
        assert (corner.removed_on, corner.pieces_left) == (None, 12)
        new = porch.unit.installed_parts.in_place().get(kind="corner", panel=2)
        assert (new.component_type, new.pieces) == (metal, 4)
        work = Work.objects.get()
        assert (work.pieces, work.whole_set) == (4, False)

    @pytest.mark.parametrize(
        ("fields", "sentence"),
        [
            ({"extent": "pieces"}, "Say how many pieces were replaced."),
            ({"extent": "set", "installed_part": ""}, "Say which part was replaced."),
            ({"extent": "set", "component_type": ""}, "Say what was put in"),
            ({"extent": "share", "panel": ""}, "Say which panel’s pieces were replaced."),
            ({"extent": "share", "component_type": "", "panel": "2"}, "Say what was put in"),
            ({"extent": "set", "done_on": "2019-01-01"}, "was not in place on that day"),
            ({"extent": "set", "done_on": "2031-01-01"}, "That day is still to come"),
        ],
    )
    def test_what_is_missing_or_can_not_be_is_said(
        self, as_technician: Client, call: Call, porch: Porch, fields: dict[str, str], sentence: str
    ) -> None:
        metal = ComponentTypeFactory(kind="corner")
        sent: dict[str, object] = {"installed_part": porch.corner.pk, "component_type": metal.pk, **fields}
        answer = record(as_technician, call, "replaced", **sent)
        assert answer.status_code == 422
        assert sentence in answer.content.decode()
        assert not Work.objects.exists()
        assert porch.unit.installed_parts.in_place().count() == 2

    def test_another_kind_can_not_take_its_place(
        self, as_technician: Client, call: Call, porch: Porch
    ) -> None:
        keys = porch.corner.component_type_id
        sent = {"installed_part": porch.track.pk, "extent": "set", "component_type": keys}
        answer = record(as_technician, call, "replaced", **sent)
        assert answer.status_code == 422
        assert "take the place of a track or liner" in answer.content.decode()

    def test_a_part_taken_out_earlier_is_not_replaced_again(
        self, as_technician: Client, call: Call, porch: Porch
    ) -> None:
        gone = InstalledPartFactory(
            unit=porch.unit, component_type__kind="film", removed_on=day(10), fitted_on=date(2021, 1, 1)
        )
        film = ComponentTypeFactory(kind="film").pk
        sent = {"installed_part": gone.pk, "extent": "set", "component_type": film}
        late = record(as_technician, call, "replaced", **sent)
        assert "The part was not in place on that day" in late.content.decode()
        that_day = record(as_technician, call, "replaced", **sent, done_on=day(10).isoformat())
        assert "was removed on" in that_day.content.decode()

    def test_pieces_that_do_not_divide_must_be_counted(
        self, as_technician: Client, call: Call, porch: Porch
    ) -> None:
        InstalledPart.objects.filter(pk=porch.corner.pk).update(pieces=15)
        metal = ComponentTypeFactory(kind="corner").pk
        sent = {"installed_part": porch.corner.pk, "extent": "share", "component_type": metal, "panel": 2}
        answer = record(as_technician, call, "replaced", **sent)
        assert "do not divide evenly" in answer.content.decode()
        assert record(as_technician, call, "replaced", **sent, pieces=3).status_code == 302
        assert InstalledPart.objects.get(pk=porch.corner.pk).pieces_left == 12

    def test_fields_of_a_replacement_do_not_matter_elsewhere(
        self, as_technician: Client, call: Call, porch: Porch
    ) -> None:
        metal = ComponentTypeFactory(kind="corner").pk
        sent = {"installed_part": porch.corner.pk, "extent": "set", "component_type": metal}
        assert record(as_technician, call, "cleaned", **sent).status_code == 302
        assert porch.unit.installed_parts.in_place().count() == 2
        assert not Work.objects.get().whole_set


class TestMaintenanceThatWorkCountsAs:
    """Lubricating on a call satisfies the rule that asks for it."""

    @pytest.fixture
    def due(self, porch: Porch) -> NextDue:
        rule = MaintenanceRuleFactory(component_type=porch.track.component_type, work="lubricated")
        return NextDueFactory(
            installed_part=porch.track, rule=rule, counted_from=day(385), next_due_on=day(20)
        )

    @pytest.mark.parametrize("on_the_part", [True, False])
    def test_lubricating_moves_the_next_date_and_ends_the_open_task(
        self, as_technician: Client, call: Call, porch: Porch, due: NextDue, on_the_part: bool
    ) -> None:
        task = TaskFactory(
            unit=porch.unit, next_due=due, installed_part=porch.track, work="lubricated", due_on=day(20)
        )
        installed_part = porch.track.pk if on_the_part else ""
        answer = as_technician.post(
            reverse("calls:add_work", args=[call.pk]),
            done("lubricated", installed_part=installed_part),
            follow=True,
        )
        assert "It counts as the maintenance that was due." in answer.content.decode()
        due.refresh_from_db()
        task.refresh_from_db()
        assert due.last_done_on == day(0)
        assert due.next_due_on > day(0) + timedelta(days=360)
        assert task.state == "completed"
        assert call.task is not None
        assert MaintenanceTask.objects.get(pk=call.task_id).is_open  # the repair itself goes on

    def test_other_work_or_another_part_does_not(
        self, as_technician: Client, call: Call, porch: Porch, due: NextDue
    ) -> None:
        record(as_technician, call, "cleaned", installed_part=porch.track.pk)
        record(as_technician, call, "lubricated", installed_part=porch.corner.pk)
        due.refresh_from_db()
        assert (due.last_done_on, due.next_due_on) == (None, day(20))


class TestSiliconeOnLiners:
    """Liners are not oiled unless their maker says so (common practice, no source)."""

    @pytest.fixture
    def lined(self, porch: Porch) -> Unit:
        unit = UnitFactory(site=porch.site, construction=ConstructionFactory(panel_order="equal"))
        InstalledPartFactory(unit=unit, component_type=ComponentTypeFactory(name="flexible plastic liner"))
        return unit

    def lubricate(self, client: Client, unit: Unit, **fields: object) -> Any:
        return client.post(reverse("calls:add_unit_work", args=[unit.pk]), done("lubricated", **fields))

    def test_the_makers_word_is_asked_for(self, as_technician: Client, lined: Unit) -> None:
        page = as_technician.get(reverse("calls:add_unit_work", args=[lined.pk])).content.decode()
        assert "No silicone on liners" in page
        answer = self.lubricate(as_technician, lined)
        assert answer.status_code == 422
        assert "silicone only if the maker of the liner says so" in answer.content.decode()
        assert not Work.objects.exists()
        assert self.lubricate(as_technician, lined, maker_allows="on").status_code == 302
        assert Work.objects.get().kind == "lubricated"

    def test_wiping_a_liner_needs_no_word(self, as_technician: Client, lined: Unit) -> None:
        answer = as_technician.post(reverse("calls:add_unit_work", args=[lined.pk]), done("cleaned"))
        assert answer.status_code == 302

    def test_a_bare_metal_track_is_lubricated_without_asking(
        self, as_technician: Client, porch: Porch
    ) -> None:
        page = as_technician.get(reverse("calls:add_unit_work", args=[porch.unit.pk])).content.decode()
        assert "No silicone on liners" not in page
        assert self.lubricate(as_technician, porch.unit).status_code == 302

    def test_a_liner_put_into_a_stepped_frame_is_a_liner(self, as_technician: Client, porch: Porch) -> None:
        porch.track.removed_on = day(30)
        porch.track.save()
        liner = ComponentTypeFactory(name="rigid nylon liner")
        InstalledPartFactory(unit=porch.unit, component_type=liner, fitted_on=day(30))
        assert self.lubricate(as_technician, porch.unit).status_code == 422

    def test_a_lubricating_rule_of_the_company_is_the_word(self, as_technician: Client, lined: Unit) -> None:
        part = lined.installed_parts.get()
        MaintenanceRuleFactory(component_type=part.component_type, work="lubricated")
        assert self.lubricate(as_technician, lined, installed_part=part.pk).status_code == 302


def test_work_of_a_care_visit_goes_back_to_the_visit_with_its_task(
    as_technician: Client, porch: Porch
) -> None:
    visit, task = VisitFactory(site=porch.site), TaskFactory(unit=porch.unit)
    address = reverse("calls:add_unit_work", args=[porch.unit.pk])
    answer = as_technician.post(f"{address}?visit={visit.pk}&task={task.pk}", done("cleaned", minutes=5))
    assert answer["Location"] == reverse("schedules:visit", args=[visit.pk])
    work = Work.objects.get()
    assert (work.call, work.task) == (None, task)
    elsewhere = TaskFactory()
    assert as_technician.get(f"{address}?task={elsewhere.pk}").status_code == 404


def test_without_a_unit_the_page_asks_at_which_window(
    as_technician: Client, log: Callable[..., Call], porch: Porch
) -> None:
    page = as_technician.get(reverse("calls:add_work", args=[log(unit=None).pk])).content.decode()
    assert "Choose the window you worked on." in page
    assert f'href="?unit={porch.unit.pk}"' in page


def test_parts_and_findings_of_other_units_are_not_offered(
    as_technician: Client, call: Call, porch: Porch
) -> None:
    other = FindingFactory()
    for fields in ({"installed_part": other.installed_part_id}, {"finding": other.pk}):
        assert record(as_technician, call, "checked", **fields).status_code == 422
    assert not Work.objects.exists()


@pytest.mark.parametrize("minutes", ["-1", "1441", "many"])
def test_minutes_fit_into_a_day(as_technician: Client, call: Call, minutes: str) -> None:
    assert record(as_technician, call, "checked", minutes=minutes).status_code == 422
    assert record(as_technician, call, "checked", minutes="1440").status_code == 302


def test_a_cancelled_call_takes_no_work(as_technician: Client, call: Call) -> None:
    as_technician.post(reverse("calls:cancel", args=[call.pk]), {"why": "withdrawn"})
    answer = record(as_technician, call, "checked")
    assert answer.status_code == 422
    assert "This call was canceled" in answer.content.decode()


def test_a_units_works_come_newest_first(porch: Porch) -> None:
    older, newer = (Work.objects.create(unit=porch.unit, kind="checked", done_on=day(ago)) for ago in (9, 2))
    assert list(Work.objects.for_unit_sheet(porch.unit)) == [newer, older]
    assert timezone.localdate() == day(0)
