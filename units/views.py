"""Views of the register: units, sites, customers and follow-up periods."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone

from servicedesk.accounts.rights import schedulers, technicians, user_of
from servicedesk.core.edits import apply_edit_or_report, as_opened
from servicedesk.core.idempotency import save_idempotent
from servicedesk.core.models import Change
from servicedesk.core.rules.refusals import apply_or_report
from servicedesk.core.values.typed import read_scrap
from servicedesk.core.web.paging import key_page
from units import operations
from units.forms import (
    CustomerForm,
    EndObservationForm,
    NewCustomerForm,
    NewSiteForm,
    NewUnitForm,
    ObservationForm,
    OwnerForm,
    SiteForm,
    TakeOutForm,
    UnitForm,
    UnitSearchForm,
)
from units.models import Customer, ObservationPeriod, Site, Unit

REFUSED = 422  # the form comes back with its reasons


def status_of(form: UnitForm | object) -> int:
    """HTTP status of a page with a form: 422 where the form has errors, else 200."""
    return REFUSED if getattr(form, "errors", None) else 200


@technicians
def units(request: HttpRequest) -> HttpResponse:
    """List and search units."""
    search = UnitSearchForm(request.GET)
    search.is_valid()
    page = key_page(Unit.objects.for_search(search.cleaned_data).for_list(), request.GET, order=("code",))
    return render(request, "units/unit_list.html", {"page": page, "search": search})


@schedulers
def add_unit(request: HttpRequest, site_pk: int) -> HttpResponse:
    """Add a unit to a site."""
    site = get_object_or_404(Site, pk=site_pk)
    form = NewUnitForm(request.POST or None, instance=Unit(site=site))

    def make() -> str:
        cleaned_data = form.cleaned_data
        unit = form.instance
        unit.construction = cleaned_data["construction"]
        extras = operations.Extras(
            lower_lite=unit.lower_lite_mm is not None,
            extension_jamb=cleaned_data["extension_jamb"],
            lot=cleaned_data["lot"],
        )
        return operations.add_unit(
            unit,
            extras=extras,
            observed_from=cleaned_data["observed_from"] or unit.installed_on,
            age_known=cleaned_data["age_known"],
            by=user_of(request),
            at=timezone.now(),
        ).get_absolute_url()

    if where := save_idempotent(request, form, make):
        messages.success(request, "Saved.")
        return redirect(where)
    return render(request, "units/unit_add.html", {"form": form, "site": site}, status=status_of(form))


@schedulers
def change_unit(request: HttpRequest, pk: int) -> HttpResponse:
    """Edit a unit."""
    unit = get_object_or_404(Unit.objects.select_related("site"), pk=pk)
    form = as_opened(UnitForm(request.POST or None, instance=unit))
    if request.method == "POST" and apply_edit_or_report(
        form,
        lambda: operations.change_unit(form.instance, by=user_of(request), at=timezone.now()),
        record=unit,
        by=user_of(request),
    ):
        messages.success(request, "Saved.")
        return redirect(unit)
    return render(request, "units/unit_form.html", {"form": form, "unit": unit}, status=status_of(form))


@schedulers
def remove_unit(request: HttpRequest, pk: int) -> HttpResponse:
    """Remove a unit."""
    unit = get_object_or_404(Unit, pk=pk)
    form = TakeOutForm(request.POST or None, initial={"on": timezone.localdate()})
    if request.method == "POST" and apply_or_report(
        form,
        lambda: operations.remove_unit(
            unit, on=form.cleaned_data["on"], by=user_of(request), at=timezone.now()
        ),
    ):
        messages.success(request, "Removed. Its history stays.")
        return redirect(unit)
    return render(request, "units/unit_remove.html", {"form": form, "unit": unit}, status=status_of(form))


@schedulers
def begin_observation(request: HttpRequest, pk: int) -> HttpResponse:
    """Begin a new follow-up period of a unit."""
    unit = get_object_or_404(Unit, pk=pk)
    form = ObservationForm(request.POST or None, instance=ObservationPeriod(unit=unit))
    if request.method == "POST" and apply_or_report(
        form,
        lambda: operations.resume_observation(
            unit,
            from_on=form.cleaned_data["from_on"],
            began=form.cleaned_data["began"],
            by=user_of(request),
            at=timezone.now(),
        ),
    ):
        messages.success(request, "Saved.")
        return redirect(unit)
    return render(request, "units/unit_observe.html", {"form": form, "unit": unit}, status=status_of(form))


@schedulers
def end_observation(request: HttpRequest, pk: int) -> HttpResponse:
    """End a follow-up period of a unit."""
    period = get_object_or_404(ObservationPeriod.objects.select_related("unit"), pk=pk)
    form = as_opened(EndObservationForm(request.POST or None, instance=period))
    if request.method == "POST" and apply_edit_or_report(
        form,
        lambda: operations.change_record(form.instance, by=user_of(request), at=timezone.now()),
        record=period,
        by=user_of(request),
    ):
        messages.success(request, "Saved.")
        return redirect(period.unit)
    context = {"form": form, "unit": period.unit, "period": period}
    return render(request, "units/unit_end_observation.html", context, status=status_of(form))


@technicians
def sites(request: HttpRequest) -> HttpResponse:
    """List and search sites."""
    text = read_scrap(request.GET.get("q"))
    queryset = Site.objects.matching(text).with_owner().with_unit_count()
    page = key_page(queryset, request.GET, order=("code",))
    return render(request, "units/site_list.html", {"page": page, "text": text})


@schedulers
def add_site(request: HttpRequest) -> HttpResponse:
    """Add a site."""
    form = NewSiteForm(request.POST or None, initial={"customer": request.GET.get("customer")})

    def make() -> str:
        cleaned_data = form.cleaned_data
        return operations.add_site(
            form.instance,
            customer=cleaned_data["customer"],
            owned_from=cleaned_data["owned_from"] or timezone.localdate(),
            by=user_of(request),
            at=timezone.now(),
        ).get_absolute_url()

    if where := save_idempotent(request, form, make):
        messages.success(request, "Saved. Add the site’s units next.")
        return redirect(where)
    return render(request, "units/site_add.html", {"form": form}, status=status_of(form))


@schedulers
def change_site(request: HttpRequest, pk: int) -> HttpResponse:
    """Edit a site."""
    site = get_object_or_404(Site, pk=pk)
    form = as_opened(SiteForm(request.POST or None, instance=site))
    if request.method == "POST" and apply_edit_or_report(
        form,
        lambda: operations.change_site(form.instance, by=user_of(request), at=timezone.now()),
        record=site,
        by=user_of(request),
    ):
        messages.success(request, "Saved.")
        return redirect(site)
    return render(request, "units/site_form.html", {"form": form, "site": site}, status=status_of(form))


@schedulers
def change_owner(request: HttpRequest, pk: int) -> HttpResponse:
    """Change the owner of a site."""
    site = get_object_or_404(Site, pk=pk)
    form = OwnerForm(request.POST or None, initial={"on": timezone.localdate()})

    def keep() -> bool:
        cleaned_data = form.cleaned_data
        operations.change_owner(
            site,
            customer=cleaned_data["customer"],
            on=cleaned_data["on"],
            by=user_of(request),
            at=timezone.now(),
        )
        return True

    if request.method == "POST" and apply_or_report(form, keep):
        messages.success(request, "Saved. The earlier owner stays in the site's history.")
        return redirect(site)
    return render(request, "units/site_owner.html", {"form": form, "site": site}, status=status_of(form))


@schedulers
def customers(request: HttpRequest) -> HttpResponse:
    """List and search customers."""
    text = read_scrap(request.GET.get("q"))
    page = key_page(Customer.objects.matching(text), request.GET, order=("name", "id"))
    return render(request, "units/customer_list.html", {"page": page, "text": text})


@technicians
def customer(request: HttpRequest, pk: int) -> HttpResponse:
    """One customer and the sites that are or were theirs."""
    record = get_object_or_404(Customer, pk=pk)
    context = {
        "customer": record,
        "ownerships": record.ownerships.select_related("site").order_by("-from_on"),
        "changes": Change.objects.about(record).for_page(),
    }
    return render(request, "units/customer.html", context)


@schedulers
def add_customer(request: HttpRequest) -> HttpResponse:
    """Add a customer."""
    form = NewCustomerForm(request.POST or None)
    if where := save_idempotent(
        request,
        form,
        lambda: operations.add_record(
            form.instance, by=user_of(request), at=timezone.now()
        ).get_absolute_url(),
    ):
        messages.success(request, "Saved. Add the customer’s site next.")
        return redirect(where)
    return render(request, "units/customer_add.html", {"form": form}, status=status_of(form))


@schedulers
def change_customer(request: HttpRequest, pk: int) -> HttpResponse:
    """Edit a customer."""
    record = get_object_or_404(Customer, pk=pk)
    form = as_opened(CustomerForm(request.POST or None, instance=record))
    if request.method == "POST" and apply_edit_or_report(
        form,
        lambda: operations.change_record(form.instance, by=user_of(request), at=timezone.now()),
        record=record,
        by=user_of(request),
    ):
        messages.success(request, "Saved.")
        return redirect(record)
    return render(
        request, "units/customer_form.html", {"form": form, "customer": record}, status=status_of(form)
    )
