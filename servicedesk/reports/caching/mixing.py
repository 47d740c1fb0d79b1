"""Warning on figures while an import is being applied or reverted."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from django.http import HttpRequest, HttpResponse

from servicedesk.core.models import Batch
from servicedesk.reports.annual_report.blocks import Paper, Words

APP = "reports"
ALSO = {"office:home"}
"""Pages of other apps that show figures."""


def mixing_words() -> str:
    """Warning that an import is under way or was stopped half-way; "" where none is."""
    stages = set(Batch.objects.half_way().values_list("stage", flat=True))
    done = [words for stage, words in (("applying", "applied"), ("reverting", "undone")) if stage in stages]
    if not done:
        return ""
    return (
        f"An import is being {' and another '.join(done)}: figures may mix old and new data until it "
        "has finished."
    )


def mark_paper(paper: Paper, words: str) -> Paper:
    """Add the warning of a half-finished import, if there is one, at the top of a document."""
    return replace(paper, blocks=[Words(words, lead=True), *paper.blocks]) if words else paper


def mark_line(words: str) -> str:
    """Format the warning of a half-finished import as a line of CSV."""
    line = io.StringIO()
    csv.writer(line).writerow([words])
    return line.getvalue()


class MixingMiddleware:
    """Middleware that adds the warning of a half-finished import to pages and CSV files of figures."""

    def __init__(self, get_response: Callable[[HttpRequest], Any]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> Any:
        answer = self.get_response(request)
        words = getattr(request, "figures_mix", "")
        if (
            words
            and isinstance(answer, HttpResponse)
            and answer.get("Content-Type", "").startswith("text/csv")
        ):
            answer.content = mark_line(words).encode() + answer.content
        return answer

    def process_view(self, request: HttpRequest, *_: Any) -> None:
        """Set the warning on requests for figures; base.html shows it."""
        match = request.resolver_match
        if request.method == "GET" and match and (match.app_name == APP or match.view_name in ALSO):
            request.figures_mix = mixing_words()  # type: ignore[attr-defined]
