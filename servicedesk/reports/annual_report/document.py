"""Contents of the annual report: every figure for one period, with the sentences and charts of the pages."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from itertools import combinations

from django.urls import reverse

from schedules.words import span
from servicedesk.core.values.dates import long_date
from servicedesk.core.values.words import counted
from servicedesk.reports.annual_report.blocks import Block, Heading, Paper, Pictures, Points, Table, Words
from servicedesk.reports.caching.figures import cached_figure
from servicedesk.reports.comparison.figure import compare_figure, comparison_sentence
from servicedesk.reports.curves.chart import curve_pictures
from servicedesk.reports.curves.figure import CurveRow, CurvesFigure, curves_figure
from servicedesk.reports.forecast.chart import forecast_pictures
from servicedesk.reports.forecast.figure import Assumptions, ForecastFigure, ForecastRow, forecast_figure
from servicedesk.reports.histories import Histories
from servicedesk.reports.maintenance.figure import MaintenanceFigure, maintenance_figure, maintenance_sentence
from servicedesk.reports.maintenance.forms import rules_in_force
from servicedesk.reports.maintenance.records import MaintenanceRecords
from servicedesk.reports.models import ThinLot
from servicedesk.reports.queries.lifetimes import read_histories
from servicedesk.reports.questions.asking import SURVIVAL
from servicedesk.reports.questions.exclusion_words import exclusion_sentences
from servicedesk.reports.questions.judgements import FIT_CURVE_FAILURES, PER, TEST_EVENTS
from servicedesk.reports.questions.selection import Selection
from servicedesk.reports.rates.chart import rates_pictures
from servicedesk.reports.rates.figure import RateRow, RatesFigure, rates_figure
from servicedesk.reports.rates.type_ratios import Ratio
from servicedesk.reports.sentences import curves_sentence, forecast_sentence, rates_sentence
from servicedesk.reports.summary import YearInBrief, in_brief
from servicedesk.reports.surveillance.figure import (
    SurveillanceFigure,
    false_sentence,
    flag_ways,
    own_rate_words,
    surveillance_figure,
    surveillance_sentence,
    thin_sentence,
    thin_words,
)
from servicedesk.reports.words import amount, percent, years
from units.models import ComponentType

NONE_YET = "cannot tell yet"
MOST_THIN = 5
"""Most lots with too little data that the report lists; the page has more."""


def year_report(chosen: Selection) -> Paper:
    """Build the annual report of a period.

    Rates are those of the period; lifetimes, forecast and maintenance intervals rest on all records up to its
    last day, as one year is too short for them.
    """
    first, last = chosen.from_on or chosen.last, chosen.last
    so_far = replace(chosen.always(), as_of=last, dated=True)
    rates = cached_figure("rates", chosen, "component", compute=lambda: rates_figure(chosen, by="component"))
    # Most sections rest on these, so they are read once.
    lifetimes = read_histories(so_far, by="component")
    all_rates = cached_figure(
        "rates", so_far, "component", compute=lambda: rates_figure(so_far, by="component")
    )
    # The report leaves out the fits with other datings, which the page shows.
    lasting = cached_figure(
        "lives",
        so_far,
        compute=lambda: curves_figure(so_far, name=SURVIVAL, histories=lifetimes, datings=False),
    )
    ahead = cached_figure(
        "ahead",
        so_far,
        Assumptions(),
        compute=lambda: forecast_figure(so_far, Assumptions(), rates=all_rates, histories=lifetimes),
    )
    return Paper(
        title="Report of the year",
        about=f"{long_date(first)} to {long_date(last)}",
        blocks=[
            *_brief(in_brief(chosen)),
            *_rates(rates),
            *_comparisons(so_far, all_rates, lifetimes),
            *_lasting(lasting),
            *_ahead(ahead),
            *_maintenance(_maintenance_figures(so_far, lifetimes)),
            *_lots(surveillance_figure()),
            *_worked_out(rates),
        ],
    )


def _maintenance_figures(selection: Selection, lifetimes: Histories) -> Iterator[MaintenanceFigure]:
    """Compute the figures of all maintenance rules in force from records read once."""
    rules = list(rules_in_force())
    records = MaintenanceRecords(selection, rules, histories=lifetimes) if rules else None
    return (maintenance_figure(selection, rule, records=records) for rule in rules)


def _brief(brief: YearInBrief) -> Iterator[Block]:
    yield Heading("What it took", reverse("reports:figures"))
    sentence = (
        f"{counted(brief.failures, 'failure')} of parts at {counted(brief.sites, 'site')}, "
        f"{counted(brief.calls, 'call')}, {span(brief.minutes)} of work recorded, "
        f"{span(brief.repair_minutes)} of it repairs, and {counted(brief.pieces, 'piece')} used."
    )
    yield Words(_title(sentence), lead=True)
    yield Table(
        header=["Kind of part", "Failures", "Work", "Pieces", "Part-years", f"At most, per {PER} a year"],
        rows=[
            [
                _title(line.name),
                f"{line.failures:,}",
                span(line.minutes) if line.minutes else "",
                f"{line.pieces:,}" if line.pieces else "",
                amount(line.years) if line.years else "",
                amount(line.judged.wide_high) if line.judged and line.judged.wide_high is not None else "",
            ]
            for line in brief.lines
        ],
        numbers=frozenset(range(1, 6)),
    )


def _rates(figure: RatesFigure) -> Iterator[Block]:
    yield Heading("Which parts fail, and how often?", _address("reports:rates", figure.selection))
    yield Words(rates_sentence(figure), lead=True)
    if not figure.rows:
        return
    yield Pictures(rates_pictures(figure))
    yield Words(
        "The disc is the rate the records show, the bar the range in which the true one lies with 95 % "
        "certainty, allowing for windows of one site sharing sun, salt and owner."
    )
    yield Table(
        header=[
            "Type of part",
            "Failures",
            "Part-years",
            f"Per {PER} a year",
            "From – to",
            "Against the rest",
        ],
        rows=[_rate_cells(row) for row in figure.rows],
        numbers=frozenset(range(1, 5)),
    )


def _rate_cells(row: RateRow) -> list[str]:
    judged = row.judged
    if judged.rate is None or judged.wide_low is None or judged.wide_high is None:
        rate, limits = "", NONE_YET
    else:
        rate, limits = amount(judged.rate), f"{amount(judged.wide_low)} – {amount(judged.wide_high)}"
    return [_title(row.name), f"{row.events:,}", amount(row.years), rate, limits, row.verdict.sentence]


def _comparisons(chosen: Selection, rates: RatesFigure, lifetimes: Histories) -> Iterator[Block]:
    """Blocks that compare the types of each kind that have failed often enough."""
    figures = [
        compare_figure(chosen, one=one, other=other, histories=lifetimes) for one, other in _pairs(rates)
    ]
    yield Heading("Is it the part or the place?", reverse("reports:compare"))
    if not figures:
        yield Words("No two types of one kind have failed often enough to be compared.", lead=True)
        return
    yield Words(
        "Types of one kind against each other, from all records up to the last day: unadjusted, adjusted "
        "for age, sun and color, and adjusted by regression.",
    )
    yield Points([comparison_sentence(figure) for figure in figures])
    yield Table(
        header=[
            "This type",
            "against this",
            "Unadjusted",
            "Adjusted for age, sun and color",
            "Adjusted by regression",
        ],
        rows=[
            [
                _title(figure.one.name),
                figure.other.name,
                *(_ratio_cell(ratio) for ratio in figure.ratios),
            ]
            for figure in figures
        ],
        numbers=frozenset({2, 3, 4}),
    )


def _pairs(rates: RatesFigure) -> list[tuple[int, int]]:
    """Keys of the pairs of types that can be compared."""
    by_key = {row.key: row for row in rates.rows if row.events >= TEST_EVENTS}
    types = [each for each in ComponentType.objects.order_by("kind", "name") if each.pk in by_key]
    return [(one.pk, other.pk) for one, other in combinations(types, 2) if one.kind == other.kind]


def _ratio_cell(ratio: Ratio) -> str:
    if ratio.ratio is None or ratio.low is None or ratio.high is None:
        return NONE_YET
    return f"{amount(ratio.ratio)} ({amount(ratio.low)} to {amount(ratio.high)})"


def _lasting(figure: CurvesFigure) -> Iterator[Block]:
    yield Heading("How long does a part last before it first fails?", reverse("reports:lasting"))
    yield Words(curves_sentence(figure), lead=True)
    if not figure.rows:
        return
    yield Table(
        header=["Type of part", "First failures", "Half failed by", "A tenth failed by", "Shape", "It says"],
        rows=[_life_cells(row) for row in figure.rows],
        numbers=frozenset({1, 2, 3, 4}),
    )
    yield Pictures(curve_pictures(figure))


def _life_cells(row: CurveRow) -> list[str]:
    life = row.life
    known = life is not None and life.shape is not None
    return [
        _title(row.name),
        f"{row.events:,}",
        years(row.half[0]) if row.half else "",
        years(life.tenth[0]) if life is not None and life.tenth else "",
        f"{life.shape[0]:.2f} ({life.shape[1]:.2f} – {life.shape[2]:.2f})"
        if life is not None and life.shape is not None
        else "",
        str(life.reading) if known and life is not None else NONE_YET,
    ]


def _ahead(figure: ForecastFigure) -> Iterator[Block]:
    yield Heading("What will the next twelve months take?", reverse("reports:forecast"))
    yield Words(forecast_sentence(figure), lead=True)
    if not figure.rows:
        return
    yield Pictures(forecast_pictures(figure))
    yield Table(
        header=["Type of part", "In place", "To expect", "From – to", "Pieces", "Shelf", "Each van"],
        rows=[_forecast_cells(row) for row in figure.rows],
        numbers=frozenset(range(1, 7)),
    )
    assumptions = figure.assumptions
    yield Words(
        f"Stock that is enough in {percent(assumptions.level)} of cases: on the shelf for the year, in "
        "each of "
        f"{counted(assumptions.vans, 'van')} for its busiest month. {figure.late}"
    )
    remarks = [f"{_title(row.name)}: {'; '.join(row.remarks)}." for row in figure.rows if row.remarks]
    if remarks:
        yield Points(remarks)


def _forecast_cells(row: ForecastRow) -> list[str]:
    year = row.year
    if year.mean is None:
        mean, limits = "", f"at most {year.high:,}" if year.high is not None else NONE_YET
    else:
        mean, limits = amount(year.mean), f"{year.low:,} – {year.high:,}"
    return [
        _title(row.name),
        f"{row.items:,}",
        mean,
        limits,
        "" if row.pieces is None else amount(row.pieces),
        "" if row.shelf is None else f"{row.shelf:,}",
        "" if row.van is None else f"{row.van:,}",
    ]


def _maintenance(figures: Iterable[MaintenanceFigure]) -> Iterator[Block]:
    maintenance_figures = list(figures)
    yield Heading("How often does maintenance pay off?", reverse("reports:maintenance"))
    if not any(figure.better for figure in maintenance_figures):
        yield Words("Our records show no interval that is clearly better than the usual ones.", lead=True)
    shown = [figure for figure in maintenance_figures if figure.better or _says_why_not(figure)]
    if shown:
        yield Points(
            [f"{_title(figure.rule.component_type.name)}: {maintenance_sentence(figure)}" for figure in shown]
        )
    rest = len(maintenance_figures) - len(shown)
    if shown and rest:
        yield Words(f"Of the other {counted(rest, 'maintenance rule')} the records show nothing better.")


def _says_why_not(figure: MaintenanceFigure) -> bool:
    """Whether there were enough failures for an interval, so that the reason for none is of use."""
    return not figure.hidden and figure.events >= FIT_CURVE_FAILURES


def _lots(figure: SurveillanceFigure) -> Iterator[Block]:
    yield Heading("Lots to watch", reverse("reports:surveillance"))
    yield Words(surveillance_sentence(figure), lead=True)
    if figure.mark is not None:
        look = f"As of the check of all lots and types on {long_date(figure.mark.surveyed_on)}."
        yield Words(f"{look} {false_sentence(figure)}".rstrip())
    if figure.open:
        yield Table(
            header=["What", "How", "Since", "Failures", "Expected", "Sites", "Sites with failures"],
            rows=[
                [
                    _title(flag.words),
                    flag_ways(flags),
                    long_date(min(each.raised_on for each in flags)),
                    f"{flag.events:,}",
                    amount(flag.expected),
                    f"{flag.sites:,}",
                    f"{flag.failed_sites:,}",
                ]
                for flags in figure.standing_out
                for flag in flags[-1:]
            ],
            numbers=frozenset({3, 4, 5, 6}),
        )

    if figure.thin:
        yield Words(thin_sentence(figure))
        yield Points([_thin_point(lot) for lot in figure.thin[:MOST_THIN]])


def _thin_point(lot: ThinLot) -> str:
    return f"{_title(lot.words)}: {thin_words(lot)}; its own rate is {own_rate_words(lot)} per {PER} a year"


def _worked_out(figure: RatesFigure) -> Iterator[Block]:
    yield Heading("How this is calculated")
    left_out = [sentence for _, sentence in exclusion_sentences(figure.exclusions)]
    yield Words(
        "Failures are counted against the time in which they would have reached us, and the site is the "
        "piece of evidence. Where the records are too thin for an answer, that is said. Failures of the last "
        "60 days may not all be recorded yet. Each section has a page of its own, where every number "
        "leads to the findings behind it and the method is named."
    )
    if left_out:
        yield Words("Left out of the rates, or noted:")
        yield Points(left_out)


def _address(name: str, selection: Selection) -> str:
    return reverse(name, query=selection.query())


def _title(words: str) -> str:
    return words[:1].upper() + words[1:]
