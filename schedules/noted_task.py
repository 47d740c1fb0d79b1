"""Celery task base class that records the runs of a worker."""

from __future__ import annotations

import logging
from typing import Any

from celery import Task
from django.db import DatabaseError

from servicedesk.core.logs.formatting import describe

log = logging.getLogger(__name__)


class NotedTask(Task):
    """Celery task whose runs by a worker are recorded, as the clock records those it runs itself."""

    def after_return(self, status: str, retval: Any, *args: Any, **kwargs: Any) -> None:
        """Record the run; where the database can't be written, the next run is recorded instead."""
        if self.request.is_eager:
            return
        from schedules.periodic import note_by_worker

        try:
            note_by_worker(self.name, retval)
        except DatabaseError as error:
            log.warning("the run of %s was not noted: %s", self.name, describe(error))
