"""Views of the list of calls, and of one call with all its actions."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.forms import Form
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST

from servicedesk.accounts.models import Role
from servicedesk.accounts.rights import technicians, user_of
from servicedesk.calls import operations
from servicedesk.calls.forms import (
    AnswerForm,
    CallSearchForm,
    CancelForm,
    ChangeCallForm,
    ChoiceForm,
    MadeSafeForm,
    UnitForm,
    WaitForm,
)
from servicedesk.calls.models import Call, Finding, Inspection, SafetyAnswer, Work
from servicedesk.calls.next_steps import next_step
from servicedesk.calls.safety import AT_THE_SITE, DEFERENCE, TELL_THEM
from servicedesk.core.edits import apply_edit_or_report, as_opened
from servicedesk.core.models import Change
from servicedesk.core.rules.refusals import apply_or_report
from servicedesk.core.web.paging import key_page
from units.models import Site
from units.views import status_of

NEWEST_LAST = ("rank", "reported_at", "id")
NEWEST_FIRST = ("-reported_at", "-id")


@technicians
def calls(request: HttpRequest) -> HttpResponse:
    """List of calls: open ones first, the most urgent on top."""
    search = CallSearchForm(request.GET)
    data = search.cleaned_data if search.is_valid() else {}
    order = NEWEST_FIRST if data.get("state") == "closed" else NEWEST_LAST
    page = key_page(Call.objects.for_search(data).for_list(), request.GET, order=order)
    return render(request, "calls/call_list.html", {"page": page, "search": search})


def call_page(request: HttpRequest, call: Call, *, form: Form | None = None) -> HttpResponse:
    """Render a call; ``form`` is one of its forms that came back with reasons."""
    findings = list(Finding.objects.filter(call=call).for_list())
    works = list(Work.objects.filter(call=call).for_list())
    inspections = list(Inspection.objects.filter(call=call).without_fault().for_list())
    may_plan = user_of(request).may_act_as(Role.SCHEDULER)
    context = {
        "call": call,
        "site": Site.objects.with_owner().get(pk=call.site_id),
        "answers": _answers(call),
        "findings": findings,
        "dangers": Finding.objects.filter(call=call).standing_dangers().for_list() if call.is_open else [],
        "works": works,
        "inspections": inspections,
        "unit_looked_at": call.unit_id
        in {*(finding.unit_id for finding in findings), *(inspection.unit_id for inspection in inspections)},
        "visit": call.planned_visit,
        "step": next_step(call, findings=findings, works=works, inspections=inspections, may_plan=may_plan),
        "form": form,
        "wait_form": form if isinstance(form, WaitForm) else WaitForm(),
        "cancel_form": form if isinstance(form, CancelForm) else CancelForm(),
        "at_the_site": AT_THE_SITE,
        "deference": DEFERENCE,
        "changes": Change.objects.about(call).for_page(),
    }
    return render(request, "calls/call.html", context, status=status_of(form))


def _answers(call: Call) -> list[dict[str, Any]]:
    """Safety answers in the order they are asked in, with what to tell the caller."""
    order = SafetyAnswer.Question.values
    answers = sorted(call.safety_answers.all(), key=lambda answer: order.index(answer.question))
    return [{"answer": answer, "tell": TELL_THEM[answer.question]} for answer in answers]


@technicians
def call(request: HttpRequest, pk: int) -> HttpResponse:
    """Page of one call: the report, safety, findings, work done, and the next step."""
    return call_page(request, get_object_or_404(Call.objects.for_page(), pk=pk))


def _act(
    request: HttpRequest, pk: int, form: Form, act: Callable[[Call], object], *, done: str
) -> HttpResponse:
    """Run one operation on a call and return to it; a refusal is shown on the call's own page."""
    call = get_object_or_404(Call.objects.for_page(), pk=pk)
    if apply_or_report(form, lambda: act(call) or call):
        messages.success(request, done)
        return redirect(call)
    return call_page(request, call, form=form)


@technicians
def change_call(request: HttpRequest, pk: int) -> HttpResponse:
    """Correct the facts of a call."""
    call = get_object_or_404(Call.objects.select_related("site"), pk=pk)
    form = as_opened(ChangeCallForm(request.POST or None, instance=call))
    if request.method == "POST" and apply_edit_or_report(
        form,
        lambda: operations.change_call(form.instance, by=user_of(request), at=timezone.now()),
        record=call,
        by=user_of(request),
    ):
        messages.success(request, "Saved.")
        return redirect(call)
    return render(request, "calls/call_form.html", {"form": form, "call": call}, status=status_of(form))


@technicians
def set_unit(request: HttpRequest, pk: int) -> HttpResponse:
    """Set the unit of a call."""
    call = get_object_or_404(Call.objects.select_related("site", "unit"), pk=pk)
    initial = {"unit": request.GET.get("unit") or call.unit_id}
    form = UnitForm(request.POST or None, site=call.site, initial=initial)
    if request.method == "POST" and apply_or_report(
        form,
        lambda: operations.name_unit(
            call, unit=form.cleaned_data["unit"], by=user_of(request), at=timezone.now()
        ),
    ):
        messages.success(request, "Saved.")
        return redirect(call)
    return render(request, "calls/call_unit.html", {"form": form, "call": call}, status=status_of(form))


@technicians
@require_POST
def answer(request: HttpRequest, answer_pk: int) -> HttpResponse:
    """Answer a safety question that was not asked on the phone."""
    question = get_object_or_404(SafetyAnswer, pk=answer_pk)
    form = AnswerForm(request.POST)

    def act(call: Call) -> object:
        said = form.cleaned_data["said"]
        return operations.answer_question(question, said=said, by=user_of(request), at=timezone.now())

    return _act(request, question.call_id, form, act, done="Answered.")


@technicians
@require_POST
def make_safe(request: HttpRequest, answer_pk: int) -> HttpResponse:
    """Record what made a danger safe."""
    question = get_object_or_404(SafetyAnswer, pk=answer_pk)
    form = MadeSafeForm(request.POST)

    def act(call: Call) -> object:
        how = form.cleaned_data["made_safe_how"]
        return operations.note_made_safe(question, how=how, by=user_of(request), at=timezone.now())

    return _act(request, question.call_id, form, act, done="Marked as made safe.")


@technicians
@require_POST
def wait(request: HttpRequest, pk: int) -> HttpResponse:
    """Let a call wait for a part, the maker or the customer until a day."""
    form = WaitForm(request.POST)

    def act(call: Call) -> object:
        return operations.wait_for(call, **form.cleaned_data, by=user_of(request), at=timezone.now())

    return _act(request, pk, form, act, done="The call is on hold. It comes back to the list on that day.")


@technicians
@require_POST
def resume(request: HttpRequest, pk: int) -> HttpResponse:
    """End the wait of a call."""

    def act(call: Call) -> object:
        return operations.resume(call, by=user_of(request), at=timezone.now())

    return _act(request, pk, ChoiceForm(request.POST), act, done="The call is resumed.")


@technicians
@require_POST
def close(request: HttpRequest, pk: int) -> HttpResponse:
    """Close a call whose repair is done."""

    def act(call: Call) -> object:
        return operations.close_call(call, by=user_of(request), at=timezone.now())

    return _act(request, pk, ChoiceForm(request.POST), act, done="The call is closed.")


@technicians
@require_POST
def cancel(request: HttpRequest, pk: int) -> HttpResponse:
    """Cancel a call that needs nothing from us."""
    form = CancelForm(request.POST)

    def act(call: Call) -> object:
        why = form.cleaned_data["why"]
        return operations.cancel_call(call, why=why, by=user_of(request), at=timezone.now())

    return _act(request, pk, form, act, done="The call is canceled. What was recorded stays.")


@technicians
@require_POST
def reopen(request: HttpRequest, pk: int) -> HttpResponse:
    """Reopen a call that ended too early."""

    def act(call: Call) -> object:
        return operations.reopen_call(call, by=user_of(request), at=timezone.now())

    return _act(request, pk, ChoiceForm(request.POST), act, done="The call is reopened.")
