"""Rendering of messages: the values of their blanks, and the text as it is sent."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from django.conf import settings
from django.urls import reverse
from django.utils import timezone

from schedules.calendars.feeds import MAKE_SAFE, visit_event
from schedules.calendars.ical import build_message
from schedules.models import MaintenanceTask, Notification, NotificationKind, NotificationText, Visit
from schedules.notifications.links import VisitKey, opt_out_link, visit_link, welcome_link
from schedules.notifications.queue import maintenance_of_customer
from schedules.notifications.texts import USUAL, Words, fill, one_line
from schedules.plans.sheet import read_route
from schedules.words import span
from servicedesk.accounts.models import User
from servicedesk.core.values.dates import clock_time, full_date
from servicedesk.core.values.mail_addresses import ascii_address, sender
from servicedesk.core.values.words import count
from units.models import Customer, Site, Unit

LEFT_OUT = "(a link that only the mail holds)"
ABOUT_VISITS = (
    NotificationKind.ASKING,
    NotificationKind.AGREED,
    NotificationKind.CALLED_OFF,
    NotificationKind.AHEAD,
)


@dataclass(frozen=True)
class Filled:
    """A rendered message: title, body, and for an agreed visit the calendar part with its method.

    ``stored`` is the body as it is stored, without links that only the addressee may see.
    """

    title: str
    body: str
    method: str = ""
    calendar: bytes = b""
    stored: str = ""


def words_of(kind: str) -> Words:
    """Text of a kind of message: the owner's, or the usual one."""
    own = NotificationText.objects.filter(kind=kind).first()
    usual = USUAL[kind]
    return usual if own is None else Words(own.title, own.body, usual.blanks)


def fill_in(notification: Notification) -> Filled:
    """Render a message from the records as they are now."""
    words = words_of(notification.kind)
    values, method, calendar = _values(notification)
    body = fill(words.body, values)
    if notification.customer is not None:
        body += f"\n\n--\nWhat you get from us by mail: {opt_out_link(notification.customer.pk)}\n"
    # Schedulers read messages; a link that signs somebody in is for its addressee only.
    stored_body = (
        fill(words.body, {**values, "link": LEFT_OUT}) if notification.kind == NotificationKind.JOIN else body
    )
    return Filled(one_line(fill(words.title, values)), body, method, calendar, stored_body)


def preview(kind: str, title: str, body: str) -> Filled:
    """Render a text with an example of each blank."""
    example = {**USUAL[kind].blanks, "company": settings.COMPANY_NAME}
    return Filled(one_line(fill(title, example)), fill(body, example))


def _values(notification: Notification) -> tuple[Mapping[str, str], str, bytes]:
    company = {"company": settings.COMPANY_NAME}
    if notification.kind in ABOUT_VISITS and notification.customer is not None:
        visit = Visit.objects.select_related("site").get(pk=notification.subject_id)
        values = company | _about_visit(visit, notification.customer)
        method = {NotificationKind.AGREED: "REQUEST", NotificationKind.CALLED_OFF: "CANCEL"}.get(
            notification.kind, ""
        )  # type: ignore[call-overload]
        return values, method, _calendar(visit, notification.customer, method) if method else b""
    if notification.kind == NotificationKind.OWN_MAINTENANCE and notification.customer is not None:
        return company | _about_maintenance(notification, notification.customer), "", b""
    if notification.person is None:
        raise ValueError(f"Notification {notification.pk} of the kind {notification.kind} is to nobody.")
    if notification.kind == NotificationKind.JOIN:
        return company | _joining(notification.person), "", b""
    if notification.kind == NotificationKind.ALARM:
        return company | _danger(notification, notification.person), "", b""
    about = (
        _route_day(notification.person)
        if notification.kind == NotificationKind.ROUTE_DAY
        else _office_day(notification.person)
    )
    return company | about, "", b""


def _about_visit(visit: Visit, customer: Customer) -> dict[str, str]:
    names = [person.name for person in visit.technicians.order_by("name")]
    return {
        "customer": customer.name,
        "day": full_date(visit.local_start),
        "time": clock_time(visit.local_start),
        "until": clock_time(visit.local_end),
        "address": visit.site.address_line,
        "people": " and ".join(names) or "we",
        "link": visit_link(VisitKey(visit.pk, customer.pk)),
    }


def _calendar(visit: Visit, customer: Customer, method: str) -> bytes:
    event = visit_event(visit, for_customer=visit_link(VisitKey(visit.pk, customer.pk)))
    name, address = sender()
    return build_message(
        event,
        method=method,  # type: ignore[arg-type]  # one of the two above
        organizer=ascii_address(address),
        organizer_name=name,
        attendee=ascii_address(customer.email),
        attendee_name=customer.name,
    )


def _about_maintenance(notification: Notification, customer: Customer) -> dict[str, str]:
    site = Site.objects.get(pk=notification.subject_id)
    rows = maintenance_of_customer(site.pk, timezone.localdate())
    units = [(due.installed_part.unit, due.rule.name) for due in rows]
    lines = {
        f"- Unit {unit.code}{f', {unit.place}' if unit.place else ''}: {rule}": None for unit, rule in units
    }
    return {
        "customer": customer.name,
        "address": site.address_line,
        "care": "\n".join(lines) or "- nothing any more",
    }


def _joining(person: User) -> dict[str, str]:
    return {"person": person.name, "username": person.username, "link": welcome_link(person)}


def _danger(notification: Notification, person: User) -> dict[str, str]:
    unit = Unit.objects.select_related("site").get(pk=notification.payload["unit"])
    return {
        "person": person.name,
        "address": unit.site.address_line,
        "danger": f"unit {unit.code}: {notification.payload['danger']}",
        "made_safe": notification.payload["made_safe"],
        "link": settings.SITE_URL + unit.get_absolute_url(),
    }


def _office_day(person: User) -> dict[str, str]:
    today = timezone.localdate()
    due = MaintenanceTask.objects.unplanned().due(today)
    proposed = Visit.objects.open().filter(state=Visit.State.TENTATIVE, starts_at__gt=timezone.now())
    undelivered = Notification.objects.filter(
        stage__in=[Notification.Stage.WITHHELD, Notification.Stage.FAILED]
    )
    dangers = MaintenanceTask.objects.making_safe().select_related("site").order_by("due_on", "pk")
    lines = [
        *(f"- {MAKE_SAFE}{task.site.address_line}, {task.reason}" for task in dangers),
        f"- {count(due.count(), 'task')} due and on no visit yet",
        f"- {count(proposed.count(), 'proposed visit')} to confirm",
        f"- {count(undelivered.count(), 'message')} withheld or not sent",
    ]
    return _day(person) | {"list": "\n".join(lines), "link": settings.SITE_URL + reverse("office:home")}


def _route_day(person: User) -> dict[str, str]:
    today = timezone.localdate()
    route = read_route(person, today)
    lines = ["Nothing is planned for you any more."]
    if route is not None:
        lines = [
            *(f"{MAKE_SAFE}{visit.site.address_line}, {task.reason}" for visit, task in route.dangers),
            *(
                f"{clock_time(visit.local_start)} {visit.site.address_line}, {span(visit.minutes)}"
                for visit in (leg.visit for leg in route.legs)
            ),
        ]
    link = settings.SITE_URL + reverse("schedules:route", args=[person.pk, today.isoformat()])
    return _day(person) | {"list": "\n".join(lines), "link": link}


def _day(person: User) -> dict[str, str]:
    return {"person": person.name, "day": full_date(timezone.localdate())}
