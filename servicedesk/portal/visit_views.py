"""View that a customer opens from a message: the visit, its confirmation, another time, a problem report."""

from __future__ import annotations

from datetime import timedelta
from hashlib import sha256
from typing import Any

from django import forms
from django.contrib.auth.decorators import login_not_required
from django.db import transaction
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone

from schedules import operations
from schedules.models import CustomerAnswer, Visit
from schedules.notifications.links import VisitKey, opt_out_link, read_visit_token
from schedules.notifications.queue import customers_of
from schedules.plans.weeks import monday_of
from schedules.visits.moving import Option, chosen, list_options, read_moves
from schedules.visits.shifts import week_ahead
from servicedesk.accounts.body_sizes import takes_up_to
from servicedesk.calls.models import Call
from servicedesk.calls.operations import add_photo, log_report
from servicedesk.calls.photo_field import PhotoField
from servicedesk.calls.photo_files import most_bytes
from servicedesk.core.rules.refusals import RuleViolation, apply_or_report
from servicedesk.core.values.dates import weekday_time
from servicedesk.portal.rate_limit import too_many
from units.models import Customer
from units.views import status_of

Said = CustomerAnswer.Said
MOST_KNOCKS, MOST_SENT = 240, 20
WEEKS_OFFERED = 2
MOST_OFFERED = 8
TOO_OFTEN = "That was sent very often. Please wait an hour, or telephone us."


class ChoiceForm(forms.Form):
    """Choice of another time."""

    to = forms.CharField(max_length=120, error_messages={"required": "Choose one of the times."})


class WordsForm(forms.Form):
    """Reply that no time suits, in the customer's words."""

    words = forms.CharField(
        max_length=2000,
        widget=forms.Textarea(attrs={"rows": 3}),
        label="When would it suit you?",
    )


class ProblemForm(forms.Form):
    """Report of a problem with the windows."""

    words = forms.CharField(
        max_length=2000, widget=forms.Textarea(attrs={"rows": 4}), label="What is wrong, and where?"
    )
    photo = PhotoField()


@login_not_required
@takes_up_to(most_bytes, of=lambda request, token: read_visit_token(token) is not None, answers_itself=True)
def customer_visit(request: HttpRequest, token: str) -> HttpResponse:
    """Page of a visit for its customer; shows nothing of anybody else, and needs no account."""
    key = read_visit_token(token)
    who = sha256(token.encode()).hexdigest()[:24]
    if too_many("visit page", who, most=MOST_KNOCKS):
        return _guarded(render(request, "429.html", {"words": TOO_OFTEN}, status=429))
    visit, customer = _opened(key)
    forms_ = _forms(request)
    if request.method == "POST":
        done = _take(request, visit, customer, forms_, who)
        if done:
            return _guarded(redirect(f"{request.path}?done={done}"))
    return _guarded(
        render(
            request,
            "portal/customer_visit.html",
            _context(request, visit, customer, forms_),
            status=max(status_of(form) for form in forms_.values()),
        )
    )


def _opened(key: VisitKey | None) -> tuple[Visit, Customer]:
    """Visit that a key opens: one in the future, of the present owner of the site."""
    if key is None:
        raise Http404("This link is not valid any more.")
    visit = Visit.objects.select_related("site").filter(pk=key.visit).first()
    today = timezone.localdate()
    if visit is None or visit.ends_at < timezone.now() - timedelta(days=7):
        raise Http404("This link is not valid any more.")
    owner = customers_of([visit.site_id], today).get(visit.site_id)
    if owner is None or owner.pk != key.customer:
        raise Http404("This link is not valid any more.")
    return visit, owner


def _forms(request: HttpRequest) -> dict[str, forms.Form]:
    """Forms of the page; only the one that was posted is bound."""
    kinds = {"suits": forms.Form, "choice": ChoiceForm, "words": WordsForm, "problem": ProblemForm}
    sent = request.POST.get("what", "")
    return {
        name: kind(request.POST, request.FILES, prefix=None) if name == sent else kind()
        for name, kind in kinds.items()
    }


def _take(
    request: HttpRequest, visit: Visit, customer: Customer, forms_: dict[str, forms.Form], who: str
) -> str:
    """Run the requested action; return its confirmation, or "" where the form has reasons against it."""
    name = request.POST.get("what", "")
    form = forms_.get(name)
    if form is None:
        return ""
    doing = {"suits": _suits, "choice": _choose, "words": _say, "problem": _report}[name]

    def act() -> bool:
        if too_many("visit sent", who, most=MOST_SENT):
            raise RuleViolation(TOO_OFTEN)
        doing(visit, customer, form)
        return True

    return name if apply_or_report(form, act) else ""


def _suits(visit: Visit, customer: Customer, form: forms.Form) -> None:
    at = timezone.now()
    with transaction.atomic():
        operations.confirm_visit(visit, by=None, at=at)
        operations.take_answer(visit, customer, Said.SUITS, at=at)


def _choose(visit: Visit, customer: Customer, form: forms.Form) -> None:
    at = timezone.now()
    token = form.cleaned_data["to"]
    offered = next((each for each in _offers(visit) if each.token == token), None)
    if offered is None:
        raise RuleViolation({"to": ["That time was taken meanwhile: choose another one."]})
    moves = read_moves(visit, now=at, monday=monday_of(offered.day.on))
    place = chosen(moves, token)
    if place is None:
        raise RuleViolation({"to": ["That time was taken meanwhile: choose another one."]})
    day, insertion = place
    starts = {int(str(each.stop.key)): moves.week.moment(each.begins) for each in insertion.round.stops}
    with transaction.atomic():
        operations.move_visit(visit, person=day.person, starts=starts, agreed=True, by=None, at=at)
        operations.take_answer(visit, customer, Said.MOVED, words=weekday_time(offered.begins), at=at)


def _say(visit: Visit, customer: Customer, form: forms.Form) -> None:
    operations.take_answer(
        visit, customer, Said.UNSUITABLE, words=form.cleaned_data["words"], at=timezone.now()
    )


def _report(visit: Visit, customer: Customer, form: forms.Form) -> None:
    at, photo = timezone.now(), form.cleaned_data["photo"]
    with transaction.atomic():
        call = Call(
            site=visit.site,
            reported_by=customer.name,
            phone=customer.phone,
            words=form.cleaned_data["words"],
            urgency=Call.Urgency.THIS_WEEK,
        )
        call, new = log_report(call, at=at)
        if photo is not None and new:
            add_photo(call, photo.file, size=photo.size, by=None, at=at)


def _offers(visit: Visit) -> list[Option]:
    """Times offered in the next two weeks: those that add the least driving, one each half day."""
    now = timezone.now()
    first = max(week_ahead(timezone.localdate(now)), monday_of(visit.local_start.date()))
    by_half_day: dict[tuple[Any, bool], Option] = {}
    for number in range(WEEKS_OFFERED):
        moves = read_moves(visit, now=now, monday=first + timedelta(days=7 * number))
        for option in list_options(moves):
            if option.others or option.begins == visit.starts_at:
                continue  # no other visit is moved for it
            half = option.day.on, timezone.localtime(option.begins).hour < 12
            if half not in by_half_day or option.added < by_half_day[half].added:
                by_half_day[half] = option
    cheapest = sorted(by_half_day.values(), key=lambda option: (option.added, option.begins))[:MOST_OFFERED]
    return sorted(cheapest, key=lambda option: option.begins)


def _context(
    request: HttpRequest, visit: Visit, customer: Customer, forms_: dict[str, forms.Form]
) -> dict[str, Any]:
    ahead = visit.is_open and visit.starts_at > timezone.now()
    alone = visit.technicians.count() == 1
    return {
        "visit": visit,
        "customer": customer,
        "place": visit.site.address_line,
        "ahead": ahead,
        "offers": _offers(visit) if ahead and alone else [],
        "done": request.GET.get("done", ""),
        "forms": forms_,
        "opt_out": opt_out_link(customer.pk),
    }


def _guarded(answer: HttpResponse) -> HttpResponse:
    """Keep the address, which is a secret, out of search engines and caches.

    Other sites do not get it either: the Referrer-Policy of every page is "same-origin". With the stricter
    "no-referrer" browsers send forms with "Origin: null", which is refused as another site's.
    """
    answer["X-Robots-Tag"] = "noindex"
    answer["Cache-Control"] = "private, no-store"
    return answer
