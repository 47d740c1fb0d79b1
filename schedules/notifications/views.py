"""Views of messages: what was sent, waits or is withheld, their texts, and e-mail preferences."""

from __future__ import annotations

from collections.abc import Sequence

from django.conf import settings
from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse, QueryDict
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from schedules import operations
from schedules.forms import WeekForm
from schedules.models import (
    ClockMark,
    EmailPreference,
    Notification,
    NotificationKind,
    NotificationText,
    Visit,
)
from schedules.notifications.forms import AskCustomersForm, EmailPreferenceForm, StageForm, TextForm
from schedules.notifications.questions import (
    Question,
    first_to_ask,
    list_questions,
    notification_asking,
)
from schedules.notifications.render import fill_in, preview, words_of
from schedules.notifications.texts import USUAL
from schedules.operations import CustomersAsked
from schedules.operations.notifications import SEND
from schedules.plans.weeks import monday_of
from schedules.visits.shifts import week_ahead
from servicedesk.accounts.rights import owners, schedulers, user_of
from servicedesk.core.edits import apply_edit_or_report, as_opened
from servicedesk.core.models import Change
from servicedesk.core.rules.refusals import RuleViolation, apply_or_report
from servicedesk.core.values.dates import day_bounds
from servicedesk.core.values.words import count
from servicedesk.core.web.paging import key_page
from units.models import Customer
from units.views import status_of


@schedulers
def notifications(request: HttpRequest) -> HttpResponse:
    """List of messages with the stage of each."""
    form = StageForm(request.GET)
    form.is_valid()
    rows = Notification.objects.at_stage(form.cleaned_data.get("stage") or "").for_list()
    context = {
        "form": form,
        "page": key_page(rows, request.GET, order=("-id",)),
        "sends": bool(settings.EMAIL_BACKEND),
        "mark": ClockMark.objects.filter(task=SEND).first(),
        "query": request.GET.urlencode(),
    }
    return render(request, "schedules/notification_list.html", context)


@schedulers
def one_notification(request: HttpRequest, pk: int) -> HttpResponse:
    """One message as it was sent, or why it was not."""
    notification = get_object_or_404(Notification.objects.for_list(), pk=pk)
    context = {"notification": notification, "changes": Change.objects.about(notification).for_page()}
    return render(request, "schedules/notification.html", context)


@schedulers
@require_POST
def try_again(request: HttpRequest, pk: int) -> HttpResponse:
    """Put a message back on the queue."""
    notification = get_object_or_404(Notification, pk=pk)
    try:
        operations.try_again(notification, by=user_of(request), at=timezone.now())
        messages.success(request, "It is queued again.")
    except RuleViolation as refusal:
        messages.error(request, str(refusal))
    return redirect("schedules:notification", pk=pk)


@schedulers
def ask_customers(request: HttpRequest) -> HttpResponse:
    """Preview the questions about the proposed visits of a week, and send the ticked ones."""
    week = WeekForm(request.GET, people=[])
    week.is_valid()
    chosen = week.cleaned_data.get("week")
    monday = monday_of(chosen) if chosen else week_ahead(timezone.localdate())
    visits = Visit.objects.open().between(*day_bounds(monday, days=7)).for_week()
    questions = list_questions(visits, at=timezone.now())
    form = AskCustomersForm(request.POST if request.method == "POST" else None, questions=questions)
    back = reverse("schedules:week_sheet", query={"week": monday})
    if (
        request.method == "POST"
        and (outcome := apply_or_report(form, lambda: _ask(form, request))) is not None
    ):
        _tell(request, outcome)
        return redirect(back)
    context = {"form": form, "monday": monday, "back": back, **_words_of_first(questions)}
    return render(request, "schedules/ask_customers.html", context, status=status_of(form))


def _ask(form: AskCustomersForm, request: HttpRequest) -> CustomersAsked:
    return operations.ask_customers(form.wanted, by=user_of(request), at=timezone.now())


def _tell(request: HttpRequest, outcome: CustomersAsked) -> None:
    """Report how many messages were queued, and name each visit that was left out."""
    messages.success(request, f"{count(outcome.written, 'e-mail')} queued.")
    if outcome.left_out:
        messages.info(request, f"Not asked: {'; '.join(outcome.left_out)}.")


def _words_of_first(questions: Sequence[Question]) -> dict[str, object]:
    """Rendered message to the first customer who is asked, as the preview of all."""
    first = first_to_ask(questions)
    if first is None:
        return {}
    return {"first": first, "preview": fill_in(notification_asking(first, at=timezone.now()))}


@owners
def notification_texts(request: HttpRequest) -> HttpResponse:
    """List the kinds of messages and their texts."""
    own = set(NotificationText.objects.values_list("kind", flat=True))
    kinds = [(kind.value, kind.label, words_of(kind.value), kind.value in own) for kind in NotificationKind]
    return render(request, "schedules/notification_texts.html", {"kinds": kinds})


@owners
def change_notification_text(request: HttpRequest, kind: str) -> HttpResponse:
    """Edit the text of a kind of message, with a preview."""
    if kind not in USUAL:
        raise Http404
    words = words_of(kind)
    form = as_opened(_text_form(kind, request.POST or None))
    title_and_body = words.title, words.body
    if request.method == "POST" and form.is_valid():
        title_and_body = form.cleaned_data["title"], form.cleaned_data["body"]
    if (
        request.method == "POST"
        and "store" in request.POST
        and apply_edit_or_report(
            form,
            lambda: _store(kind, form, request),
            record=NotificationText.objects.filter(kind=kind).first(),
            by=user_of(request),
            again=lambda: _text_form(kind, None),
        )
    ):
        messages.success(request, "Saved. Messages sent from now on have this text.")
        return redirect("schedules:notification_texts")
    context = {
        "form": form,
        "label": NotificationKind(kind).label,
        "blanks": words.blanks,
        "usual": USUAL[kind],
        "preview": preview(kind, *title_and_body),
    }
    return render(request, "schedules/notification_text.html", context, status=status_of(form))


def _text_form(kind: str, data: QueryDict | None) -> TextForm:
    """Form of the text of a kind of message, with the present text."""
    words = words_of(kind)
    return TextForm(data, kind=kind, initial={"title": words.title, "body": words.body})


def _email_preference_form(customer: Customer, data: QueryDict | None) -> EmailPreferenceForm:
    """Form of a customer's e-mail preference, with the stored value."""
    email_preference = EmailPreference.objects.filter(customer=customer).first()
    form = EmailPreferenceForm(data, initial={"what": email_preference.what if email_preference else "all"})
    form.fields["what"].label = "Gets by mail"
    return form


def _store(kind: str, form: TextForm, request: HttpRequest) -> bool:
    data = form.cleaned_data
    operations.set_notification_text(
        kind, title=data["title"], body=data["body"], by=user_of(request), at=timezone.now()
    )
    return True


@schedulers
def customer_email_preference(request: HttpRequest, customer_pk: int) -> HttpResponse:
    """Edit a customer's e-mail preference, as told on the telephone."""
    customer = get_object_or_404(Customer, pk=customer_pk)
    form = as_opened(_email_preference_form(customer, request.POST or None))
    if request.method == "POST" and apply_edit_or_report(
        form,
        lambda: operations.set_email_preference(
            customer, form.cleaned_data["what"], by=user_of(request), at=timezone.now()
        ),
        record=customer,
        by=user_of(request),
        again=lambda: _email_preference_form(customer, None),
    ):
        messages.success(request, "Saved.")
        return redirect(customer)
    context = {"form": form, "customer": customer}
    return render(request, "schedules/customer_email_preference.html", context, status=status_of(form))
