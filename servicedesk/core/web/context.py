"""Template context of every page."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.http import HttpRequest
from django.utils import timezone


def base_context(request: HttpRequest) -> dict[str, Any]:
    """Context processor: company's name and telephone, today's date and the signed-in user's role."""
    user = getattr(request, "user", None)
    return {
        "company": settings.COMPANY_NAME,
        "company_phone": settings.COMPANY_PHONE,
        "today": timezone.localdate(),
        "role": getattr(user, "role", None) if user is not None and user.is_authenticated else None,
    }
