"""Views of working times, absences and times agreed with customers."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST

from schedules import operations
from schedules.models import Absence, AgreedTime, WorkTerms
from schedules.plans.forms import AbsenceForm, AgreedTimeForm, TermsForm
from schedules.visits.shifts import days_of, people_out, week_ahead
from servicedesk.accounts.models import Role, User
from servicedesk.accounts.rights import schedulers, user_of
from servicedesk.core.edits import apply_edit_or_report, as_opened
from servicedesk.core.models import Change
from servicedesk.core.rules.refusals import apply_or_report
from units.models import Site
from units.views import status_of


@schedulers
def working_times(request: HttpRequest) -> HttpResponse:
    """List working times of a usual week and absences; add an absence."""
    form = AbsenceForm(request.POST or None)
    if request.method == "POST" and apply_or_report(
        form,
        lambda: operations.add_absence(form.save(commit=False), by=user_of(request), at=timezone.now()),
    ):
        messages.success(request, "Saved. Visits planned for these days stay until somebody changes them.")
        return redirect("schedules:working_times")
    people = list(User.objects.technicians().prefetch_related("groups"))
    out, today = people_out(people), timezone.localdate()
    monday = week_ahead(today)
    days = days_of(people, monday)
    context = {
        "form": form,
        "monday": monday,
        "people": [
            (person, out.get(person.pk), [day for day in days if day.person.pk == person.pk])
            for person in people
        ],
        "absences": Absence.objects.to_come(today),
    }
    return render(request, "schedules/working_times.html", context, status=status_of(form))


@schedulers
@require_POST
def remove_absence(request: HttpRequest, pk: int) -> HttpResponse:
    """Remove an absence."""
    operations.remove_absence(get_object_or_404(Absence, pk=pk), by=user_of(request), at=timezone.now())
    messages.success(request, "Removed.")
    return redirect("schedules:working_times")


@schedulers
def change_terms(request: HttpRequest, person_pk: int) -> HttpResponse:
    """Edit the work terms and hours of a person."""
    person = get_object_or_404(User.objects.technicians(), pk=person_pk)
    terms = WorkTerms.objects.filter(person=person).first()
    form = as_opened(_terms_form(person, request.POST or None))
    if request.method == "POST" and apply_edit_or_report(
        form,
        lambda: operations.set_terms(
            form.save(commit=False), form.hours(), by=user_of(request), at=timezone.now()
        ),
        record=terms,
        by=user_of(request),
        again=lambda: _terms_form(person, None),
    ):
        messages.success(request, "Saved.")
        return redirect("schedules:working_times")
    changes = Change.objects.about(terms).for_page() if terms else []
    context = {"form": form, "person": person, "changes": changes}
    return render(request, "schedules/terms.html", context, status=status_of(form))


def _terms_form(person: User, data: QueryDict | None) -> TermsForm:
    """Form of a person's work terms, with the stored values."""
    terms = WorkTerms.objects.filter(person=person).first()
    return TermsForm(
        data,
        instance=terms or WorkTerms(person=person, goes_out=person.role == Role.TECHNICIAN),
        days=list(person.working_days.all()),
        known=terms is not None,
    )


@schedulers
def agreed_times(request: HttpRequest, site_pk: int) -> HttpResponse:
    """List and add agreed times of a site."""
    site = get_object_or_404(Site, pk=site_pk)
    form = AgreedTimeForm(request.POST or None, instance=AgreedTime(site=site))
    if request.method == "POST" and apply_or_report(
        form,
        lambda: operations.agree_on_time(form.save(commit=False), by=user_of(request), at=timezone.now()),
    ):
        messages.success(request, "Saved. Planning the week uses it.")
        return redirect("schedules:agreed_times", site_pk=site.pk)
    times = site.agreed_times.filter(on__gte=timezone.localdate())
    context = {"form": form, "site": site, "times": times}
    return render(request, "schedules/agreed_times.html", context, status=status_of(form))


@schedulers
@require_POST
def drop_agreed_time(request: HttpRequest, pk: int) -> HttpResponse:
    """Remove an agreed time."""
    agreed = get_object_or_404(AgreedTime, pk=pk)
    operations.drop_agreed_time(agreed, by=user_of(request), at=timezone.now())
    messages.success(request, "Removed.")
    return redirect("schedules:agreed_times", site_pk=agreed.site_id)
