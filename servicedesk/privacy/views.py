"""Views of a customer's personal data: export and anonymization."""

from __future__ import annotations

from django import forms
from django.conf import settings
from django.contrib import messages
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_safe

from servicedesk.accounts.rights import owners, user_of
from servicedesk.core.rules.refusals import apply_or_report
from servicedesk.core.values.words import count
from servicedesk.privacy.anonymize import anonymize_customer
from servicedesk.privacy.data_export import export_personal_data
from servicedesk.privacy.personal_data import PersonalData
from units.models import Customer


class AnonymizeForm(forms.Form):
    """Confirmation that a customer is to be anonymized, by their name."""

    name = forms.CharField(max_length=160, label="The customer’s name, as written above")
    places = forms.BooleanField(
        label="Also erase the address and how to get in at sites that nobody owned after them",
        required=False,
        initial=True,
    )

    def __init__(self, *args: object, customer: Customer, **kwargs: object) -> None:
        super().__init__(*args, **kwargs)  # type: ignore[arg-type]
        self.customer = customer

    def clean_name(self) -> str:
        """Refuse a name that is not the one of this customer."""
        name: str = self.cleaned_data["name"]
        if name.casefold() != self.customer.name.casefold():
            raise forms.ValidationError("That is not the name of this customer: nothing was erased.")
        return name


@owners
@require_safe
def export_data(request: HttpRequest, pk: int) -> HttpResponse:
    """Export of the personal data of a customer, as a file for them."""
    personal_data = PersonalData(get_object_or_404(Customer, pk=pk))
    answer = JsonResponse(
        export_personal_data(personal_data, at=timezone.now()),
        json_dumps_params={"indent": 1, "ensure_ascii": False},
    )
    answer["Content-Disposition"] = f'attachment; filename="customer-{pk}.json"'
    return answer


@owners
def erase(request: HttpRequest, pk: int) -> HttpResponse:
    """Anonymize a customer, after showing what is deleted and what stays."""
    customer = get_object_or_404(Customer, pk=pk)
    form = AnonymizeForm(request.POST or None, customer=customer)
    erased = request.method == "POST" and apply_or_report(
        form,
        lambda: anonymize_customer(
            customer, places=form.cleaned_data["places"], by=user_of(request), at=timezone.now()
        ),
    )
    if erased:
        records, values = count(erased.records, "record"), count(erased.history, "old value")
        messages.success(request, f"Erased: {records} and {values} in the history.")
        return redirect(customer)
    backup_count = settings.BACKUP_KEEP if settings.BACKUP_DIR else 0
    context = {
        "form": form,
        "customer": customer,
        "held": PersonalData(customer),
        "backups_kept": backup_count,
    }
    return render(request, "privacy/customer_erase.html", context, status=422 if form.errors else 200)
