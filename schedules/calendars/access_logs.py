"""Keeping the secrets of calendar links out of logs.

An address `/calendar/<secret>.ics` is all somebody needs to read a calendar, and the link in a letter opens a
visit. Web servers write addresses into their access logs, and Django writes the ones it does not find. This
filter blots the secret out of what gunicorn and Django write. A proxy in front has to be told itself (nginx:
`access_log off;` in a `location` for each).
"""

from __future__ import annotations

import logging
import re

SECRET = re.compile(r"(/calendar/|/your-visit/|/your-mail/|/welcome/\d+/)[^/\s?\"]+")
LOGGERS = ("django.request", "django.server", "django.security", "gunicorn.access", "gunicorn.error")


class BlotSecrets(logging.Filter):
    """Blots the secret of a calendar link out of a log line, whoever wrote it."""

    def filter(self, record: logging.LogRecord) -> bool:
        """Replace a secret in the log line; no line is dropped."""
        line = record.getMessage()
        blotted = SECRET.sub(r"\1(secret)", line)
        if blotted != line:
            record.msg, record.args = blotted, ()
        return True


def keep_secrets() -> None:
    """Put the filter on the loggers that write addresses."""
    for name in LOGGERS:
        logger = logging.getLogger(name)
        if not any(isinstance(present, BlotSecrets) for present in logger.filters):
            logger.addFilter(BlotSecrets())
