"""Export of the personal data of one customer, as one file they can be given."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from django.db.models import Model

from schedules.models import EmailPreference
from servicedesk.core.history import shown_value
from servicedesk.core.models import Change
from servicedesk.privacy.personal_data import PersonalData

INNER = {"claim", "lease_until", "tries", "next_try_at", "message_id", "rank", "addressee"}
"""Internal fields, which say nothing about anybody."""


def export_personal_data(personal_data: PersonalData, *, at: datetime) -> dict[str, Any]:
    """Personal data of a customer as plain values, by kind of record."""
    customer = personal_data.customer
    units = {unit.pk: unit.code for unit in personal_data.units}
    sites = {site.pk: site.code for site in personal_data.sites}

    def told(rows: Iterable[Model]) -> list[dict[str, str]]:
        return [_told(row, units=units, sites=sites) for row in rows]

    return {
        "made_at": at.isoformat(timespec="seconds"),
        "customer": _told(customer, units=units, sites=sites),
        "what_they_get_by_mail": told(EmailPreference.objects.filter(customer=customer)),
        "sites": told(personal_data.sites),
        "owned": told(personal_data.ownerships),
        "units": told(personal_data.units),
        "calls": told(personal_data.calls),
        "answers_about_safety": told(personal_data.safety_answers),
        "visits": told(personal_data.visits),
        "findings": told(personal_data.findings.select_related("mode")),
        "work": told(personal_data.works),
        "notifications": told(personal_data.notifications),
        "answers": told(personal_data.answers),
        "history": [
            {
                "at": change.at.isoformat(timespec="seconds"),
                "what": change.action,
                "fields": [
                    {"field": field.field, "before": field.before, "after": field.after}
                    for field in change.fields.all()
                ],
            }
            for change in Change.objects.about(customer).for_page()
        ],
    }


def _told(row: Model, *, units: dict[int, str], sites: dict[int, str]) -> dict[str, str]:
    """Fields of a record as people read them; for related records, the codes and the failure."""
    values = {"number": str(row.pk)}
    for field in row._meta.concrete_fields:
        if field.primary_key or field.name in INNER:
            continue
        if field.is_relation:
            codes = {"unit": units, "site": sites}.get(field.name, {})
            text = codes.get(getattr(row, field.attname), "")
            if field.name == "mode":
                text = str(getattr(row, field.name))
        else:
            text = shown_value(row, field)
        if text:
            values[str(field.verbose_name)] = text
    return values
