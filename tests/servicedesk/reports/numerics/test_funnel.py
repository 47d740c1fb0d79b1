"""How far chance carries the rates of groups that are alike, against counts and against the normal law."""

from __future__ import annotations

import math

import pytest
from scipy import stats

from servicedesk.reports.numerics.counts.funnel import funnel_limits


class TestFunnelLimits:
    """How far chance carries the rates of groups that are alike (Spiegelhalter 2005)."""

    @pytest.mark.parametrize("confidence", [0.95, 0.998])
    def test_limits_lie_between_the_counts_whose_chances_enclose_the_tail(self, confidence: float) -> None:
        low, high = funnel_limits(0.5, [4.0, 40.0, 400.0], confidence=confidence)
        tail = (1 + confidence) / 2
        for time, limit in zip([4.0, 40.0, 400.0], high, strict=True):
            count, due = limit * time, 0.5 * time
            above = 0
            while stats.poisson.cdf(above, due) < tail:
                above += 1
            assert above - 1 <= count <= above
            # In proportion between the two cumulative chances (interpolation by hand).
            reached = stats.poisson.cdf([above - 1, above], due)
            assert count == pytest.approx(above - 1 + (tail - reached[0]) / (reached[1] - reached[0]))
        assert (low >= 0).all()
        assert (low < 0.5).all()

    def test_much_watched_limits_are_those_of_the_normal_law(self) -> None:
        low, high = funnel_limits(0.2, [1e6])
        error = 1.959964 * math.sqrt(0.2 / 1e6)
        assert high[0] - 0.2 == pytest.approx(error, rel=0.01)
        assert 0.2 - low[0] == pytest.approx(error, rel=0.01)

    def test_shared_sites_count_for_less_watching(self) -> None:
        low, high = funnel_limits(0.2, [300.0], design_effect=3.0)
        plain_low, plain_high = funnel_limits(0.2, [100.0])
        assert (low[0], high[0]) == pytest.approx((plain_low[0], plain_high[0]))

    def test_nonsense_is_refused(self) -> None:
        with pytest.raises(ValueError, match="exposure has a value of zero"):
            funnel_limits(0.2, [1.0, 0.0])
        with pytest.raises(ValueError, match="rate"):
            funnel_limits(0.0, [1.0])
