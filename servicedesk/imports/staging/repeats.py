"""Links repeated faults to the findings they continue."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator

from django.db import connection
from django.utils import timezone

from servicedesk.calls.models import Finding
from servicedesk.core.models import Batch
from servicedesk.imports.leases import PAGES_A_READING, Lease
from servicedesk.imports.staging.rows import Progress

AT_ONCE = 200 * PAGES_A_READING
LINK = "UPDATE calls_finding SET continues_id = %s, changed_at = %s WHERE id = %s"


def link_repeats(lease: Lease, progress: Progress) -> None:
    """Link each repeated fault of a batch to the latest earlier finding of its unit and mode, if any.

    This runs after all history is imported, so that the order of the file does not matter.
    """
    repeats = Finding.objects.filter(batch=lease.batch, repeat=True, continues=None).order_by("pk")
    total = repeats.count()
    done = total - repeats.filter(pk__gt=lease.batch.cursor).count()
    while page := list(repeats.filter(pk__gt=lease.batch.cursor)[:AT_ONCE]):
        now = connection.ops.adapt_datetimefield_value(timezone.now())
        links = [(earlier.pk, now, row.pk) for row, earlier in _linked(page)]
        with (
            lease.chunk(cursor=page[-1].pk, work_done=done + len(page), work_total=total),
            connection.cursor() as cursor,
        ):
            cursor.executemany(LINK, links)
        done += len(page)
        progress(Batch.Step.REPEATS.label, done, total)


def _linked(page: list[Finding]) -> Iterator[tuple[Finding, Finding]]:
    """Findings linked to the earlier one each continues; one of the same day counts if entered before."""
    candidates: defaultdict[tuple[int, int], list[Finding]] = defaultdict(list)
    known = Finding.objects.filter(unit__in={row.unit_id for row in page})
    for row in known.only("unit_id", "mode_id", "found_on").order_by("found_on", "pk"):
        candidates[row.unit_id, row.mode_id].append(row)
    for row in page:
        earlier = [
            other
            for other in candidates[row.unit_id, row.mode_id]
            if (other.found_on, other.pk) < (row.found_on, row.pk)
        ]
        if earlier:
            yield row, earlier[-1]
