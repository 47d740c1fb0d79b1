"""The door for web servers."""

from __future__ import annotations

import os
import sys

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "servicedesk.settings")

# A thread that works out a figure hands the interpreter over after this many seconds to threads that wait for
# it. A phone's record asks for it hundreds of times, and would wait each time as long: usually 5 ms.
sys.setswitchinterval(0.0001)

application = get_wsgi_application()
