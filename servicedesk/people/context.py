"""What every template knows."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.http import HttpRequest
from django.utils import timezone


def desk(request: HttpRequest) -> dict[str, Any]:
    """Give templates the company's name, today's date and the signed-in person's role."""
    user = getattr(request, "user", None)
    return {
        "company": settings.COMPANY_NAME,
        "today": timezone.localdate(),
        "role": getattr(user, "role", None) if user is not None and user.is_authenticated else None,
    }
