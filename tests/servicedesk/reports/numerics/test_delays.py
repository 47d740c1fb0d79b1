"""How late failures are written down, with those left out of sight that take too long."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from servicedesk.reports.numerics.prediction.delays import reporting_delays


def test_the_shares_are_those_of_the_product_limit_in_reversed_time() -> None:
    # Lagakos, Barraj and De Gruttola (1988), by hand: on day 5 one of the two with room for it that came by
    # then; on day 2 one of three.
    distribution = reporting_delays([0, 2, 5, 0], [9, 4, 9, 1])
    assert distribution.day.tolist() == [0, 2, 5]
    at_five, at_two = 1 / 2, 1 / 2
    assert distribution.share == pytest.approx([(1 - at_five) * (1 - at_two), 1 - at_five, 1])
    assert distribution.known_within([0, 1, 4, 5, 99]) == pytest.approx([0.25, 0.25, 0.5, 1, 1])
    assert distribution.known_on_average(1, 3) == pytest.approx((0.25 + 0.5) / 2)
    assert distribution.days_until(0.5) == 2


def test_late_ones_out_of_sight_are_allowed_for() -> None:
    rng = np.random.default_rng(3)
    delay, room = np.floor(rng.exponential(40, 40_000)), rng.integers(0, 400, 40_000).astype(float)
    known = delay <= room
    distribution = reporting_delays(delay[known], room[known])
    days = np.array([7, 28, 91])
    assert distribution.known_within(days) == pytest.approx(stats.expon.cdf(days + 1, scale=40), abs=0.02)


@pytest.mark.parametrize(
    ("delay", "room", "words"),
    [([], [], "nothing has been written down"), ([5], [4], "delay 5 is longer than its room of 4 days")],
)
def test_bad_columns_get_a_sentence(delay: list[float], room: list[float], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        reporting_delays(delay, room)
