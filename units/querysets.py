"""Querysets and word searches of the register."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import TYPE_CHECKING, Any, Self

from django.db import models
from django.db.models import Exists, F, OuterRef, Prefetch, Q, Subquery
from django.db.models.functions import Coalesce

from servicedesk.core.values.searching import WordSearch, code_has, every_word, phone_has, some

if TYPE_CHECKING:
    from units.models import (  # noqa: F401
        ComponentType,
        Construction,
        Customer,
        FailureMode,
        InstalledPart,
        ObservationPeriod,
        Ownership,
        Site,
        Unit,
    )


def customer_has(word: str, at: str = "") -> Q:
    """Condition of customers with a word in name, telephone number or mail address, by the path ``at``."""
    texts = Q(**{f"{at}name__icontains": word}) | Q(**{f"{at}email__icontains": word})
    return texts | phone_has(word, f"{at}phone")


def customer_sources(word: str) -> dict[str, list[models.QuerySet[Any]]]:
    """Querysets of the keys of customers that match a word."""
    from units.models import Customer

    return {"pk": [Customer.objects.filter(customer_has(word)).values_list("pk", flat=True)]}


def _place_has(word: str) -> Q:
    """Condition of sites with a word in their address, postcode or code."""
    return Q(address__icontains=word) | Q(postcode__icontains=word) | code_has(word, "code")


def _is_owned(word: str, site: str) -> Q:
    """Condition of sites with an owner who matches a word; ``site`` is the field with the site's key."""
    from units.models import Ownership

    return some(Ownership.objects.filter(customer_has(word, "customer__"), site=OuterRef(site)))


def _owned(word: str) -> models.QuerySet[Any]:
    """Keys of sites with an owner who matches a word."""
    from units.models import Customer, Ownership

    owners = Customer.objects.filter(customer_has(word))
    return Ownership.objects.filter(customer__in=owners).values_list("site", flat=True)


def _places(word: str) -> models.QuerySet[Any]:
    """Keys of sites with a word in their address, postcode or code."""
    from units.models import Site

    return Site.objects.filter(_place_has(word)).values_list("pk", flat=True)


def _coded(word: str) -> models.QuerySet[Any]:
    """Keys of sites with a word in the code of one of their units."""
    from units.models import Unit

    return Unit.objects.filter(code_has(word, "code")).values_list("site", flat=True)


def site_sources(word: str) -> dict[str, list[models.QuerySet[Any]]]:
    """Querysets of the keys of sites that match a word, by place, owner or code of a unit."""
    return {"pk": [_places(word), _owned(word), _coded(word)]}


def site_holds(word: str) -> Q:
    """Condition of sites equivalent to `site_sources`."""
    from units.models import Unit

    units = Unit.objects.filter(code_has(word, "code"), site=OuterRef("pk"))
    return _place_has(word) | _is_owned(word, "pk") | some(units)


def unit_sources(word: str) -> dict[str, list[models.QuerySet[Any]]]:
    """Querysets of the keys of units that match a word, by code, place, lot, site or owner."""
    from units.models import InstalledPart, Unit

    units = Unit.objects.filter(code_has(word, "code") | Q(place__icontains=word))
    lots = InstalledPart.objects.filter(lot__icontains=word).exclude(lot="")
    return {
        "pk": [units.values_list("pk", flat=True), lots.values_list("unit", flat=True)],
        "site": [_places(word), _owned(word)],
    }


def unit_holds(word: str) -> Q:
    """Condition of units equivalent to `unit_sources`."""
    from units.models import InstalledPart, Site

    own = code_has(word, "code") | Q(place__icontains=word)
    site = Site.objects.filter(_place_has(word), pk=OuterRef("site"))
    of_lot = InstalledPart.objects.filter(lot__icontains=word, unit=OuterRef("pk"))
    return own | some(site) | _is_owned(word, "site") | some(of_lot)


CUSTOMERS = WordSearch(customer_sources, customer_has)
SITES = WordSearch(site_sources, site_holds)
UNITS = WordSearch(unit_sources, unit_holds)


class CustomerQuerySet(models.QuerySet["Customer"]):
    """Queryset of customers."""

    def matching(self, text: str) -> Self:
        """Customers that match every word of a text in name, phone or mail address."""
        return every_word(self, text, CUSTOMERS) if text else self


class OwnershipQuerySet(models.QuerySet["Ownership"]):
    """Queryset of ownerships."""

    def on(self, day: date) -> Self:
        """Ownerships in force on a day."""
        return self.filter(Q(until_on__isnull=True) | Q(until_on__gt=day), from_on__lte=day)

    def current(self) -> Self:
        """Ownerships that have not ended."""
        return self.filter(until_on__isnull=True)


class SiteQuerySet(models.QuerySet["Site"]):
    """Queryset of sites."""

    def matching(self, text: str) -> Self:
        """Sites that match every word of a text in code, street, postcode, owner or unit code."""
        return every_word(self, text, SITES) if text else self

    def with_owner(self) -> Self:
        """Sites with their present owner as ``owners`` (a list of none or one)."""
        from units.models import Ownership

        now = Ownership.objects.current().select_related("customer")
        return self.prefetch_related(Prefetch("ownerships", queryset=now, to_attr="owners"))

    def with_unit_count(self) -> Self:
        """Sites with the number of their units still in place."""
        from units.models import Unit

        here = Unit.objects.in_place().filter(site=OuterRef("pk")).order_by().values("site")
        number = Subquery(here.annotate(number=models.Count("pk")).values("number"))
        return self.annotate(units_in_place=Coalesce(number, 0))


class ComponentTypeQuerySet(models.QuerySet["ComponentType"]):
    """Queryset of component types."""

    def offered(self) -> Self:
        """Types that forms offer."""
        return self.filter(in_use=True)


class ConstructionQuerySet(models.QuerySet["Construction"]):
    """Queryset of constructions."""

    def offered(self) -> Self:
        """Constructions that forms offer."""
        return self.filter(in_use=True)

    def with_parts(self) -> Self:
        """Constructions with the types they come with."""
        from units.models import ConstructionPart

        parts = ConstructionPart.objects.select_related("component_type").order_by(
            "component_type__kind", "pk"
        )
        return self.prefetch_related(Prefetch("parts", queryset=parts))


class FailureModeQuerySet(models.QuerySet["FailureMode"]):
    """Queryset of failure modes."""

    def offered(self) -> Self:
        """Modes that forms offer."""
        return self.filter(in_use=True)

    def of_kinds(self, kinds: list[str]) -> Self:
        """Modes that parts of these kinds can have, and those of the unit as a whole."""
        return self.filter(kind__in=[*kinds, "unit"])


class UnitQuerySet(models.QuerySet["Unit"]):
    """Queryset of units."""

    def in_place(self) -> Self:
        """Units still in their openings."""
        return self.filter(removed_on__isnull=True)

    def in_place_on(self, day: date) -> Self:
        """Units that were in their openings on a day; the day one was removed no longer counts."""
        return self.filter(Q(removed_on__isnull=True) | Q(removed_on__gt=day), installed_on__lte=day)

    def removed(self) -> Self:
        """Units that were taken out."""
        return self.filter(removed_on__isnull=False)

    def matching(self, text: str) -> Self:
        """Units that match every word of a text in code, place, customer, address or lot."""
        return every_word(self, text, UNITS) if text else self

    def for_search(self, cleaned_data: Mapping[str, Any]) -> Self:
        """Units that match a search form: a text, a construction, a part in place, a state."""
        units = self.matching((cleaned_data.get("q") or "").strip())
        if cleaned_data.get("construction"):
            units = units.filter(construction=cleaned_data["construction"])
        if cleaned_data.get("part"):
            units = units.with_type_in_place(cleaned_data["part"].pk)
        state = cleaned_data.get("state")
        return units if state == "all" else units.removed() if state == "removed" else units.in_place()

    def with_type_in_place(self, component_type_id: int) -> Self:
        """Units with a part of this type in place."""
        from units.models import InstalledPart

        installed_parts = InstalledPart.objects.in_place().filter(
            unit=OuterRef("pk"), component_type_id=component_type_id
        )
        return self.filter(Exists(installed_parts))

    def for_list(self) -> Self:
        """Units with what the list shows of each."""
        from units.models import Ownership

        now = Ownership.objects.current().select_related("customer")
        return self.select_related("site", "construction").prefetch_related(
            Prefetch("site__ownerships", queryset=now, to_attr="owners")
        )

    def for_stop(self) -> Self:
        """Units with what a technician has to know before ringing the bell: parts and failure modes."""
        return self.select_related("construction", "site").prefetch_related(
            "installed_parts__component_type", "construction__expected_modes"
        )

    def for_sheet(self) -> Self:
        """Units with all that the register has about each."""
        from units.models import InstalledPart, Ownership

        owners = Ownership.objects.select_related("customer").order_by("-from_on")
        parts = InstalledPart.objects.for_sheet()
        return self.select_related("site", "construction").prefetch_related(
            Prefetch("site__ownerships", queryset=owners),
            Prefetch("installed_parts", queryset=parts),
            "periods",
        )

    def at_the_porch(self) -> Self:
        """Units with what one needs there: parts, and what is expected to fail on their construction."""
        from units.models import InstalledPart

        parts = InstalledPart.objects.select_related("component_type").order_by("kind", "panel", "fitted_on")
        return self.select_related("site", "construction").prefetch_related(
            Prefetch("installed_parts", queryset=parts), "construction__expected_modes"
        )


class InstalledPartQuerySet(models.QuerySet["InstalledPart"]):
    """Queryset of installed parts."""

    def in_place(self) -> Self:
        """Parts that have not been taken out."""
        return self.filter(removed_on__isnull=True)

    def on(self, day: date) -> Self:
        """Parts that were in place on a day, counting the day they went out."""
        return self.filter(Q(removed_on__isnull=True) | Q(removed_on__gte=day), fitted_on__lte=day)

    def in_slot(self, kind: str, panel: int) -> Self:
        """Parts of one kind in one panel, or in the whole unit."""
        return self.filter(kind=kind, panel=panel)

    def for_sheet(self) -> Self:
        """Parts with their types and partial removals, those in place first."""
        return (
            self.select_related("component_type")
            .prefetch_related("partial_removals")
            .order_by(F("removed_on").desc(nulls_first=True), "kind", "panel", "fitted_on")
        )


class ObservationPeriodQuerySet(models.QuerySet["ObservationPeriod"]):
    """Queryset of follow-up periods."""

    def on(self, day: date) -> Self:
        """Periods that include a day."""
        return self.filter(Q(until_on__isnull=True) | Q(until_on__gte=day), from_on__lte=day)
