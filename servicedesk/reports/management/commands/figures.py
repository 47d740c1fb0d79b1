"""Prints the figures of the pages, for spreadsheets and programs."""

from __future__ import annotations

import json
from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from servicedesk.exports import write_table
from servicedesk.reports.asking import DAYS, QuestionError, read_selection
from servicedesk.reports.comparison import compare_figure
from servicedesk.reports.curve_figures import RECURRENCE, SURVIVAL, curves_figure
from servicedesk.reports.exclusion_words import exclusion_lines
from servicedesk.reports.rate_figures import rates_figure
from servicedesk.reports.selection import Selection
from servicedesk.reports.tables import (
    as_text,
    compare_header,
    compare_json,
    compare_rows,
    curves_header,
    curves_json,
    curves_rows,
    rates_header,
    rates_json,
    rates_rows,
)
from servicedesk.reports.traits import GROUPINGS, TRAITS, UNKNOWN
from units.models import ComponentType

RATES = "rates"
COMPARE = "compare"
NAMES = (RATES, COMPARE, SURVIVAL, RECURRENCE)
BAD_QUESTION = 2


class Command(BaseCommand):
    """Print how often parts fail, how long they last, or how failures gather over age."""

    help = (
        "Print failure rates by group (rates), two types held against each other (compare, with --of and "
        "--with), the share without failure by age (survival), or the average "
        "number of failures by age (recurrence), as the pages show them. Rates and their 95 % limits are per "
        "100 item-years. In JSON a row's first key is what it is grouped by, such as “component” or "
        "“construction”; what the records are too thin for is null, with its reason."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("name", metavar="NAME", help=", ".join(NAMES))
        parser.add_argument("--of", metavar="TYPE", help="the first of two types to compare")
        parser.add_argument("--with", metavar="TYPE", help="the type it is held against")
        parser.add_argument(
            "--by", default="component", help=f"what to group by: {', '.join(GROUPINGS)} (default: component)"
        )
        parser.add_argument("--mode", metavar="CODE", help="only failures of this mode, by code or name")
        for name, words in DAYS.items():
            parser.add_argument(f"--{name.replace('_', '-')}", dest=name, metavar="DATE", help=words)
        for name, trait in TRAITS.items():
            parser.add_argument(
                f"--{name}",
                action="append",
                metavar="WHICH",
                help=f"only this {trait.words}, or “{UNKNOWN}”; may be given again for more",
            )
        form = parser.add_mutually_exclusive_group()
        form.add_argument("--json", action="store_true", help="as a JSON document")
        form.add_argument("--csv", action="store_true", help="as a CSV file")

    def handle(self, *args: Any, **options: Any) -> None:
        name, by = options["name"], options["by"]
        if name not in NAMES:
            known = f"{', '.join(NAMES[:-1])} and {NAMES[-1]}"
            raise CommandError(f"“{name}” is no figure. There are {known}.", returncode=BAD_QUESTION)
        if by not in GROUPINGS:
            raise CommandError(
                f"--by: figures can't be grouped by “{by}”. There are {', '.join(GROUPINGS)}.",
                returncode=BAD_QUESTION,
            )
        selection = self._selection(options)
        if name == RATES:
            self._print_rates(selection, options)
        elif name == COMPARE:
            self._print_comparison(selection, options)
        else:
            self._print_curves(selection, options)

    def _selection(self, options: dict[str, Any]) -> Selection:
        asked = {name: _listed(options.get(name)) for name in TRAITS}
        asked |= {name: [options[name]] for name in ("mode", *DAYS) if options.get(name)}
        try:
            return read_selection(asked, today=timezone.localdate())
        except QuestionError as error:
            raise CommandError(
                f"--{error.name.replace('_', '-')}: {error}", returncode=BAD_QUESTION
            ) from error

    def _print_rates(self, selection: Selection, options: dict[str, Any]) -> None:
        figure = rates_figure(selection, by=options["by"])
        self._print(options, rates_json(figure), rates_header(figure), list(rates_rows(figure)))

    def _print_comparison(self, selection: Selection, options: dict[str, Any]) -> None:
        one, other = (self._type(options, name) for name in ("of", "with"))
        if one.pk == other.pk or one.kind != other.kind:
            raise CommandError(
                f"--with: take another {one.get_kind_display()} than {one.name}: only types of one kind of "
                "part do the same job.",
                returncode=BAD_QUESTION,
            )
        figure = compare_figure(selection, one=one.pk, other=other.pk)
        self._print(options, compare_json(figure), compare_header(figure), list(compare_rows(figure)))

    def _type(self, options: dict[str, Any], name: str) -> ComponentType:
        told = options.get(name)
        if not told:
            raise CommandError(f"--{name}: say which type of part to compare.", returncode=BAD_QUESTION)
        try:
            return ComponentType.objects.get(pk=TRAITS["component"].read(told) or 0)
        except ValueError as error:
            known = ", ".join(ComponentType.objects.order_by("name").values_list("name", flat=True))
            raise CommandError(f"--{name}: {error} There are {known}.", returncode=BAD_QUESTION) from error

    def _print_curves(self, selection: Selection, options: dict[str, Any]) -> None:
        figure = curves_figure(selection, name=options["name"], by=options["by"])
        self._print(options, curves_json(figure), curves_header(figure), list(curves_rows(figure)))

    def _print(
        self, options: dict[str, Any], document: dict[str, Any], header: list[str], rows: list[list[Any]]
    ) -> None:
        if options["json"]:
            self.stdout.write(json.dumps(document, ensure_ascii=False, allow_nan=False))
        elif options["csv"]:
            write_table(self.stdout, header, rows)
        elif rows:
            self.stdout.write(as_text(header, rows))
            self.stdout.write("")
            for line in exclusion_lines(document["exclusions"]):
                self.stdout.write(line)
        else:
            self.stdout.write("Nothing was watched of what you ask for, so there is no figure.")


def _listed(told: str | list[str] | None) -> list[str]:
    """Take one answer for a list of one: calls from Python may give it plainly."""
    return [told] if isinstance(told, str) else told or []
