"""Sites, and their ownership from day to day."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from django.urls import reverse

from servicedesk.core.rules.conditions import Check
from servicedesk.core.rules.constraints import BumpsVersion, FoundByScraps, NoOverlap
from servicedesk.core.rules.new_values import LimitedText, refuse_new, twin_fault
from servicedesk.core.values.searching import CODE_SIGNS, bare, upper
from units.querysets import OwnershipQuerySet, SiteQuerySet

from .customers import Customer


class Site(models.Model):
    """Site: one address with one or more units."""

    class CareBy(models.TextChoices):
        """Who does the preventive maintenance here."""

        US = "us", "by us (agreement)"
        CUSTOMER = "customer", "by owner (reminder)"
        NOBODY = "nobody", "none"

    class Coast(models.TextChoices):
        """Distance to salt water."""

        UNKNOWN = "", "not recorded"
        SHORE = "shore", "within 300 ft of salt water"
        NEAR = "near", "300 to 3,000 ft from salt water"
        INLAND = "inland", "inland"

    code = models.CharField(max_length=40, unique=True)
    address = models.CharField(max_length=240, blank=True)
    postcode = models.CharField(max_length=16, blank=True)
    latitude = models.DecimalField(max_digits=9, decimal_places=6, null=True, blank=True)
    longitude = models.DecimalField(max_digits=9, decimal_places=6, null=True, blank=True)
    year_built = models.PositiveSmallIntegerField("year the house was built", null=True, blank=True)
    access_notes = LimitedText(blank=True)
    care_by = models.CharField("maintenance", max_length=10, choices=CareBy, default=CareBy.NOBODY)
    coast = models.CharField("distance to salt water", max_length=8, choices=Coast, blank=True)
    pollen = models.BooleanField(
        "much pollen",
        default=False,
        help_text="Trees or fields close by whose pollen settles in the tracks.",
    )
    batch = models.ForeignKey(
        "core.Batch", on_delete=models.PROTECT, null=True, blank=True, editable=False, related_name="+"
    )

    objects = SiteQuerySet.as_manager()

    class Meta:
        indexes = [models.Index(fields=["postcode", "code"], name="site_by_postcode")]
        constraints = [
            FoundByScraps(
                name="site_by_scraps",
                texts=(
                    upper("code"),
                    upper(bare("code", CODE_SIGNS)),
                    upper("address"),
                    upper("postcode"),
                ),
            ),
            BumpsVersion(name="site_bumps_version"),
            Check(
                condition=Q(latitude__isnull=True) | Q(latitude__gte=-90, latitude__lte=90),
                name="site_latitude_in_range",
                violation_error_message="Latitude runs from -90 to 90 degrees; look for a missing point.",
            ),
            Check(
                condition=Q(longitude__isnull=True) | Q(longitude__gte=-180, longitude__lte=180),
                name="site_longitude_in_range",
                violation_error_message="Longitude runs from -180 to 180 degrees; look for a missing point.",
            ),
            Check(
                condition=Q(latitude__isnull=True, longitude__isnull=True)
                | Q(latitude__isnull=False, longitude__isnull=False),
                name="site_coordinates_in_pairs",
                violation_error_message="Give both latitude and longitude, or neither.",
            ),
            Check(
                condition=Q(year_built__isnull=True) | Q(year_built__gte=1600, year_built__lte=2200),
                name="site_year_built_plausible",
                violation_error_message="Write the year the house was built with four digits, such as 1968.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.code}, {self.address}" if self.address else self.code

    def get_absolute_url(self) -> str:
        """The site's page."""
        return reverse("office:site_sheet", args=[self.pk])

    def clean(self) -> None:
        """Refuse a code that differs from another in capitals or blanks only."""
        refuse_new(self, {"code": twin_fault(self, "code")})

    @property
    def short_address(self) -> str:
        """The street, or the code of a site without one."""
        return self.address or self.code

    @property
    def address_line(self) -> str:
        """Street and postcode, or the code of a site without a street; never its access notes."""
        return ", ".join(filter(None, [self.address, self.postcode])) or self.code


class Ownership(models.Model):
    """A customer who owned a site from one day up to another (or still does)."""

    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="ownerships")
    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="ownerships")
    from_on = models.DateField("owner since")
    until_on = models.DateField("owner until", null=True, blank=True)
    batch = models.ForeignKey(
        "core.Batch", on_delete=models.PROTECT, null=True, blank=True, editable=False, related_name="+"
    )

    objects = OwnershipQuerySet.as_manager()

    class Meta:
        constraints = [
            Check(
                condition=Q(until_on__isnull=True) | Q(until_on__gte=models.F("from_on")),
                name="ownership_dates_in_order",
                violation_error_message="An owner can't leave before the day they came: check the two dates.",
            ),
            NoOverlap(
                name="ownership_one_at_a_time",
                slot=("site_id",),
                start="from_on",
                end="until_on",
                message="This site already has an owner on some of these days: end that ownership first.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.customer} at {self.site}"
