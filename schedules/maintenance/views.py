"""Views of maintenance rules, of who does the maintenance where, and of the next twelve months."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.contrib import messages
from django.db.models import Count, Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone

from schedules import operations
from schedules.forms import CareByForm, MaintenanceRuleForm, NewMaintenanceRuleForm
from schedules.maintenance.recurrence import preview
from schedules.maintenance.year_ahead import (
    maintenance_at,
    maintenance_of_year,
    months_ahead,
    our_maintenance,
    total,
)
from schedules.models import MaintenanceRule
from servicedesk.accounts.rights import owners, schedulers, technicians, user_of
from servicedesk.core.edits import apply_edit_or_report, as_opened
from servicedesk.core.idempotency import save_idempotent
from servicedesk.core.models import Change
from servicedesk.core.rules.refusals import apply_or_report
from servicedesk.core.values.typed import read_scrap
from servicedesk.core.values.words import count
from servicedesk.core.web.paging import key_page
from units.models import Site
from units.operations import set_care_by
from units.views import status_of


@owners
def maintenance_rules(request: HttpRequest) -> HttpResponse:
    """List all maintenance rules, by component type."""
    rules = MaintenanceRule.objects.for_list().annotate(
        parts=Count("due", filter=Q(due__installed_part__removed_on=None))
    )
    return render(request, "schedules/maintenance_rule_list.html", {"rules": rules})


@owners
def add_maintenance_rule(request: HttpRequest) -> HttpResponse:
    """Add a maintenance rule for a component type."""
    form = NewMaintenanceRuleForm(request.POST or None)

    def make() -> str:
        operations.add_maintenance_rule(form.instance, by=user_of(request), at=timezone.now())
        return reverse("schedules:maintenance_rules")

    if where := save_idempotent(request, form, make):
        messages.success(request, "Added. Parts of this type come under the rule within the hour.")
        return redirect(where)
    return render(request, "schedules/maintenance_rule_add.html", {"form": form}, status=status_of(form))


@owners
def change_maintenance_rule(request: HttpRequest, pk: int) -> HttpResponse:
    """Edit a maintenance rule; its due dates are recomputed."""
    rule = get_object_or_404(MaintenanceRule.objects.select_related("component_type"), pk=pk)
    form = as_opened(MaintenanceRuleForm(request.POST or None, instance=rule))
    if request.method == "POST" and apply_edit_or_report(
        form,
        lambda: operations.change_maintenance_rule(
            form.instance, why=form.cleaned_data["why"], by=user_of(request), at=timezone.now()
        ),
        record=rule,
        by=user_of(request),
    ):
        messages.success(request, "Saved. Due dates under this rule were recalculated.")
        return redirect("schedules:maintenance_rules")
    stored = MaintenanceRule.objects.get(pk=pk)
    context = {"form": form, "rule": stored, "changes": Change.objects.about(rule).for_page()}
    context |= _outlook(stored, today=timezone.localdate())
    return render(request, "schedules/maintenance_rule_form.html", context, status=status_of(form))


def _outlook(rule: MaintenanceRule, *, today: date) -> dict[str, Any]:
    """Number of parts under a rule, how many are due, and when it would be due again if done today."""
    in_place = rule.due.filter(installed_part__removed_on__isnull=True)
    until = date(today.year + 3 + rule.interval_months // 12, 12, 31)
    dates = preview(today, interval_months=rule.interval_months, season=rule.season, until=until)
    return {"parts": in_place.count(), "due_now": in_place.due(today).count(), "again": dates[:3]}


@schedulers
def care_by(request: HttpRequest) -> HttpResponse:
    """List who does the maintenance at each site; several sites can be changed at once."""
    who, text = request.GET.get("by", Site.CareBy.NOBODY), read_scrap(request.GET.get("q"))
    form = CareByForm(request.POST or None)
    if request.method == "POST":
        moved = apply_or_report(
            form, lambda: set_care_by(**form.cleaned_data, by=user_of(request), at=timezone.now())
        )
        if moved is not None:
            messages.success(request, f"Saved for {count(moved, 'site')}." if moved else "No site changed.")
            return redirect(request.get_full_path())
    sites = Site.objects.matching(text).with_owner().with_unit_count()
    if who in Site.CareBy.values:
        sites = sites.filter(care_by=who)
    page = key_page(sites, request.GET, order=("code",), size=100)
    context = {"page": page, "form": form, "who": who, "text": text, "choices": Site.CareBy.choices}
    return render(request, "schedules/care_by.html", context, status=status_of(form))


@schedulers
def maintenance_ahead(request: HttpRequest) -> HttpResponse:
    """Hours and material of our maintenance in the next twelve months, month by month."""
    months = months_ahead(our_maintenance(), today=timezone.localdate())
    return render(request, "schedules/maintenance_ahead.html", {"months": months, "total": total(months)})


@technicians
def site_maintenance(request: HttpRequest, site_pk: int) -> HttpResponse:
    """Maintenance at one site over twelve months, day by day; with ``unit``, of one of its units."""
    site = get_object_or_404(Site, pk=site_pk)
    dues, code = maintenance_at(site), request.GET.get("unit", "")
    if code:
        dues = dues.filter(installed_part__unit__code=code)
    planned = maintenance_of_year(dues, today=timezone.localdate())
    context = {
        "site": site,
        "unit": code,
        "planned": planned,
        "minutes": sum(each.minutes for each in planned),
    }
    return render(request, "schedules/site_maintenance.html", context)
