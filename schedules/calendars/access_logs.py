"""Log filter that removes the secrets of links from URLs.

An address `/calendar/<secret>.ics` is all somebody needs to read a calendar, and the link in a message opens
a visit. Web servers write addresses into their access logs, and Django writes the ones it does not find. This
filter replaces the secret in what gunicorn and Django write. A proxy in front needs its own setting (nginx:
`access_log off;` in a `location` for each).
"""

from __future__ import annotations

import logging
import re

SECRET = re.compile(r"(/calendar/|/your-visit/|/your-mail/|/welcome/\d+/)[^/\s?\"]+")
LOGGERS = ("django.request", "django.server", "django.security", "gunicorn.access", "gunicorn.error")


class BlotSecrets(logging.Filter):
    """Logging filter that replaces the secret of a link in a log line."""

    def filter(self, record: logging.LogRecord) -> bool:
        """Replace a secret in the log line; no line is dropped."""
        line = record.getMessage()
        blotted = SECRET.sub(r"\1(secret)", line)
        if blotted != line:
            record.msg, record.args = blotted, ()
        return True


def keep_secrets() -> None:
    """Add the filter to the loggers that write URLs."""
    for name in LOGGERS:
        logger = logging.getLogger(name)
        if not any(isinstance(present, BlotSecrets) for present in logger.filters):
            logger.addFilter(BlotSecrets())
