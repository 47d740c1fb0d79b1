"""Whether the demo company is loaded."""

from __future__ import annotations

from django.conf import settings

from servicedesk.accounts.models import User
from servicedesk.core.models import Change

FIXTURES = settings.BASE_DIR / "fixtures"
LOADED = "demo company loaded"


def is_loaded() -> bool:
    """Return whether the demo company was loaded into this database."""
    return Change.objects.filter(subject=User._meta.label_lower, action=LOADED).exists()
