"""Drives between positions."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from schedules.routing.travel import EARTH_RADIUS_KM, distances_km, drive_seconds

LATITUDES = st.floats(-89, 89)
LONGITUDES = st.floats(-180, 180)


def test_a_degree_along_a_meridian() -> None:
    # Arc length by definition: radius times angle, 111.195 km for the mean radius R1 = 6371.0088 km (IUGG).
    distances = distances_km([40.0, 41.0], [-74.0, -74.0])
    assert distances[0, 1] == pytest.approx(EARTH_RADIUS_KM * math.pi / 180, rel=1e-12)
    assert distances[0, 1] == pytest.approx(111.195, abs=5e-4)


@given(LATITUDES, LONGITUDES, LATITUDES, LONGITUDES)
def test_the_spherical_law_of_cosines_says_the_same(a: float, b: float, c: float, d: float) -> None:
    one, other, turn = math.radians(a), math.radians(c), math.radians(b - d)
    cosine = math.sin(one) * math.sin(other) + math.cos(one) * math.cos(other) * math.cos(turn)
    naive = EARTH_RADIUS_KM * math.acos(min(1.0, max(-1.0, cosine)))
    assert distances_km([a, c], [b, d])[0, 1] == pytest.approx(naive, abs=0.5)


def test_longer_drives_are_faster_and_never_take_less() -> None:
    steps = [40 + number * 0.01 for number in range(60)]
    times = drive_seconds(steps, [-74.0] * 60)[0]
    assert times[0] == 0
    assert (times[1:] > times[:-1]).all()
    ten_km = drive_seconds([40.0, 40.0 + 10 / 111.195], [-74.0, -74.0], detour=1.0)[0, 1]
    # 10 km at a speed between 35 km/h (3 to 15 km: 35 to 50, so 43.75) and three minutes to leave and park.
    assert ten_km == pytest.approx(10 / 43.75 * 3600 + 180, abs=2)


def test_what_can_not_be_is_refused() -> None:
    with pytest.raises(ValueError, match="longitude for each"):
        drive_seconds([1.0], [])
    with pytest.raises(ValueError, match="No place on earth"):
        drive_seconds([91.0], [0.0])
    with pytest.raises(ValueError, match="below 1"):
        drive_seconds([1.0], [0.0], detour=0.9)
