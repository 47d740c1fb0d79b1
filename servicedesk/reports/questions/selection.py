"""Selection of the parts and days of a figure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta

from servicedesk.core.values.dates import long_date
from servicedesk.reports.questions.traits import TRAITS, Key

Since = tuple[str, int | None]
AT_MAINTENANCE, BEFORE_MAINTENANCE = "seen-at-care", "before"


@dataclass(frozen=True, kw_only=True)
class Selection:
    """Parts, days and failures that a figure counts.

    Parameters
    ----------
    as_of
        The day on which the records are read; nothing after it counts. ``dated`` is true where it was given
        and is not just today.
    from_on, until_on
        First and last day that count, for time at risk and failures alike. An item is at risk from the
        evening of the day before ``from_on``, so that spans of days add up.
    mode
        The failure mode whose failures count, or None for all.
    traits
        By name of trait, the groups that count (None in a group list: not recorded).
    age, since
        For lists of findings only (they do not apply to time at risk): the age of the part, as an index in
        `strata.AGES`; and the time since its last maintenance, as a kind of work and an index in
        `since_maintenance.BANDS` (None: before the first), or `AT_MAINTENANCE` for failures first seen on a
        maintenance visit.
    """

    as_of: date
    dated: bool = False
    from_on: date | None = None
    until_on: date | None = None
    mode: int | None = None
    traits: tuple[tuple[str, tuple[Key | None, ...]], ...] = ()
    age: int | None = None
    since: Since | None = None

    def __post_init__(self) -> None:
        if self.from_on and self.from_on > self.last:
            raise ValueError(
                f"The first day, {long_date(self.from_on)}, comes after the last, {long_date(self.last)}: "
                "swap them or leave one out."
            )

    @property
    def last(self) -> date:
        """Last day that counts."""
        return min(self.until_on, self.as_of) if self.until_on else self.as_of

    @property
    def after(self) -> date | None:
        """Day before the first day that counts, or None to count from the beginning."""
        return self.from_on - timedelta(days=1) if self.from_on else None

    def keys(self, trait: str) -> tuple[Key | None, ...]:
        """Groups of one trait that count; empty means all."""
        return dict(self.traits).get(trait, ())

    def only(self, trait: str, *keys: Key | None) -> Selection:
        """The same selection narrowed to some groups of a trait (none given: the trait no longer matters)."""
        traits = {name: values for name, values in self.traits if name != trait}
        if keys:
            traits[trait] = keys
        return replace(self, traits=tuple(sorted(traits.items())))

    def always(self) -> Selection:
        """The same selection for all days up to the one on which the records are read."""
        return replace(self, from_on=None, until_on=None)

    def of_mode(self, mode: int | None) -> Selection:
        """The same selection for the failures of one mode."""
        return replace(self, mode=mode)

    def of_age(self, age: int | None) -> Selection:
        """The same selection for findings at parts of one age."""
        return replace(self, age=age)

    def after_maintenance(self, since: Since | None) -> Selection:
        """The same selection for findings of one time since maintenance."""
        return replace(self, since=since)

    def query(self) -> dict[str, str | list[str]]:
        """Query parameters of the selection."""
        params: dict[str, str | list[str]] = {}
        for name, day in (("from", self.from_on), ("until", self.until_on)):
            if day is not None:
                params[name] = day.isoformat()
        if self.dated:
            params["as_of"] = self.as_of.isoformat()
        if self.mode is not None:
            params["mode"] = str(self.mode)
        if self.age is not None:
            params["age"] = str(self.age)
        if self.since is not None:
            work, band = self.since
            params["since"] = (
                work if work == AT_MAINTENANCE else f"{work}:{BEFORE_MAINTENANCE if band is None else band}"
            )
        for name, keys in self.traits:
            params[name] = [TRAITS[name].write(key) for key in keys]
        return params


def select(traits: Mapping[str, tuple[Key | None, ...]]) -> tuple[tuple[str, tuple[Key | None, ...]], ...]:
    """Groups by trait in the canonical order of a selection, without empty traits."""
    return tuple(sorted((name, keys) for name, keys in traits.items() if keys))
