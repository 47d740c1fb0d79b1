"""Pictures of figures, read back from the SVG: marks to the coordinate, and any figures drawn."""

from __future__ import annotations

import subprocess
import sys
from math import inf, nan
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

import servicedesk
from servicedesk.reports.charts import (
    FunnelLimits,
    FunnelPoint,
    IntervalRow,
    MonthBar,
    Steps,
    axis_top,
    funnel,
    interval_rows,
    month_bars,
    nice_top,
    step_curve,
)
from servicedesk.reports.charts.scales import Scale, tick_step, tick_words
from servicedesk.reports.curves.chart import LEAST_TOP
from tests.units.drawings.reading import (
    CLASSES,
    NAMESPACE,
    NOTIFICATIONS,
    all_words,
    check_inside,
    check_legible,
    check_safe,
    corner_points,
    read,
)

SEEN = {*CLASSES, "marks", "grid", "band", "curve", "model"}
FIVE = IntervalRow(name="bare track", words="5.0 (2.0 to 8.0)", value=5, low=2, high=8)


def rows_picture(rows: list[IntervalRow], *, top: float | None = None) -> ET.Element:
    """Draw rows and read them back."""
    svg = interval_rows(rows, title="Rates", axis="failures a year", id_prefix="p", heading="Track", top=top)
    return read(svg)


def curve_picture(steps: Steps, *, tops: tuple[float, float] = (2, 5), percent: bool = False) -> ET.Element:
    """Draw a curve and read it back."""
    svg = step_curve(
        steps,
        name="bare track",
        words="By 4 years, 1.0 failures.",
        end="1.0",
        title="Failures",
        axes=("Failures an item has had", "years since fitted"),
        tops=tops,
        id_prefix="c",
        percent=percent,
    )
    return read(svg)


def strokes(root: ET.Element, width: str) -> list[tuple[float, float, float, float]]:
    """Give the ends of the interval lines of one thickness."""
    lines = root.iterfind(f".//{NAMESPACE}g[@class='marks']/{NAMESPACE}line[@stroke-width='{width}']")
    return [tuple(float(each.attrib[n]) for n in ("x1", "y1", "x2", "y2")) for each in lines]  # type: ignore[misc]


def traced(root: ET.Element, name: str, tag: str = "polyline") -> list[list[tuple[float, float]]]:
    """Give the corners of what is traced in one part of a curve's picture."""
    elements = root.iterfind(f".//{NAMESPACE}g[@class='{name}']/{NAMESPACE}{tag}")
    return [corner_points(each) for each in elements]


def test_an_interval_stands_where_its_numbers_are() -> None:
    root = rows_picture([FIVE], top=10)
    # The axis runs from x = 6 (zero) to x = 308 (ten): 30.2 a unit.
    ((x1, y, x2, y2),) = strokes(root, "3")
    assert (x1, x2) == pytest.approx((6 + 2 * 30.2, 6 + 8 * 30.2))
    assert y == y2
    disc = root.find(f".//{NAMESPACE}circle")
    assert disc is not None
    assert float(disc.attrib["cx"]) == pytest.approx(6 + 5 * 30.2)
    assert float(disc.attrib["cy"]) == y
    assert all_words(root)[-7:] == ["0", "2", "4", "6", "8", "10", "failures a year"]


def test_the_rows_stand_in_the_order_they_were_given_in() -> None:
    names = ["c", "a", "b"]
    root = rows_picture([IntervalRow(name=name, words="1", value=1, high=2) for name in names])
    assert [word for word in all_words(root) if word in names] == names


def test_a_row_without_a_rate_says_why_and_draws_nothing() -> None:
    root = rows_picture([IntervalRow(name="tinted film", words="too little watched to give a rate")])
    assert "too little watched to give a rate" in all_words(root)
    assert root.find(f".//{NAMESPACE}circle") is None


def test_what_leaves_the_axis_ends_in_an_arrow() -> None:
    wide = IntervalRow(name="one of few", words="9.0 (1.0 to 90)", value=9, low=1, high=90)
    root = rows_picture([FIVE, wide], top=10)
    (arrow,) = traced(root, "marks", "polygon")
    assert max(x for x, _ in arrow) <= 320
    assert strokes(root, "3")[1][2] == pytest.approx(308)
    assert strokes(rows_picture([FIVE], top=10), "3")[0][2] < 308


def test_the_axis_shows_every_estimate_and_most_limits() -> None:
    wide = IntervalRow(name="few", words="", value=3, low=0, high=500)
    assert axis_top([FIVE, FIVE, wide]) < 50
    assert axis_top([FIVE, wide, wide]) >= 500
    assert axis_top([IntervalRow(name="none", words="")]) == 1
    assert axis_top([]) == 1


def test_a_curve_steps_where_something_failed() -> None:
    root = curve_picture(Steps(start=0, stop=4, first=0, at=[1, 2], value=[0.5, 1.0]))
    ((corners),) = traced(root, "curve")
    # 54.4 a year from x = 38; 75 a failure, zero at the foot of 150.
    foot = corners[0][1]
    assert corners == [
        pytest.approx(place)
        for place in [
            (38, foot),
            (92.4, foot),
            (92.4, foot - 37.5),
            (146.8, foot - 37.5),
            (146.8, foot - 75),
            (255.6, foot - 75),
        ]
    ]
    assert traced(root, "band") == []


def test_the_band_lies_between_its_limits_and_ends_where_they_end() -> None:
    steps = Steps(
        start=0, stop=4, first=0, at=[1, 2, 3], value=[0.5, 1, 1.5], low=[0.2, 0.4, nan], high=[0.8, 1.8, inf]
    )
    root = curve_picture(steps)
    low, high = traced(root, "band")
    assert max(x for x, _ in low) == max(x for x, _ in high) == pytest.approx(38 + 3 * 54.4)
    curve = traced(root, "curve")[0]
    assert (
        min(y for _, y in high) < min(y for x, y in curve if x < 38 + 3 * 54.4 - 1) < min(y for _, y in low)
    )
    (area,) = traced(root, "band", "polygon")
    assert set(area) == {*low, *high}
    assert curve[-1][0] == pytest.approx(255.6)


def test_a_fitted_life_is_drawn_dashed_over_the_curve() -> None:
    root = curve_picture(Steps(start=0, stop=4, first=0, at=[2], value=[1.0], model=[(1, 0.5), (3, 1.5)]))
    foot = traced(root, "curve")[0][0][1]
    assert traced(root, "model") == [
        [pytest.approx((92.4, foot - 37.5)), pytest.approx((201.2, foot - 112.5))]
    ]


def test_a_curve_without_a_failure_runs_level() -> None:
    ((corners),) = traced(
        curve_picture(Steps(start=0, stop=4, first=1, at=[], value=[]), percent=True), "curve"
    )
    assert len({y for _, y in corners}) == 1


def test_shares_are_written_as_per_cent() -> None:
    root = curve_picture(Steps(start=0, stop=4, first=1, at=[2], value=[0.5]), tops=(1, 5), percent=True)
    assert {"0 %", "20 %", "100 %"} <= set(all_words(root))


@pytest.mark.parametrize(
    ("greatest", "top"),
    [
        (0, 1),
        (-3, 1),
        (0.07, 0.08),
        (1, 1),
        (1.01, 1.5),
        (9.5, 10),
        (10, 10),
        (11, 15),
        (96, 100),
        (1234, 1500),
    ],
)
def test_an_axis_ends_at_the_next_mark(greatest: float, top: float) -> None:
    assert nice_top(greatest) == pytest.approx(top)


@given(st.floats(1e-6, 1e9))
def test_any_axis_has_two_to_six_marks_and_reaches_its_greatest_number(greatest: float) -> None:
    scale = Scale(nice_top(greatest), 0, 100)
    ticks = scale.ticks()
    assert 2 <= len(ticks) <= 6
    assert ticks[0] == 0
    assert ticks[-1] == pytest.approx(scale.top)
    assert scale.top >= greatest * (1 - 1e-9)
    assert scale.top <= 2 * greatest
    assert len({tick_words(tick) for tick in ticks}) == len(ticks)


def test_an_axis_without_length_is_refused() -> None:
    with pytest.raises(ValueError, match="needs a top above zero, not 0"):
        tick_step(0)


names = st.text(NOTIFICATIONS, max_size=60)
rates = st.floats(0, 36_525)  # every item failing every day


@st.composite
def intervals(draw: st.DrawFn) -> IntervalRow:
    """Any row: with a rate and limits around it, or without."""
    low, value, high = sorted(draw(st.tuples(rates, rates, rates)))
    some = draw(st.booleans())
    return IntervalRow(
        name=draw(names),
        words=f"{value:.3g} ({low:.3g} to {high:.3g})" if some else "too little watched",
        value=value if some else None,
        low=low,
        high=high,
        note=draw(st.sampled_from(["", "clearly higher than the rest"])),
    )


@given(st.lists(intervals(), max_size=8))
def test_any_rates_stay_on_the_sheet_and_can_be_read(rows: list[IntervalRow]) -> None:
    root = rows_picture(rows)
    check_safe(root, classes=SEEN)
    check_inside(root)
    check_legible(root)


@st.composite
def curves(draw: st.DrawFn) -> Steps:
    """Any curve that rises, with limits that may be missing or no numbers."""
    many = draw(st.integers(0, 12))
    ages = sorted(draw(st.lists(st.floats(0.001, 40), min_size=many, max_size=many)))
    values = sorted(draw(st.lists(st.floats(0, 5), min_size=many, max_size=many)))
    limit = st.lists(st.floats(0, 50) | st.sampled_from([nan, inf]), min_size=many, max_size=many)
    band = draw(st.booleans())
    return Steps(
        start=0,
        stop=draw(st.floats(max(ages, default=0.1), 50)),
        first=0,
        at=ages,
        value=values,
        low=draw(limit) if band else None,
        high=draw(limit) if band else None,
        model=[(age, value) for age, value in zip(ages, values, strict=True)] if draw(st.booleans()) else (),
    )


@given(curves())
def test_any_curve_stays_on_the_sheet(steps: Steps) -> None:
    tops = (max(LEAST_TOP, nice_top(max(steps.value, default=0.0))), nice_top(steps.stop))
    root = curve_picture(steps, tops=tops)
    check_safe(root, classes=SEEN)
    check_inside(root)
    assert min(float(each.attrib["font-size"]) for each in root.iter(f"{NAMESPACE}text")) >= 11


@given(st.text(max_size=30))
def test_any_words_make_a_well_formed_picture_and_are_never_markup(name: str) -> None:
    root = rows_picture([IntervalRow(name=f"<script>{name}&", words="1", value=1, high=2)])
    assert root.find(f".//{NAMESPACE}script") is None
    assert "<script>" in "".join(all_words(root)).replace(" ", "")


def test_pictures_need_no_web_framework() -> None:
    code = "import sys, servicedesk.reports.charts; sys.exit('django' in sys.modules)"
    folder = Path(servicedesk.__file__).parents[1]
    assert subprocess.run([sys.executable, "-c", code], cwd=folder, check=False).returncode == 0


def test_a_funnel_stands_where_its_numbers_are() -> None:
    svg = funnel(
        [
            FunnelPoint(name="lot A", exposure=50, rate=4),
            FunnelPoint(name="lot B", exposure=100, rate=1, named=False),
        ],
        center=2,
        limits=[
            FunnelLimits(words="95 %", exposure=[25, 100], low=[0, 1], high=[5, 3]),
            FunnelLimits(words="99.8 %", exposure=[25, 100], low=[0, 0.5], high=[9, 4]),
        ],
        title="Rates",
        axes=("failures a year", "part-years"),
        id_prefix="f",
        heading="Lots",
    )
    root = read(svg)
    check_inside(root)
    check_legible(root)
    check_safe(root, classes=SEEN)
    big, small = root.iterfind(f".//{NAMESPACE}circle")
    # Across: 0 at x = 38, 100 at x = 308. Up: 5 is 170 above 0 (1.1 times the greatest rate, rounded up).
    assert float(big.attrib["cx"]) == pytest.approx(38 + 270 / 2)
    assert float(small.attrib["cx"]) == pytest.approx(308)
    assert float(small.attrib["cy"]) - float(big.attrib["cy"]) == pytest.approx(3 * 170 / 5)
    assert float(big.attrib["r"]) > float(small.attrib["r"])
    inner = traced(root, "band")
    # The outer upper line leaves the sheet at its first place, so it is not traced at all.
    assert len(inner) == 3
    (x1, y1), (x2, y2) = inner[1]
    assert (x1, x2) == pytest.approx((38 + 270 / 4, 308))
    assert y2 - y1 == pytest.approx(2 * 170 / 5)
    words = all_words(root)
    assert "95 %" in words
    assert words[-1] == "1 lot A: 4 at 50"
    assert not any("lot B" in each for each in words)


@given(
    st.lists(
        st.tuples(
            st.floats(0.01, 1e6), st.floats(0, 1e4), st.booleans(), st.text(NOTIFICATIONS, max_size=30)
        ),
        min_size=1,
        max_size=20,
    ),
    st.floats(0.001, 100),
)
def test_any_funnel_stays_on_its_sheet(drawn: list[tuple[float, float, bool, str]], center: float) -> None:
    points = [
        FunnelPoint(name=name, exposure=exposure, rate=rate, named=named)
        for exposure, rate, named, name in drawn
    ]
    limits = FunnelLimits(words="95 %", exposure=[1, 10], low=[0, 1], high=[center * 3, center * 2])
    svg = funnel(points, center=center, limits=[limits], title="t", axes=("up", "along"), id_prefix="f")
    root = read(svg)
    check_inside(root)
    check_legible(root)
    check_safe(root, classes=SEEN)


def test_months_stand_where_their_numbers_are() -> None:
    bars = [
        MonthBar(name="January 2025", mean=4, low=1, high=10),
        MonthBar(name="February 2025", mean=2, low=0, high=5),
    ]
    root = read(month_bars(bars, title="Failures", axis="failures to expect", id_prefix="m", heading="Ahead"))
    check_inside(root)
    check_legible(root)
    check_safe(root, classes=SEEN)
    first, second = root.iterfind(f".//{NAMESPACE}rect")
    # Up: 10 is 150 above zero.
    assert float(first.attrib["height"]) == pytest.approx(4 * 15)
    assert float(second.attrib["height"]) == pytest.approx(2 * 15)
    assert float(first.attrib["y"]) + 60 == pytest.approx(float(second.attrib["y"]) + 30)
    uprights = [
        each
        for each in root.iterfind(f".//{NAMESPACE}g[@class='marks']/{NAMESPACE}line")
        if each.attrib["x1"] == each.attrib["x2"]
    ]
    lengths = [float(each.attrib["y1"]) - float(each.attrib["y2"]) for each in uprights]
    assert lengths == pytest.approx([9 * 15, 5 * 15])
    words = all_words(root)
    assert words[:2] == ["Ahead", "failures to expect"]
    assert words[-2:] == ["from January 2025", "to February 2025"]
    assert "J" in words


@given(st.lists(st.tuples(st.floats(0, 1e5), st.floats(0, 1), st.floats(1, 3)), min_size=12, max_size=12))
def test_any_months_stay_on_their_sheet(drawn: list[tuple[float, float, float]]) -> None:
    bars = [
        MonthBar(name=f"September {year}", mean=mean, low=mean * low, high=mean * high + 1)
        for year, (mean, low, high) in enumerate(drawn, start=2025)
    ]
    root = read(month_bars(bars, title="Failures", axis="failures to expect", id_prefix="m"))
    check_inside(root)
    check_legible(root)
    check_safe(root, classes=SEEN)
