"""Assumed start of follow-up for units whose rows do not give it."""

from __future__ import annotations

from datetime import date, timedelta
from functools import cached_property

from django.db.models import Count, F, Min
from django.db.models.fields.json import KT
from django.utils import timezone

from servicedesk.core.models import Batch
from servicedesk.core.values.dates import long_date
from servicedesk.core.values.words import count, counted
from servicedesk.imports.files.periods_file import Span
from servicedesk.imports.files.units_file import Facts
from servicedesk.imports.models import InputFile, StagedRow
from servicedesk.imports.querysets import StagedRowQuerySet
from units.models import ObservationPeriod

NEW = timedelta(days=30)
"""A unit installed within this time before the import counts from its installation, without a question."""

MISSING = 7.0
"""Expected rows missing before the oldest one beyond which that is no chance: e**-7 is below 1 in 1,000."""


class UnsaidStarts:
    """Assumed start of follow-up of units whose rows leave ``observed_from`` empty (left truncation).

    It is the day they were installed, as if we had installed them. But where the file has units from long
    before its oldest row of history, so many that at the rate of later years `MISSING` rows are missing, no
    records were kept then: such units count from the day of the oldest row.
    """

    def __init__(self, batch: Batch) -> None:
        self.batch = batch
        self.asked_up_to = (timezone.localdate(batch.started_at) - NEW).isoformat()

    def are_unsaid(self, facts: Facts) -> bool:
        """Whether a row of UNITS should give the start of follow-up, and does not."""
        return "observed_from" not in facts and facts["installed_on"] < self.asked_up_to

    def span(self, facts: Facts) -> Span:
        """Observation period of a row without a given start."""
        until = facts.get("observed_until", "")
        begins = max(facts["installed_on"], self.records_from)
        ends = [end for end in (until, facts.get("removed_on")) if end]
        return Span(begins if all(begins < end for end in ends) else facts["installed_on"], until)

    @cached_property
    def records_from(self) -> str:
        """First day of the records, in ISO form; "" where they may be complete from the beginning."""
        history = self._good(InputFile.HISTORY).aggregate(oldest=Min(KT("facts__on")), rows=Count("pk"))
        if not history["rows"]:
            return ""
        oldest = date.fromisoformat(history["oldest"])
        today = timezone.localdate(self.batch.started_at)
        before = since = 0
        for text, units in self.rows().values_list(KT("facts__installed_on")).annotate(units=Count("pk")):
            installed = date.fromisoformat(text)
            before += units * max((oldest - installed).days, 0)
            since += units * (today - max(installed, oldest)).days
        return oldest.isoformat() if before * history["rows"] > MISSING * since else ""

    def rows(self) -> StagedRowQuerySet:
        """Rows of UNITS that should give the start of follow-up."""
        periods = self._good(InputFile.PERIODS).values("key")
        rows = self._good(InputFile.UNITS).exclude(facts__has_key="observed_from").exclude(key__in=periods)
        return rows.filter(state=StagedRow.State.NEW, facts__installed_on__lt=self.asked_up_to)

    def _good(self, file: InputFile) -> StagedRowQuerySet:
        rows = StagedRow.objects.filter(batch=self.batch, file=file)
        return rows.exclude(state=StagedRow.State.BAD).order_by()


def starts_words(batch: Batch) -> str:
    """Sentence on how many units have an assumed start of follow-up, and which; "" for none."""
    if batch.stage in (Batch.Stage.STAGING, Batch.Stage.CHECKED, Batch.Stage.REFUSED):
        starts = UnsaidStarts(batch)
        number = starts.rows().count()
        cut = date.fromisoformat(starts.records_from) if number and starts.records_from else None
        late = starts.rows().filter(facts__installed_on__lt=starts.records_from).count() if cut else 0
        mend = "fill the column in first"
    else:
        periods = ObservationPeriod.objects.filter(batch=batch, began=ObservationPeriod.Began.UNSAID)
        later = periods.exclude(from_on=F("unit__installed_on"))
        number, late = periods.count(), later.count()
        cut = later.order_by("from_on").values_list("from_on", flat=True).first()
        mend = "undo the import, fill the column in and import the file again"
    if not number:
        return ""
    verb, they, were, them, which = ("do", "They count", "they were", "them", "any of them")
    if number == 1:
        verb, they, were, them, which = ("does", "It counts", "it was", "it", "it")
    since = f"since {were} installed, as if you had fitted {them}"
    if cut:
        late_units = count(late, "unit")
        since += f" (but {late_units} from before your oldest row of history, only since {long_date(cut)})"
    return (
        f"{counted(number, 'unit')} {verb} not say in observed_from since when you heard of failures. "
        f"{they} {since}. If you took {which} over later, rates come out too low: {mend}."
    )
