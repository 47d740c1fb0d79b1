"""WSGI application for web servers."""

from __future__ import annotations

import gc
import os
from importlib import import_module

from django.conf import settings
from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "servicedesk.settings")

# Objects loaded at the start stay: collecting garbage among them takes a tenth of the start, and then again
# and again.
gc.disable()
application = get_wsgi_application()
import_module(settings.ROOT_URLCONF)
gc.freeze()
gc.enable()
