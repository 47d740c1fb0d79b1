"""Estimated driving times between positions.

The length of a drive is the great-circle distance times a detour factor; its time follows from a speed that
grows with the length, and a few minutes for leaving and parking. Detour factors of about 1.2 are published
for random points in towns (Newell 1980) and of 1.21 to 1.23 around stations (O'Sullivan and Morrall 1996);
short suburban drives take longer ways, hence 1.3 unless the company measured its own. The speeds are common
practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

EARTH_RADIUS_KM = 6371.0088
"""Mean radius R1 of the earth (IUGG, GRS 80)."""

DETOUR = 1.3
PARKING_SECONDS = 180
_LENGTHS_KM = (0.0, 3.0, 15.0, 60.0)
_SPEEDS_KMH = (30.0, 35.0, 50.0, 80.0)


def distances_km(latitudes: Sequence[float], longitudes: Sequence[float]) -> NDArray[np.float64]:
    """Great-circle distances between all pairs of positions in degrees (haversine)."""
    import numpy as np

    latitude, longitude = np.radians(np.asarray(latitudes)), np.radians(np.asarray(longitudes))
    half = np.sin((latitude[:, None] - latitude[None, :]) / 2) ** 2
    half += (
        np.cos(latitude)[:, None]
        * np.cos(latitude)[None, :]
        * np.sin((longitude[:, None] - longitude[None, :]) / 2) ** 2
    )
    return 2 * EARTH_RADIUS_KM * np.arcsin(np.sqrt(np.clip(half, 0, 1)))


def drive_seconds(
    latitudes: Sequence[float], longitudes: Sequence[float], *, detour: float = DETOUR
) -> NDArray[np.int64]:
    """Estimated seconds of a drive between all pairs of positions; zero between places at one position.

    Raises
    ------
    ValueError
        When the lists differ in length, a position is out of range, or the detour is below 1.
    """
    if len(latitudes) != len(longitudes):
        raise ValueError("Give a longitude for each latitude.")
    if not detour >= 1:
        raise ValueError(f"A road is never shorter than the straight line: the detour {detour} is below 1.")
    for latitude, longitude in zip(latitudes, longitudes, strict=True):
        if not (-90 <= latitude <= 90 and -180 <= longitude <= 180):
            raise ValueError(f"No place on earth lies at {latitude}, {longitude}.")
    import numpy as np

    length = distances_km(latitudes, longitudes) * detour
    hours = length / np.interp(length, _LENGTHS_KM, _SPEEDS_KMH)
    seconds = np.rint(hours * 3600 + PARKING_SECONDS).astype(np.int64)
    seconds[length < 0.02] = 0
    return seconds
