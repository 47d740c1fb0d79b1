"""Management command that prints the figures of the pages as text, CSV or JSON."""

from __future__ import annotations

import json
from argparse import ArgumentParser
from typing import TYPE_CHECKING, Any

from django.core.management.base import BaseCommand, CommandError
from django.http import QueryDict
from django.utils import timezone

from servicedesk.core.web.exports import write_table
from servicedesk.reports.caching.mixing import mark_line, mixing_words
from servicedesk.reports.questions.asking import DAYS, RECURRENCE, SURVIVAL, QuestionError, read_selection
from servicedesk.reports.questions.selection import Selection
from servicedesk.reports.questions.traits import GROUPINGS, TRAITS, UNKNOWN
from units.models import ComponentType

if TYPE_CHECKING:
    from servicedesk.reports.forms import FigureForm

# Numerics take a second to import: each figure imports its own, and a bad question imports none.

RATES = "rates"
COMPARE = "compare"
FORECAST = "forecast"
MAINTENANCE = "maintenance"
LOTS = "lots"
YEAR = "year"
NAMES = (RATES, COMPARE, SURVIVAL, RECURRENCE, FORECAST, MAINTENANCE, LOTS, YEAR)
BAD_QUESTION = 2


class Command(BaseCommand):
    """Print one of the figures."""

    help = (
        "Print failure rates by group (rates), two types compared (compare, with --of and "
        "--with), the share without failure by age (survival), the average number of failures by age "
        "(recurrence), what the next twelve months will take (forecast), failures by the time since "
        "maintenance (maintenance, with --rule), the lots and types that stand out (lots), or the "
        "report of a "
        "year (year), as the pages show them. Rates and their 95 % limits are per 100 part-years. In JSON a "
        "row's first key is what it is grouped by, such as “component” or “construction”; what the "
        "records are too "
        "thin for is null, with its reason."
    )

    requires_system_checks = ()  # they import every view, which takes as long as many a figure

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("name", metavar="NAME", help=", ".join(NAMES))
        parser.add_argument("--of", metavar="TYPE", help="the first of two types to compare")
        parser.add_argument("--with", metavar="TYPE", help="the type it is compared with")
        parser.add_argument(
            "--level", metavar="PER_CENT", help="forecast: how sure the stock is to be enough (95)"
        )
        parser.add_argument("--vans", metavar="NUMBER", help="forecast: vans that carry stock (2)")
        parser.add_argument("--warranty", metavar="YEARS", help="forecast: warranty from fitting (5)")
        parser.add_argument(
            "--rule", metavar="RULE", help="maintenance: the rule, as “type of part: its name”"
        )
        parser.add_argument(
            "--maintenance-cost", metavar="MONEY", help="maintenance: what one maintenance costs"
        )
        parser.add_argument(
            "--failure-cost",
            metavar="MONEY",
            help="maintenance: what one failure costs, or a year with a hidden defect",
        )
        parser.add_argument(
            "--replace-cost", metavar="MONEY", help="maintenance: replacing one before it fails"
        )
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
        printers = {
            RATES: self._print_rates,
            COMPARE: self._print_comparison,
            FORECAST: self._print_forecast,
            MAINTENANCE: self._print_maintenance,
            LOTS: self._print_lots,
            YEAR: self._print_year,
        }
        printers.get(name, self._print_curves)(selection, options)

    def _selection(self, options: dict[str, Any]) -> Selection:
        texts = {name: _listed(options.get(name)) for name in TRAITS}
        texts |= {name: [options[name]] for name in ("mode", *DAYS) if options.get(name)}
        try:
            return read_selection(texts, today=timezone.localdate())
        except QuestionError as error:
            raise CommandError(
                f"--{error.name.replace('_', '-')}: {error}", returncode=BAD_QUESTION
            ) from error

    def _print_rates(self, selection: Selection, options: dict[str, Any]) -> None:
        from servicedesk.reports import tables
        from servicedesk.reports.rates.figure import rates_figure

        figure = rates_figure(selection, by=options["by"])
        self._print(
            options, tables.rates_json(figure), tables.rates_header(figure), list(tables.rates_rows(figure))
        )

    def _print_comparison(self, selection: Selection, options: dict[str, Any]) -> None:
        one, other = (self._type(options, name) for name in ("of", "with"))
        if one.pk == other.pk or one.kind != other.kind:
            raise CommandError(
                f"--with: take another {one.get_kind_display()} than {one.name}: only types of one kind of "
                "part do the same job.",
                returncode=BAD_QUESTION,
            )
        from servicedesk.reports import tables
        from servicedesk.reports.comparison.figure import compare_figure
        from servicedesk.reports.curves.figure import curves_figure

        figure = compare_figure(selection, one=one.pk, other=other.pk)
        self._print(
            options,
            tables.compare_json(figure, curves_figure(figure.selection, name=RECURRENCE)),
            tables.compare_header(figure),
            list(tables.compare_rows(figure)),
        )

    def _type(self, options: dict[str, Any], name: str) -> ComponentType:
        value = options.get(name)
        if not value:
            raise CommandError(f"--{name}: say which type of part to compare.", returncode=BAD_QUESTION)
        try:
            return ComponentType.objects.get(pk=TRAITS["component"].read(value) or 0)
        except ValueError as error:
            known = ", ".join(ComponentType.objects.order_by("name").values_list("name", flat=True))
            raise CommandError(f"--{name}: {error} There are {known}.", returncode=BAD_QUESTION) from error

    def _print_forecast(self, selection: Selection, options: dict[str, Any]) -> None:
        from servicedesk.reports import tables
        from servicedesk.reports.forecast.figure import forecast_figure
        from servicedesk.reports.forecast.forms import ForecastForm

        form = ForecastForm(_told(options, "level", "vans", "warranty"), today=timezone.localdate())
        self._check(form)
        figure = forecast_figure(selection, form.assumptions)
        rows = list(tables.forecast_rows(figure))
        self._print(options, tables.forecast_json(figure), tables.forecast_header(figure), rows)

    def _print_maintenance(self, selection: Selection, options: dict[str, Any]) -> None:
        from servicedesk.reports import tables
        from servicedesk.reports.maintenance.figure import maintenance_figure
        from servicedesk.reports.maintenance.forms import MaintenanceForm, rules_in_force

        form_data = _told(options, "maintenance_cost", "failure_cost", "replace_cost")
        rules = {f"{rule.component_type}: {rule.name}": rule for rule in rules_in_force()}
        rule = rules.get(options["rule"] or "")
        if rule is None:
            known = "; ".join(rules) or "none in force"
            rule_name = options["rule"] or ""
            raise CommandError(
                f"--rule: “{rule_name}” is no maintenance rule. There are {known}.", returncode=BAD_QUESTION
            )
        form = MaintenanceForm(form_data, today=timezone.localdate())
        self._check(form)
        figure = maintenance_figure(selection, rule, **form.costs)
        rows = list(tables.maintenance_rows(figure))
        self._print(options, tables.maintenance_json(figure), tables.maintenance_header(figure), rows)

    def _print_lots(self, _: Selection, options: dict[str, Any]) -> None:
        from servicedesk.reports import tables
        from servicedesk.reports.surveillance.figure import surveillance_figure

        figure = surveillance_figure()
        self._print(
            options,
            tables.surveillance_json(figure),
            tables.SURVEILLANCE_HEADER,
            list(tables.surveillance_rows(figure)),
        )

    def _print_year(self, selection: Selection, options: dict[str, Any]) -> None:
        from servicedesk.reports import tables
        from servicedesk.reports.annual_report.document import year_report
        from servicedesk.reports.summary import twelve_months

        first = selection.from_on or twelve_months(selection.last).from_on
        paper = year_report(Selection(as_of=selection.last, dated=True, from_on=first))
        rows = list(tables.paper_rows(paper))
        self._print(options, tables.paper_json(paper), tables.PAPER_HEADER, rows)

    def _check(self, form: FigureForm) -> None:
        """Raise a CommandError with the first error of a form."""
        for name, errors in form.errors.items():
            raise CommandError(f"--{name.replace('_', '-')}: {errors[0]}", returncode=BAD_QUESTION)

    def _print_curves(self, selection: Selection, options: dict[str, Any]) -> None:
        from servicedesk.reports import tables
        from servicedesk.reports.curves.figure import curves_figure

        figure = curves_figure(selection, name=options["name"], by=options["by"])
        self._print(
            options,
            tables.curves_json(figure),
            tables.curves_header(figure),
            list(tables.curves_rows(figure)),
        )

    def _print(
        self, options: dict[str, Any], document: dict[str, Any], header: list[str], rows: list[list[Any]]
    ) -> None:
        from servicedesk.reports.questions.exclusion_words import exclusion_lines
        from servicedesk.reports.tables.text import as_text

        mixes = mixing_words()
        if options["json"]:
            document |= {"note": mixes} if mixes else {}
            self.stdout.write(json.dumps(document, ensure_ascii=False, allow_nan=False))
            return
        if mixes:
            self.stdout.write(mark_line(mixes) if options["csv"] else mixes, ending=None)
        if options["csv"]:
            write_table(self.stdout, header, rows)
        elif rows:
            self.stdout.write(as_text(header, rows))
            self.stdout.write("")
            for line in exclusion_lines(document["exclusions"]):
                self.stdout.write(line)
        else:
            self.stdout.write("Nothing was watched of what you ask for, so there is no figure.")


def _told(options: dict[str, Any], *names: str) -> QueryDict:
    """Options as query parameters of a form."""
    data = QueryDict(mutable=True)
    data.update({name: str(options[name]) for name in names if options.get(name) is not None})
    return data


def _listed(value: str | list[str] | None) -> list[str]:
    """Value of an option as a list: calls from Python may pass a single value."""
    return [value] if isinstance(value, str) else value or []
