"""Views that log a call: find the site, then one short page."""

from __future__ import annotations

from functools import reduce
from operator import or_

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone

from servicedesk.accounts.rights import technicians, user_of
from servicedesk.calls import operations
from servicedesk.calls.forms import LogForm, SiteSearchForm
from servicedesk.calls.models import Call
from servicedesk.calls.safety import DEFERENCE
from servicedesk.core.idempotency import save_idempotent
from servicedesk.core.values.searching import code_has, words_of
from servicedesk.core.values.typed import read_key, read_scrap
from units.models import Site, Unit
from units.views import status_of

MOST_FOUND = 12
SHORTEST_SCRAP = 2


def _told_before(site: Site) -> dict[str, object]:
    """Initial values of the caller: the owner, more often than not."""
    owner = next((ownership.customer for ownership in site.owners), None)  # type: ignore[attr-defined]
    return {"reported_by": owner.name, "phone": owner.phone} if owner else {}


def _sites_with_units(text: str) -> list[Site]:
    """Sites that match a search, each with its units whose code matches as ``hits``."""
    sites = list(
        Site.objects.matching(text).with_owner().with_unit_count().order_by("code")[: MOST_FOUND + 1]
    )
    named = reduce(or_, [code_has(word, "code") for word in words_of(text) or [text]])
    hits = Unit.objects.in_place().filter(named, site__in=sites).order_by("code")
    by_site: dict[int, list[Unit]] = {}
    for unit in hits:
        by_site.setdefault(unit.site_id, []).append(unit)
    for site in sites:
        site.hits = by_site.get(site.pk, [])[:6]  # type: ignore[attr-defined]
    return sites


@technicians
def log_call(request: HttpRequest) -> HttpResponse:
    """Find the site of a caller; a site or unit named in the address is used as is."""
    if unit := request.GET.get("unit", ""):
        site = get_object_or_404(Site, units__pk=read_key(unit) or 0)
        return redirect(reverse("calls:log_call_at", args=[site.pk], query={"unit": unit}))
    if site_pk := read_key(request.GET.get("site")):
        return redirect("calls:log_call_at", site_pk=site_pk)
    search = SiteSearchForm(request.GET or None)
    text = read_scrap(request.GET.get("q"))
    sites = _sites_with_units(text) if len(text) >= SHORTEST_SCRAP else []
    context = {"search": search, "text": text, "found": sites[:MOST_FOUND], "more": len(sites) > MOST_FOUND}
    return render(request, "calls/log_find.html", context)


@technicians
def log_call_at(request: HttpRequest, site_pk: int) -> HttpResponse:
    """Log a call from a site."""
    site = get_object_or_404(Site.objects.with_owner(), pk=site_pk)
    initial = {**_told_before(site), "symptom": None, "urgency": None, "unit": request.GET.get("unit")}
    form = LogForm(request.POST or None, instance=Call(site=site), site=site, initial=initial)

    def make() -> str:
        call: Call = form.instance
        call.urgency = form.cleaned_data["urgency"]
        by, at = user_of(request), timezone.now()
        return operations.log_call(call, answers=form.answers, by=by, at=at).get_absolute_url()

    if where := save_idempotent(request, form, make):
        messages.success(request, "The call is logged. Its repair is on the list of work to schedule.")
        return redirect(where)
    open_calls = Call.objects.open().for_site(site).for_list().most_urgent_first()
    context = {"form": form, "site": site, "open_calls": open_calls, "deference": DEFERENCE}
    return render(request, "calls/log_call.html", context, status=status_of(form))
