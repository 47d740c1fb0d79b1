"""The register through its pages: adding, changing, finding, and what is refused."""

from __future__ import annotations

import uuid
from datetime import date, timedelta
from decimal import Decimal

import pytest
from django.test import Client
from django.utils import timezone

from servicedesk.core.models import Change
from tests.factories import (
    ComponentTypeFactory,
    ConstructionFactory,
    ConstructionPartFactory,
    CustomerFactory,
    InstalledPartFactory,
    ObservationPeriodFactory,
    OwnershipFactory,
    SiteFactory,
    UnitFactory,
)
from units.models import (
    ComponentType,
    Construction,
    Customer,
    FailureMode,
    InstalledPart,
    ObservationPeriod,
    Site,
    Unit,
)

pytestmark = pytest.mark.django_db


def key() -> str:
    return str(uuid.uuid4())


def words(answer: object) -> str:
    """The page as text."""
    return answer.content.decode()  # type: ignore[attr-defined, no-any-return]


def test_from_a_customer_to_a_unit_on_its_sheet(as_scheduler: Client) -> None:
    answer = as_scheduler.post(
        "/customers/add/", {"idempotency_key": key(), "name": "Ida Probe"}, follow=True
    )
    customer = Customer.objects.get()
    assert "Ida Probe" in words(answer)
    answer = as_scheduler.post(
        "/sites/add/",
        {
            "idempotency_key": key(),
            "code": "S-1",
            "address": "3 Heron Way",
            "care_by": "us",
            "customer": customer.pk,
            "owned_from": "2020-01-01",
        },
        follow=True,
    )
    site = Site.objects.get()
    assert "No units here yet" in words(answer)
    built = ConstructionFactory()
    ConstructionPartFactory(
        construction=built,
        component_type=ComponentTypeFactory(kind="corner", name="test key"),
        pieces=4,
        each_panel=True,
    )
    answer = as_scheduler.post(
        f"/sites/{site.pk}/add-unit/",
        {
            "idempotency_key": key(),
            "code": "U-1",
            "construction": built.pk,
            "panels": 4,
            "width_mm": "35 7/8",
            "height_mm": "5' 6\"",
            "installed_on": "2021-05-03",
            "observed_from": "2021-05-03",
            "age_known": "on",
        },
        follow=True,
    )
    unit = Unit.objects.get()
    assert (unit.width_mm, unit.height_mm) == (Decimal("911.225"), Decimal("1676.4"))
    page = words(answer)
    assert "35 7/8 in wide, 66 in high" in page
    assert "test key" in page
    assert page.count("<svg") >= 2
    period = unit.periods.get()
    assert (period.from_on.isoformat(), period.began) == ("2021-05-03", "fitted")


@pytest.mark.parametrize(
    ("typed", "reason"),
    [("35 7/0", "7/0"), ("wide", "wide"), ("-3", "-3"), ("1 9/8", "9/8"), ("12000 mm", "12000")],
)
def test_a_length_that_makes_no_sense_is_refused_and_nothing_typed_is_lost(
    as_scheduler: Client, typed: str, reason: str
) -> None:
    site = SiteFactory()
    answer = as_scheduler.post(
        f"/sites/{site.pk}/add-unit/",
        {"idempotency_key": key(), "code": "U-1", "width_mm": typed, "installed_on": "2021-05-03"},
    )
    assert answer.status_code == 422
    page = words(answer)
    assert "Not saved yet" in page
    assert reason in page
    assert 'value="U-1"' in page
    assert not Unit.objects.exists()


def test_since_when_failures_are_heard_of_is_asked_of_a_unit_that_stood_long(as_scheduler: Client) -> None:
    site, today = SiteFactory.create(), timezone.localdate()
    stood_since = today - timedelta(days=31)
    long_ago, lately = stood_since.isoformat(), (today - timedelta(days=30)).isoformat()
    entries = {"idempotency_key": key(), "code": "W-1", "installed_on": long_ago}
    answer = as_scheduler.post(f"/sites/{site.pk}/add-unit/", entries)
    assert answer.status_code == 422
    page = words(answer)
    assert f"Say since when it is under our service: since {stood_since:%B %-d, %Y} if we" in page
    as_scheduler.post(f"/sites/{site.pk}/add-unit/", entries | {"observed_from": lately})
    entries |= {"idempotency_key": key(), "code": "W-2", "installed_on": lately}
    as_scheduler.post(f"/sites/{site.pk}/add-unit/", entries)
    began = ObservationPeriod.objects.order_by("unit__code").values_list("from_on", "began")
    day = date.fromisoformat(lately)
    assert list(began) == [(day, "taken_over"), (day, "fitted")]


def test_panels_left_uncounted_follow_the_height(as_scheduler: Client) -> None:
    site = SiteFactory()
    for code, height in (("low", "59 15/16"), ("tall", "60")):
        as_scheduler.post(
            f"/sites/{site.pk}/add-unit/",
            {
                "idempotency_key": key(),
                "code": code,
                "height_mm": height,
                "installed_on": "2021-05-03",
                "observed_from": "2021-05-03",
            },
        )
    # common practice, no source: under 60 in of height three panels, from 60 in on four
    assert {unit.code: unit.panels for unit in Unit.objects.all()} == {"low": 3, "tall": 4}


def test_a_code_taken_is_told_beside_its_field(as_scheduler: Client) -> None:
    unit = UnitFactory()
    answer = as_scheduler.post(
        f"/sites/{unit.site_id}/add-unit/",
        {"idempotency_key": key(), "code": unit.code, "installed_on": "2021-05-03"},
    )
    assert answer.status_code == 422
    assert "already exists" in words(answer)


def test_a_changed_unit_says_what_changed(as_scheduler: Client) -> None:
    unit = UnitFactory(place="left")
    answer = as_scheduler.post(
        f"/units/{unit.pk}/change/",
        {"code": unit.code, "place": "right", "installed_on": unit.installed_on},
        follow=True,
    )
    assert "right" in words(answer)
    change = Change.objects.about(unit).get()
    assert [(field.field, field.before, field.after) for field in change.fields.all()] == [
        ("where on the porch", "left", "right")
    ]


def test_replacing_one_panel_and_removing_through_the_pages(as_scheduler: Client) -> None:
    unit = UnitFactory(panels=4)
    keys = InstalledPartFactory(unit=unit, component_type__kind="corner", pieces=16)
    metal = ComponentTypeFactory(kind="corner", name="metal key")
    entries = {"idempotency_key": key(), "panel": 2, "component_type": metal.pk, "on": "2024-01-05"}
    page = words(as_scheduler.post(f"/parts/{keys.pk}/one-panel/", entries, follow=True))
    assert "Replaced. The other pieces stay" in page
    assert "metal key" in page
    assert as_scheduler.post(f"/parts/{keys.pk}/one-panel/", entries).status_code == 302
    assert InstalledPart.objects.filter(component_type=metal).count() == 1
    as_scheduler.post(
        f"/parts/{keys.pk}/replace/",
        {"idempotency_key": key(), "component_type": metal.pk, "on": "2024-02-05", "pieces": 12},
    )
    assert InstalledPart.objects.in_place().filter(component_type=metal).count() == 2
    one = InstalledPart.objects.in_place().get(panel=2)
    assert as_scheduler.post(f"/parts/{one.pk}/take-out/", {"on": "2024-01-01"}).status_code == 422
    as_scheduler.post(f"/parts/{one.pk}/take-out/", {"on": "2024-03-01"})
    page = words(as_scheduler.post(f"/units/{unit.pk}/remove/", {"on": "2024-04-01"}, follow=True))
    assert "removed April 1, 2024" in page
    assert not InstalledPart.objects.in_place().exists()


def test_a_part_fitted_into_a_taken_slot_is_refused_with_the_way_out(as_scheduler: Client) -> None:
    part = InstalledPartFactory()
    answer = as_scheduler.post(
        f"/units/{part.unit_id}/fit/",
        {
            "idempotency_key": key(),
            "component_type": part.component_type_id,
            "panel": 0,
            "pieces": 1,
            "on": "2024-01-05",
        },
    )
    assert answer.status_code == 422
    assert "end that part on the day the new one goes in" in words(answer)


def test_a_part_fitted_into_an_empty_slot(as_scheduler: Client) -> None:
    unit = UnitFactory(panels=3)
    part = ComponentTypeFactory(kind="lite", name="tempered test lite")
    answer = as_scheduler.post(
        f"/units/{unit.pk}/fit/",
        {"idempotency_key": key(), "component_type": part.pk, "panel": 0, "pieces": 1, "on": "2024-01-05"},
        follow=True,
    )
    assert "tempered test lite" in words(answer)


def test_stop_and_begin_watching(as_scheduler: Client) -> None:
    period = ObservationPeriodFactory()
    unit = period.unit
    answer = as_scheduler.post(f"/periods/{period.pk}/stop/", {"until_on": "2022-01-01", "ended": "lapsed"})
    assert answer.status_code == 302
    answer = as_scheduler.post(f"/units/{unit.pk}/watch/", {"from_on": "2021-01-01", "began": "agreed"})
    assert "under our service on some of these days already" in words(answer)
    as_scheduler.post(f"/units/{unit.pk}/watch/", {"from_on": "2023-01-01", "began": "agreed"})
    assert ObservationPeriod.objects.filter(unit=unit).count() == 2


def test_a_house_is_sold(as_scheduler: Client) -> None:
    ownership = OwnershipFactory()
    buyer = CustomerFactory(name="New Owner")
    page = words(
        as_scheduler.post(
            f"/sites/{ownership.site_id}/owner/", {"customer": buyer.pk, "on": "2024-05-01"}, follow=True
        )
    )
    assert "New Owner" in page
    ownership.refresh_from_db()
    assert ownership.until_on is not None
    assert ownership.until_on.isoformat() == "2024-05-01"


@pytest.mark.parametrize("scrap", ["U-77", "heron", "probe", "lot-9"])
def test_units_are_found_by_any_scrap(as_technician: Client, scrap: str) -> None:
    site = SiteFactory(address="3 Heron Way")
    OwnershipFactory(site=site, customer__name="Ida Probe")
    InstalledPartFactory(unit__site=site, unit__code="U-77", lot="LOT-9")
    UnitFactory(code="other")
    page = words(as_technician.get("/units/", {"q": scrap}))
    assert "U-77" in page
    assert "other" not in page


def test_units_are_filtered_by_construction_part_and_state(as_technician: Client) -> None:
    part = InstalledPartFactory(unit__code="has-part", unit__construction=ConstructionFactory())
    UnitFactory(code="gone", removed_on="2022-01-01")
    UnitFactory(code="plain")

    def found(**query: object) -> set[str]:
        page = words(as_technician.get("/units/", query))
        return {code for code in ("has-part", "gone", "plain") if code in page}

    assert found() == {"has-part", "plain"}
    assert found(state="removed") == {"gone"}
    assert found(state="all") == {"has-part", "gone", "plain"}
    assert found(part=part.component_type_id) == {"has-part"}
    assert found(construction=part.unit.construction_id) == {"has-part"}
    assert "No units match" in words(as_technician.get("/units/", {"q": "nothing-like-it"}))


def test_sites_and_customers_are_found(as_scheduler: Client) -> None:
    OwnershipFactory(customer__name="Ida Probe", customer__phone="555-0100", site__address="3 Heron Way")
    SiteFactory(address="9 Other Lane")
    for scrap in ("ida", "555-01", "(555) 0100", "5550100", "heron"):
        page = words(as_scheduler.get("/sites/", {"q": scrap}))
        assert "3 Heron Way" in page
        assert "9 Other Lane" not in page
    assert "Ida Probe" in words(as_scheduler.get("/customers/", {"q": "prob"}))
    assert "No customers match" in words(as_scheduler.get("/customers/", {"q": "zzz"}))


@pytest.mark.parametrize("address", ["/units/", "/sites/", "/customers/"])
def test_lists_ask_as_often_for_thirty_rows_as_for_three(
    as_scheduler: Client, django_assert_max_num_queries: object, address: str
) -> None:
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    def asked(rows: int) -> int:
        for _ in range(rows):
            InstalledPartFactory(unit__site=OwnershipFactory().site)
        with CaptureQueriesContext(
            connection,
        ) as queries:
            assert as_scheduler.get(address).status_code == 200
        return len(queries)

    few = asked(3)
    assert asked(27) == few <= 12


def test_an_owner_extends_the_reference_data(as_owner: Client) -> None:
    as_owner.post(
        "/parts-and-rules/types/add/", {"name": "steel clad track", "kind": "track", "in_use": "on"}
    )
    made = ComponentType.objects.get(name="steel clad track")
    as_owner.post(
        "/parts-and-rules/constructions/add/",
        {"name": "clad", "code": "4", "panel_order": "equal", "step_mm": "", "in_use": "on"},
    )
    built = Construction.objects.get(code="4")
    answer = as_owner.post(
        f"/parts-and-rules/constructions/{built.pk}/",
        {
            "name": "clad",
            "code": "4",
            "panel_order": "equal",
            "inside_edge_mm": "1",
            "in_use": "on",
            "parts-TOTAL_FORMS": 1,
            "parts-INITIAL_FORMS": 0,
            "parts-0-component_type": made.pk,
            "parts-0-pieces": 2,
        },
    )
    assert answer.status_code == 302
    built.refresh_from_db()
    assert built.inside_edge_mm == Decimal("25.4")
    assert built.parts.get().component_type == made
    as_owner.post(
        "/parts-and-rules/modes/add/",
        {
            "code": "TRK-90",
            "kind": "track",
            "name": "cladding lifts",
            "skill": 2,
            "persons": 1,
            "minutes": 30,
            "expected_on": [built.pk],
            "in_use": "on",
        },
    )
    mode = FailureMode.objects.get(code="TRK-90")
    assert list(mode.expected_on.all()) == [built]
    for what in ("types", "constructions", "modes"):
        assert as_owner.get(f"/parts-and-rules/{what}/").status_code == 200
    assert as_owner.get("/parts-and-rules/nonsense/").status_code == 404
    assert "parts changed" in words(as_owner.get(f"/parts-and-rules/constructions/{built.pk}/"))


def test_a_day_that_is_none_is_named_and_how_to_write_one_is_said(as_scheduler: Client) -> None:
    site = SiteFactory()
    data = {"idempotency_key": key(), "code": "Q-1", "site": site.pk, "installed_on": "31.2.2026"}
    answer = as_scheduler.post(f"/sites/{site.pk}/add-unit/", data)
    assert "“31.2.2026” is no day: write it as year, month and day, such as 2026-03-31." in words(answer)
    assert not Unit.objects.exists()


def test_a_form_sent_again_is_led_to_its_record_though_the_code_is_taken_by_it(as_scheduler: Client) -> None:
    entries = {"idempotency_key": key(), "code": "S-77", "address": "1 Testing Lane", "care_by": "nobody"}
    first, again = (as_scheduler.post("/sites/add/", entries) for _ in range(2))
    assert (first.status_code, again.status_code) == (302, 302)
    assert first["Location"] == again["Location"]
    assert as_scheduler.post("/sites/add/", entries | {"idempotency_key": key()}).status_code == 422
