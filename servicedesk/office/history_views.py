"""Views of the whole history, as a page and as a file."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from django import forms
from django.http import HttpRequest, HttpResponseBase, StreamingHttpResponse
from django.shortcuts import render
from django.utils import timezone

from servicedesk.accounts.models import User
from servicedesk.accounts.rights import owners
from servicedesk.core.history import name_of
from servicedesk.core.models import Change
from servicedesk.core.models.changes import Source
from servicedesk.core.querysets import ChangeQuerySet
from servicedesk.core.web.exports import csv_lines
from servicedesk.core.web.paging import key_page

HEADER = ["at", "by", "source", "record", "number", "what", "field", "before", "after"]


def subjects() -> list[tuple[str, str]]:
    """Names of the kinds of records that have a history."""
    labels = Change.objects.order_by("subject").values_list("subject", flat=True).distinct()
    return sorted(((label, name_of(label)) for label in labels), key=lambda pair: pair[1])


class HistoryForm(forms.Form):
    """Filter of the history."""

    subject = forms.ChoiceField(label="Records", required=False)
    number = forms.IntegerField(
        label="Number of the record", required=False, min_value=1, max_value=2**63 - 1
    )
    by = forms.ModelChoiceField(
        User.objects.order_by("name"), label="Who", required=False, empty_label="everybody"
    )
    source = forms.ChoiceField(label="By", required=False, choices=[("", "all"), *Source.choices])
    on_from = forms.DateField(label="From", required=False, widget=forms.DateInput(attrs={"type": "date"}))
    on_until = forms.DateField(label="Until", required=False, widget=forms.DateInput(attrs={"type": "date"}))

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        choices = [("", "all"), *subjects()]
        self.fields["subject"].choices = choices  # type: ignore[attr-defined]  # it is the ChoiceField above

    def wanted(self) -> ChangeQuerySet:
        """Filtered changes; an invalid entry counts as empty."""
        self.is_valid()
        return Change.objects.wanted(**{name: self.cleaned_data.get(name) for name in self.fields})


@owners
def history(request: HttpRequest) -> HttpResponseBase:
    """All changes, or those of the filter, newest first; with ``file`` as CSV."""
    form = HistoryForm(request.GET)
    wanted = form.wanted()
    if "file" in request.GET:
        answer = StreamingHttpResponse(
            csv_lines(HEADER, _rows(wanted)), content_type="text/csv; charset=utf-8"
        )
        answer["Content-Disposition"] = 'attachment; filename="history.csv"'
        return answer
    page = key_page(wanted.for_page(), request.GET, order=("-at", "-id"))
    return render(request, "office/history.html", {"form": form, "page": page})


def _rows(changes: ChangeQuerySet) -> Iterator[list[object]]:
    """Generate a row for each field of each change, and one for a change without fields."""
    for change in changes.for_page().iterator(chunk_size=500):
        cells = [
            timezone.localtime(change.at).isoformat(timespec="seconds"),
            change.by.name if change.by else "",
            change.get_source_display(),
            name_of(change.subject),
            change.subject_id,
            change.action,
        ]
        fields = list(change.fields.all())
        for field in fields:
            yield [*cells, field.field, field.before, field.after]
        if not fields:
            yield [*cells, "", "", ""]
