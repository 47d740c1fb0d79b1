"""Views that import a fleet from files; the work itself is in `servicedesk.imports.operations`."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from django import forms
from django.conf import settings
from django.contrib import messages
from django.db.models import QuerySet
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase, StreamingHttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST

from servicedesk.accounts.body_sizes import takes_up_to
from servicedesk.accounts.rights import schedulers, user_of
from servicedesk.core.idempotency import IdempotencyKeyForm, save_idempotent
from servicedesk.core.models import Batch, Change
from servicedesk.core.rules.refusals import RuleViolation
from servicedesk.core.web.exports import csv_lines, csv_response
from servicedesk.imports import operations
from servicedesk.imports.files.columns import HISTORY, PERIODS, UNITS
from servicedesk.imports.models import InputFile
from servicedesk.imports.staging.bad_rows import PROBLEM_COLUMNS
from units.models import Site

SHOWN = 100
EMPTY_FILES = {"units": UNITS, "history": HISTORY, "periods": PERIODS}


class ImportForm(IdempotencyKeyForm):
    """Files of one import, and its options."""

    units = forms.FileField(label="Units", help_text="One row per unit. Required every time.")
    history = forms.FileField(
        label="History", required=False, help_text="Calls, findings and maintenance from your older records."
    )
    periods = forms.FileField(
        label="Periods", required=False, help_text="Only for units you watched more than once."
    )
    check_only = forms.BooleanField(
        label="A trial run: check the files and change nothing", required=False, initial=True
    )
    keep_good = forms.BooleanField(label="Import valid rows even if others are not valid", required=False)
    care_by = forms.ChoiceField(
        label="Maintenance at new sites",
        choices=Site.CareBy.choices,
        initial=Site.CareBy.NOBODY,
        help_text="Only maintenance that you do by agreement becomes work to schedule.",
    )

    def incoming(self) -> dict[InputFile, operations.Incoming]:
        """Files that were chosen."""
        chosen = {file: self.cleaned_data[file.value] for file in InputFile}
        return {file: operations.Incoming(sent.name, sent.file) for file, sent in chosen.items() if sent}


class RevertForm(forms.Form):
    """Confirmation that an import is to be reverted, by its number."""

    number = forms.CharField(max_length=20)

    def __init__(self, *args: Any, batch: Batch, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.batch = batch
        self.fields["number"].label = f"To undo it, type the number of the import: {batch.pk}"
        self.fields["number"].widget.attrs |= {"inputmode": "numeric", "autocomplete": "off"}

    def clean_number(self) -> str:
        """Refuse a number that is not the one of this import."""
        number: str = self.cleaned_data["number"]
        if number != str(self.batch.pk):
            raise forms.ValidationError("That is not the number of this import: nothing was undone.")
        return number


@schedulers
def imports(request: HttpRequest) -> HttpResponse:
    """List of all imports."""
    return render(request, "imports/import_list.html", {"batches": Batch.objects.for_list()[:50]})


@schedulers
@takes_up_to(lambda: int(settings.IMPORT_MAX_BYTES))
def create_import(request: HttpRequest) -> HttpResponse:
    """Create an import from uploaded files."""
    form = ImportForm(request.POST or None, request.FILES or None)

    def make() -> str:
        data = form.cleaned_data
        batch = operations.create_batch(
            form.incoming(),
            keep_good=data["keep_good"],
            check_only=data["check_only"],
            care_by=data["care_by"],
            by=user_of(request),
            at=timezone.now(),
        )
        operations.enqueue_resume(batch)
        return batch.get_absolute_url()

    if where := save_idempotent(request, form, make):
        return redirect(where)
    return render(request, "imports/import_add.html", {"form": form}, status=422 if form.errors else 200)


@schedulers
def one_import(request: HttpRequest, pk: int) -> HttpResponse:
    """Page of one import: progress, problems, and what can be done next."""
    batch = get_object_or_404(Batch.objects.for_list(), pk=pk)
    context: dict[str, Any] = {"batch": batch, "under_way": batch in _under_way(), "waits": _waits(batch)}
    if request.htmx:  # type: ignore[attr-defined]
        return render(request, "imports/import_progress.html", context)
    context |= {
        "problems": list(operations.problems(batch, most=SHOWN)),
        "problem_count": operations.count_problems(batch),
        "shown": SHOWN,
        "assumed": operations.starts_words(batch),
        "changes": Change.objects.about(batch).for_page(),
    }
    return render(request, "imports/import.html", context)


def _under_way() -> QuerySet[Batch]:
    return Batch.objects.unfinished().filter(problem="")


def _waits(batch: Batch) -> bool:
    """Return whether no process has taken the import up for a while since the last request."""
    asked_at = Change.objects.about(batch).order_by("-pk").values_list("at", flat=True).first()
    waited = timezone.now() - (asked_at or batch.started_at)
    return batch.worker == "" and waited.total_seconds() > 30


@schedulers
@require_POST
def approve_import(request: HttpRequest, pk: int) -> HttpResponse:
    """Approve a checked import; with bad rows among them, only the good ones."""
    batch = get_object_or_404(Batch, pk=pk)
    return _done(request, batch, lambda by: operations.approve_good_rows(batch, by=by, at=timezone.now()))


@schedulers
def revert_import(request: HttpRequest, pk: int) -> HttpResponse:
    """Revert an import, after showing the consequences."""
    batch = get_object_or_404(Batch, pk=pk)
    if batch.stage not in (Batch.Stage.APPLYING, Batch.Stage.APPLIED):
        messages.error(request, f"{str(batch).capitalize()} is {batch.get_stage_display()}.")
        return redirect(batch)
    form = RevertForm(request.POST or None, batch=batch)
    if request.method == "POST" and form.is_valid():
        return _done(request, batch, lambda by: operations.revert_later(batch, by=by, at=timezone.now()))
    context = {"form": form, "batch": batch, "what": operations.Consequences.of(batch)}
    return render(request, "imports/import_revert.html", context, status=422 if form.errors else 200)


@schedulers
@require_POST
def stop_import(request: HttpRequest, pk: int) -> HttpResponse:
    """Stop an import that is being applied or reverted; what is done stays, and it can be resumed."""
    batch = get_object_or_404(Batch, pk=pk)
    return _done(request, batch, lambda by: operations.stop(batch, by=by, at=timezone.now()))


@schedulers
@require_POST
def resume_import(request: HttpRequest, pk: int) -> HttpResponse:
    """Resume an import that was stopped."""
    batch = get_object_or_404(Batch, pk=pk)
    return _done(request, batch, lambda by: operations.resume_later(batch, by=by, at=timezone.now()))


@schedulers
@require_POST
def discard_import(request: HttpRequest, pk: int) -> HttpResponse:
    """Delete an import of which nothing was applied."""
    batch = get_object_or_404(Batch, pk=pk)
    try:
        operations.discard_batch(batch)
    except (RuleViolation, operations.LeaseLost) as refusal:
        messages.error(request, str(refusal))
        return redirect(batch if Batch.objects.filter(pk=pk).exists() else "imports:imports")
    messages.success(request, "Discarded: the files and what was read from them are deleted.")
    return redirect("imports:imports")


def _done(request: HttpRequest, batch: Batch, act: Any) -> HttpResponse:
    try:
        act(user_of(request))
    except (RuleViolation, operations.LeaseLost) as refusal:
        messages.error(request, str(refusal))
    return redirect(batch)


@schedulers
def import_problems(request: HttpRequest, pk: int) -> HttpResponseBase:
    """Table of all problems, to download."""
    batch = get_object_or_404(Batch, pk=pk)
    rows = (
        [problem.file, problem.line, problem.column, problem.value, problem.reason]
        for problem in operations.problems(batch)
    )
    return _download(f"import-{pk}-problems.csv", list(PROBLEM_COLUMNS), rows)


@schedulers
def import_bad_rows(request: HttpRequest, pk: int, file: str) -> HttpResponseBase:
    """Bad rows of one file with their reasons, to be corrected and imported again."""
    batch = get_object_or_404(Batch, pk=pk)
    record = batch.files.filter(file=file, bad__gt=0).first()
    if record is None:
        raise Http404
    try:
        rows = operations.bad_rows(batch, InputFile(file))
        header = next(rows)
    except (OSError, StopIteration):
        messages.error(request, "The file is no longer stored; the list of problems is.")
        return redirect(batch)
    return _download(f"import-{pk}-{file}-bad.csv", header, rows)


@schedulers
def empty_file(request: HttpRequest, what: str) -> HttpResponse:
    """Template file with nothing but the right column names."""
    if what not in EMPTY_FILES:
        raise Http404
    return csv_response(f"{what}.csv", EMPTY_FILES[what].names, [])


def _download(name: str, header: list[str], rows: Iterator[list[Any]]) -> StreamingHttpResponse:
    answer = StreamingHttpResponse(csv_lines(header, rows), content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="{name}"'
    return answer
