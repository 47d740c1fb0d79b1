"""Queue of messages: a scan adds those that are due and not written yet.

The scan reads visits and next dues as they are and adds the missing rows, each once by its unique key. After
a standstill it catches up by itself, and two scans at once add nothing twice.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime, time, timedelta

from django.conf import settings
from django.db.models import Exists, OuterRef, Q
from django.utils import timezone

from schedules.models import NextDue, Notification, NotificationKind, Visit
from servicedesk.accounts.models import Role, User
from servicedesk.core.values.dates import start_of
from units.models import Customer, Ownership, Site

MORNING = time(6)
MAINTENANCE_LATEST = timedelta(days=30)
AHEAD = timedelta(days=400)
VISIT, SITE, PERSON = "visit", "site", "person"
KEYS_AT_ONCE = 500
_KEY = ("kind", "subject", "subject_id", "due_on", "version", "addressee")


def write_due_notifications(*, at: datetime) -> int:
    """Queue all messages that should be sent by now; return how many were missing."""
    rows = [
        *_about_visits(at),
        *_called_off(at),
        *_own_maintenance(timezone.localdate(at), at=at),
        *_digests(at),
        *_invitations(at),
    ]
    missing = _missing(rows)
    Notification.objects.bulk_create(
        missing, ignore_conflicts=True, batch_size=500
    )  # another scan may have written them
    _drop_outdated(at)
    return len(missing)


def _missing(rows: Sequence[Notification]) -> list[Notification]:
    """Messages among some that are not stored yet: at nearly every scan, few or none.

    Only messages of the same kind about the same subjects are read, by the index of their unique key: what
    was sent over the years costs nothing.
    """
    groups: dict[tuple[str, str], list[Notification]] = {}
    for row in rows:
        groups.setdefault((row.kind, row.subject), []).append(row)
    existing: set[tuple[object, ...]] = set()
    for (kind, subject), group in groups.items():
        days = {row.due_on for row in group}
        same = Notification.objects.filter(
            kind=kind, subject=subject, due_on__gte=min(days), due_on__lte=max(days)
        )
        for begin in range(0, len(group), KEYS_AT_ONCE):
            about = {row.subject_id for row in group[begin : begin + KEYS_AT_ONCE]}
            existing.update(same.filter(subject_id__in=about).values_list(*_KEY))
    return [row for row in rows if tuple(getattr(row, name) for name in _KEY) not in existing]


def notification(
    kind: str,
    *,
    subject: str,
    subject_id: int,
    due_on: date,
    version: int = 0,
    customer: Customer | None = None,
    person: User | None = None,
    at: datetime,
) -> Notification:
    """Build a message (not saved)."""
    addressee = f"customer {customer.pk}" if customer else f"person {person.pk}" if person else "nobody"
    return Notification(
        kind=kind,
        subject=subject,
        subject_id=subject_id,
        due_on=due_on,
        version=version,
        customer=customer,
        person=person,
        addressee=addressee,
        next_try_at=at,
        made_at=at,
    )


def customers_of(sites: Iterable[int], day: date) -> dict[int, Customer]:
    """Owners of sites on a day, by site."""
    rows = Ownership.objects.on(day).filter(site__in=set(sites)).select_related("customer").order_by("pk")
    return {row.site_id: row.customer for row in rows}


def _about_visits(at: datetime) -> Iterator[Notification]:
    """Messages about confirmed visits: the calendar entry at once and after every change, and a reminder.

    A customer informed of the visit as it is, on or after the day of the reminder, needs no reminder.
    """
    visits = list(
        Visit.objects.open().filter(state=Visit.State.CONFIRMED, starts_at__gt=at, starts_at__lt=at + AHEAD)
    )
    today = timezone.localdate(at)
    owners = customers_of([visit.site_id for visit in visits], today)
    near = [visit for visit in visits if _remind_from(visit) <= today]
    told_early = _told_early(near)
    for visit in visits:
        customer = owners.get(visit.site_id)
        if customer is None:
            continue
        about = {"subject": VISIT, "subject_id": visit.pk, "customer": customer, "at": at}
        day = visit.local_start.date()
        yield notification(NotificationKind.AGREED, due_on=day, version=visit.sequence, **about)  # type: ignore[arg-type]
        if (visit.pk, customer.pk) in told_early:
            yield notification(NotificationKind.AHEAD, due_on=day, **about)  # type: ignore[arg-type]


def _remind_from(visit: Visit) -> date:
    """First day on which the reminder of a visit is due."""
    return visit.local_start.date() - timedelta(days=settings.REMIND_DAYS)


def _told_early(near: Sequence[Visit]) -> set[tuple[int, int | None]]:
    """Pairs of visit and customer informed of its present version before the day of the reminder."""
    visits = {visit.pk: visit for visit in near}
    announced: set[tuple[int, int | None]] = set()
    keys = list(visits)
    for begin in range(0, len(keys), KEYS_AT_ONCE):
        agreed = Notification.objects.filter(
            kind=NotificationKind.AGREED, subject=VISIT, subject_id__in=keys[begin : begin + KEYS_AT_ONCE]
        ).exclude(stage__in=[Notification.Stage.WAITING, Notification.Stage.SENDING])
        for each in agreed.only("subject_id", "customer_id", "version", "sent_at", "made_at"):
            visit = visits[each.subject_id]
            went_on = timezone.localdate(each.sent_at or each.made_at)
            if each.version == visit.sequence and went_on < _remind_from(visit):
                announced.add((visit.pk, each.customer_id))
    return announced


def _called_off(at: datetime) -> Iterator[Notification]:
    """Messages to customers informed of a visit that was then cancelled."""
    went_out = Q(stage__in=[Notification.Stage.SENT, Notification.Stage.SENDING])
    knows = Notification.objects.filter(went_out, subject=VISIT, subject_id=OuterRef("pk"))
    off = Visit.objects.filter(Exists(knows), state=Visit.State.CANCELLED, starts_at__gt=at).in_bulk()
    notifications = Notification.objects.filter(
        went_out,
        subject=VISIT,
        subject_id__in=list(off),
        kind__in=[NotificationKind.AGREED, NotificationKind.ASKING],
        customer__isnull=False,
    )
    pairs = {(each.subject_id, each.customer_id): each for each in notifications.select_related("customer")}
    for each in pairs.values():
        visit = off[each.subject_id]
        yield notification(
            NotificationKind.CALLED_OFF,
            subject=VISIT,
            subject_id=visit.pk,
            due_on=visit.local_start.date(),
            version=visit.sequence,
            customer=each.customer,
            at=at,
        )


def maintenance_of_customer(site: int, today: date) -> list[NextDue]:
    """List the next dues of a site that are due by a day, and not a month late."""
    return list(
        NextDue.objects.of_parts_in_place()
        .filter(
            installed_part__unit__site=site,
            installed_part__unit__removed_on__isnull=True,
            next_due_on__lte=today,
            next_due_on__gt=today - MAINTENANCE_LATEST,
        )
        .select_related("rule", "installed_part__unit")
        .order_by("installed_part__unit__code", "rule__name", "pk")
    )


def _own_maintenance(today: date, *, at: datetime) -> Iterator[Notification]:
    """Messages to customers who do the maintenance themselves: what is due, once a month for each site."""
    month = today.replace(day=1)
    written = Notification.objects.filter(
        kind=NotificationKind.OWN_MAINTENANCE,
        subject=SITE,
        subject_id=OuterRef("installed_part__unit__site"),
        due_on=month,
    )
    due = (
        NextDue.objects.of_parts_in_place()
        .filter(
            ~Exists(written),
            installed_part__unit__site__care_by=Site.CareBy.CUSTOMER,
            installed_part__unit__removed_on__isnull=True,
            next_due_on__lte=today,
            next_due_on__gt=today - MAINTENANCE_LATEST,
        )
        .values_list("installed_part__unit__site", flat=True)
        .distinct()
    )
    for site, customer in sorted(customers_of(due, today).items()):
        yield notification(
            NotificationKind.OWN_MAINTENANCE,
            subject=SITE,
            subject_id=site,
            due_on=month,
            customer=customer,
            at=at,
        )


def _digests(at: datetime) -> Iterator[Notification]:
    """Daily digests from six in the morning: for schedulers, and for technicians with a route that day."""
    today = timezone.localdate(at)
    if timezone.localtime(at).time() < MORNING:
        return
    start = start_of(today)
    goes = Visit.objects.open().between(start, start + timedelta(days=1)).filter(technicians=OuterRef("pk"))
    people = User.objects.working().exclude(email="")
    for person in people.with_role(Role.SCHEDULER):
        yield notification(
            NotificationKind.OFFICE_DAY,
            subject=PERSON,
            subject_id=person.pk,
            due_on=today,
            person=person,
            at=at,
        )
    for person in people.filter(Exists(goes)):
        yield notification(
            NotificationKind.ROUTE_DAY,
            subject=PERSON,
            subject_id=person.pk,
            due_on=today,
            person=person,
            at=at,
        )


def _invitations(at: datetime) -> Iterator[Notification]:
    """Messages that ask people to choose a password, one for each invitation by an owner."""
    for person in User.objects.to_invite():
        asked_on = timezone.localdate(person.invited_at)
        about = {"subject": PERSON, "subject_id": person.pk, "person": person, "at": at}
        yield notification(NotificationKind.JOIN, due_on=asked_on, version=person.invitations, **about)


def _drop_outdated(at: datetime) -> None:
    """Take waiting messages off the queue that are needless by now or too late."""
    waiting = Notification.objects.filter(stage=Notification.Stage.WAITING)
    for kind in (NotificationKind.ASKING, NotificationKind.AGREED, NotificationKind.AHEAD):
        mine = waiting.filter(kind=kind)
        gone = ~Exists(Visit.objects.open().filter(pk=OuterRef("subject_id")))
        mine.filter(gone).update(stage=Notification.Stage.NEEDLESS, why="the visit is off or over")
        changed = Visit.objects.filter(pk=OuterRef("subject_id"), sequence__gt=OuterRef("version"))
        if kind != NotificationKind.AHEAD:
            mine.filter(Exists(changed)).update(
                stage=Notification.Stage.NEEDLESS, why="the visit changed, and a later message says so"
            )
        else:
            told_anew = Notification.objects.filter(
                kind=NotificationKind.AGREED,
                subject=VISIT,
                subject_id=OuterRef("subject_id"),
                addressee=OuterRef("addressee"),
                made_at__gte=OuterRef("made_at"),
                stage__in=[Notification.Stage.WAITING, Notification.Stage.SENDING, Notification.Stage.SENT],
            )
            mine.filter(Exists(told_anew)).update(
                stage=Notification.Stage.NEEDLESS, why="the visit changed, and a later message says so"
            )
        over = Exists(Visit.objects.filter(pk=OuterRef("subject_id"), starts_at__lte=at))
        mine.filter(over).update(
            stage=Notification.Stage.MISSED, why="the visit had begun before it was sent"
        )
    asked_again = User.objects.to_invite().filter(pk=OuterRef("subject_id"), invitations=OuterRef("version"))
    waiting.filter(~Exists(asked_again), kind=NotificationKind.JOIN).update(
        stage=Notification.Stage.NEEDLESS, why="a password was chosen, or a later message asks for it"
    )
    today = timezone.localdate(at)
    waiting.filter(
        kind__in=[NotificationKind.OFFICE_DAY, NotificationKind.ROUTE_DAY], due_on__lt=today
    ).update(stage=Notification.Stage.MISSED, why="the day was over before it was sent")
    waiting.filter(Q(kind=NotificationKind.OWN_MAINTENANCE), made_at__lt=at - MAINTENANCE_LATEST).update(
        stage=Notification.Stage.MISSED, why="it waited for more than a month"
    )
