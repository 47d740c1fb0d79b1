"""View of a customer's e-mail preferences, linked from our messages."""

from __future__ import annotations

from django.contrib.auth.decorators import login_not_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.csrf import csrf_exempt

from schedules import operations
from schedules.models import EmailPreference
from schedules.notifications.forms import EmailPreferenceForm
from schedules.notifications.links import read_opt_out_token
from servicedesk.core.rules.refusals import apply_or_report
from units.models import Customer
from units.views import status_of


@csrf_exempt  # mail programs post here directly (RFC 8058); the signed address authenticates them
@login_not_required
def email_preference(request: HttpRequest, token: str) -> HttpResponse:
    """E-mail preferences of a customer; one click in a mail program unsubscribes from all."""
    pk = read_opt_out_token(token)
    customer = Customer.objects.filter(pk=pk).first() if pk is not None else None
    if customer is None:
        raise Http404("No customer is here.")
    existing = EmailPreference.objects.filter(customer=customer).first()
    one_click = request.POST.get("List-Unsubscribe") == "One-Click"
    form = EmailPreferenceForm(
        ({"what": "nothing"} if one_click else request.POST) if request.method == "POST" else None,
        initial={"what": existing.what if existing else "all"},
    )
    stored = request.method == "POST" and bool(
        apply_or_report(
            form,
            lambda: operations.set_email_preference(
                customer, form.cleaned_data["what"], by=None, at=timezone.now()
            ),
        )
    )
    answer = render(
        request, "portal/email_preference.html", {"form": form, "stored": stored}, status=status_of(form)
    )
    answer["X-Robots-Tag"] = "noindex"
    return answer
