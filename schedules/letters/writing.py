"""Putting letters on the queue: everything that should be told by now and is not yet.

A scan, not a schedule: it looks at visits and care as they are and adds the rows that are missing, each once
by its unique key. A desk that stood still catches up by itself, and two scans at once add nothing twice.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime, time, timedelta

from django.conf import settings
from django.db.models import Exists, OuterRef, Q
from django.utils import timezone

from schedules.models import CareDue, Letter, LetterKind, Visit
from servicedesk.people.models import Role, User
from units.models import Customer, Ownership, Site

MORNING = time(6)
CARE_LATEST = timedelta(days=30)
AHEAD = timedelta(days=400)
VISIT, SITE, PERSON = "visit", "site", "person"
_KEY = ("kind", "subject", "subject_id", "due_on", "version", "addressee")


def write_due_letters(*, at: datetime) -> int:
    """Put all letters on the queue that should be sent by now; answer how many are new."""
    rows = [
        *_about_visits(at),
        *_called_off(at),
        *_own_care(timezone.localdate(at), at=at),
        *_digests(at),
        *_invitations(at),
    ]
    _drop_outdated(at)
    missing = _missing(rows)
    Letter.objects.bulk_create(missing, ignore_conflicts=True, batch_size=500)  # another scan may be as far
    return len(missing)


def _missing(rows: Sequence[Letter]) -> list[Letter]:
    """Leave out the letters that are written already: nearly all of them, at nearly every tick."""
    first = min((row.due_on for row in rows), default=date.max)
    known = set(Letter.objects.filter(due_on__gte=first).values_list(*_KEY))
    return [row for row in rows if tuple(getattr(row, name) for name in _KEY) not in known]


def letter(
    kind: str,
    *,
    subject: str,
    subject_id: int,
    due_on: date,
    version: int = 0,
    customer: Customer | None = None,
    person: User | None = None,
    at: datetime,
) -> Letter:
    """Write a letter that is not stored yet."""
    addressee = f"customer {customer.pk}" if customer else f"person {person.pk}" if person else "nobody"
    return Letter(
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
    """Give the owners of sites on a day."""
    rows = Ownership.objects.on(day).filter(site__in=set(sites)).select_related("customer").order_by("pk")
    return {row.site_id: row.customer for row in rows}


def _about_visits(at: datetime) -> Iterator[Letter]:
    """Tell of agreed visits: the calendar entry at once and after every change, a reminder days before."""
    visits = list(
        Visit.objects.open().filter(state=Visit.State.CONFIRMED, starts_at__gt=at, starts_at__lt=at + AHEAD)
    )
    today = timezone.localdate(at)
    owners = customers_of([visit.site_id for visit in visits], today)
    for visit in visits:
        customer = owners.get(visit.site_id)
        if customer is None:
            continue
        about = {"subject": VISIT, "subject_id": visit.pk, "customer": customer, "at": at}
        day = visit.local_start.date()
        yield letter(LetterKind.AGREED, due_on=day, version=visit.sequence, **about)  # type: ignore[arg-type]
        if day - timedelta(days=settings.REMIND_DAYS) <= today:
            yield letter(LetterKind.AHEAD, due_on=day, **about)  # type: ignore[arg-type]


def _called_off(at: datetime) -> Iterator[Letter]:
    """Tell those who know of a visit that it is called off."""
    knows = Letter.objects.filter(
        subject=VISIT, subject_id=OuterRef("pk"), stage__in=[Letter.Stage.SENT, Letter.Stage.SENDING]
    )
    visits = Visit.objects.filter(Exists(knows), state=Visit.State.CANCELLED, starts_at__gt=at)
    for visit in visits:
        told = Letter.objects.filter(
            subject=VISIT,
            subject_id=visit.pk,
            kind__in=[LetterKind.AGREED, LetterKind.ASKING],
            customer__isnull=False,
            stage__in=[Letter.Stage.SENT, Letter.Stage.SENDING],
        )
        customers = {each.customer_id: each.customer for each in told.select_related("customer")}
        for customer in customers.values():
            yield letter(
                LetterKind.CALLED_OFF,
                subject=VISIT,
                subject_id=visit.pk,
                due_on=visit.local_start.date(),
                version=visit.sequence,
                customer=customer,
                at=at,
            )


def care_of_customer(site: int, today: date) -> list[CareDue]:
    """List the care that the customer of a site does and that is due by a day."""
    return list(
        CareDue.objects.of_parts_in_place()
        .filter(
            fitment__unit__site=site,
            fitment__unit__removed_on__isnull=True,
            next_due_on__lte=today,
            next_due_on__gt=today - CARE_LATEST,
        )
        .select_related("rule", "fitment__unit")
        .order_by("fitment__unit__code", "rule__name", "pk")
    )


def _own_care(today: date, *, at: datetime) -> Iterator[Letter]:
    """Tell customers who do the care themselves what fell due, once a month for each site."""
    due = (
        CareDue.objects.of_parts_in_place()
        .filter(
            fitment__unit__site__care_by=Site.CareBy.CUSTOMER,
            fitment__unit__removed_on__isnull=True,
            next_due_on__lte=today,
            next_due_on__gt=today - CARE_LATEST,
        )
        .values_list("fitment__unit__site", flat=True)
        .distinct()
    )
    month = today.replace(day=1)
    written = Letter.objects.filter(kind=LetterKind.OWN_CARE, subject=SITE, due_on=month)
    sites = set(due) - set(written.values_list("subject_id", flat=True))
    for site, customer in sorted(customers_of(sites, today).items()):
        yield letter(
            LetterKind.OWN_CARE, subject=SITE, subject_id=site, due_on=month, customer=customer, at=at
        )


def _digests(at: datetime) -> Iterator[Letter]:
    """Tell schedulers each morning what waits, and technicians their round; the day decides, not the tick."""
    today = timezone.localdate(at)
    if timezone.localtime(at).time() < MORNING:
        return
    start = timezone.make_aware(datetime.combine(today, time.min))
    goes = Visit.objects.open().between(start, start + timedelta(days=1)).filter(technicians=OuterRef("pk"))
    people = User.objects.working().exclude(email="")
    for person in people.with_role(Role.SCHEDULER):
        yield letter(
            LetterKind.DESK_DAY, subject=PERSON, subject_id=person.pk, due_on=today, person=person, at=at
        )
    for person in people.filter(Exists(goes)):
        yield letter(
            LetterKind.ROUND_DAY, subject=PERSON, subject_id=person.pk, due_on=today, person=person, at=at
        )


def _invitations(at: datetime) -> Iterator[Letter]:
    """Ask people by mail to choose a password, once for each time that an owner asked for it."""
    for person in User.objects.to_invite():
        asked_on = timezone.localdate(person.invited_at)
        about = {"subject": PERSON, "subject_id": person.pk, "person": person, "at": at}
        yield letter(LetterKind.JOIN, due_on=asked_on, version=person.invitations, **about)


def _drop_outdated(at: datetime) -> None:
    """Take letters off the queue that later ones made needless or that come too late."""
    waiting = Letter.objects.filter(stage=Letter.Stage.WAITING)
    for kind in (LetterKind.ASKING, LetterKind.AGREED, LetterKind.AHEAD):
        mine = waiting.filter(kind=kind)
        gone = ~Exists(Visit.objects.open().filter(pk=OuterRef("subject_id")))
        mine.filter(gone).update(stage=Letter.Stage.NEEDLESS, why="the visit is off or over")
        changed = Visit.objects.filter(pk=OuterRef("subject_id"), sequence__gt=OuterRef("version"))
        if kind != LetterKind.AHEAD:
            mine.filter(Exists(changed)).update(
                stage=Letter.Stage.NEEDLESS, why="the visit changed, and a later letter tells of it"
            )
        over = Exists(Visit.objects.filter(pk=OuterRef("subject_id"), starts_at__lte=at))
        mine.filter(over).update(stage=Letter.Stage.MISSED, why="the visit had begun before it was sent")
    asked_again = User.objects.to_invite().filter(pk=OuterRef("subject_id"), invitations=OuterRef("version"))
    waiting.filter(~Exists(asked_again), kind=LetterKind.JOIN).update(
        stage=Letter.Stage.NEEDLESS, why="a password was chosen, or a later letter asks for it"
    )
    today = timezone.localdate(at)
    waiting.filter(kind__in=[LetterKind.DESK_DAY, LetterKind.ROUND_DAY], due_on__lt=today).update(
        stage=Letter.Stage.MISSED, why="the day was over before it was sent"
    )
    waiting.filter(Q(kind=LetterKind.OWN_CARE), made_at__lt=at - CARE_LATEST).update(
        stage=Letter.Stage.MISSED, why="it waited for more than a month"
    )
