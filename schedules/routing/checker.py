"""Timing of routes: whether a route is feasible, when each stop begins, and what does not fit and why.

This knows nothing of how a route was found. Whatever a solver or a person proposes is timed here, and only
what is timed here counts.
"""

from __future__ import annotations

from collections.abc import Collection, Hashable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import permutations, product

from schedules.routing.problem import Problem, Shift, Stop


@dataclass(frozen=True)
class Timed:
    """A stop of a route: when one arrives, begins and leaves, and how long the drive there takes."""

    stop: Stop
    drive: int
    arrives: int
    begins: int
    ends: int


@dataclass(frozen=True)
class Route:
    """A timed route.

    ``short`` is by how many seconds it is infeasible: agreed beginnings missed, windows missed, and coming
    home late, added up. Zero means that it is feasible.
    """

    shift: Shift
    stops: tuple[Timed, ...]
    lunch: tuple[int, int] | None
    leaves: int
    back: int
    driving: int
    working: int
    short: int
    late_home: int

    @property
    def waiting(self) -> int:
        """Seconds between leaving and coming back that are neither driving, work nor lunch."""
        eating = self.lunch[1] - self.lunch[0] if self.lunch else 0
        return self.back - self.leaves - self.driving - self.working - eating


class Why(StrEnum):
    """Why a stop is on no route."""

    NOBODY = "nobody"
    SKILL = "skill"
    TWO = "two"
    NO_DAY = "no_day"
    WINDOW = "window"
    TOO_LONG = "too_long"
    FULL = "full"


@dataclass(frozen=True)
class Unassigned:
    """A stop on no route: why, and for a full week where it would fit best with how much more time."""

    stop: Stop
    why: Why
    shift: Hashable = None
    missing: int = 0


def time_route(problem: Problem, shift: Shift, stops: Sequence[Stop]) -> Route:
    """Time a route in a given order, everything as early as it can be, lunch where it costs least.

    Where that is the same, lunch does not delay a stop that should come soonest.
    """
    if not shift.lunch:
        return _timed(problem, shift, stops, lunch_after=None)
    options = (_timed(problem, shift, stops, lunch_after=place) for place in range(-1, 2 * len(stops)))
    return min(options, key=lambda option: (option.short, option.back, _begins_of_soonest(option)))


def _begins_of_soonest(timed: Route) -> list[int]:
    return [each.begins for each in timed.stops if each.stop.soonest]


def _timed(
    problem: Problem,
    shift: Shift,
    stops: Sequence[Stop],
    *,
    lunch_after: int | None,
) -> Route:
    """Time a route with lunch at one of its places.

    Place -1 is at home before leaving; 2k is at stop k before its work, 2k + 1 there after it.
    """
    now, here, short, lunch = shift.begins, shift.home, 0, None
    earliest, latest = problem.lunch.window(shift.day)

    def eat(moment: int) -> tuple[int, int]:
        begins = max(moment, earliest)
        return begins, begins + problem.lunch.seconds

    if lunch_after == -1:
        lunch = eat(now)
        now = lunch[1]
    timed: list[Timed] = []
    for number, stop in enumerate(stops):
        drive = int(problem.travel[here, stop.place])
        arrives = now + drive
        ready = arrives
        if lunch_after == 2 * number:
            lunch = eat(ready)
            ready = lunch[1]
        begins, missed = _begin(stop, ready)
        short += missed
        ends = begins + stop.seconds
        timed.append(Timed(stop, drive, arrives, begins, ends))
        now, here = ends, stop.place
        if lunch_after == 2 * number + 1:
            lunch = eat(now)
            now = lunch[1]
    if lunch is not None:
        short += max(0, lunch[0] - latest)
    home = int(problem.travel[here, shift.home])
    back = now + home
    late_home = max(0, back - shift.ends)
    leaves = shift.begins
    if timed and (lunch is None or lunch[0] >= timed[0].arrives):
        slack = (lunch[0] if lunch_after == 0 and lunch else timed[0].begins) - timed[0].arrives
        leaves += max(0, slack)
    return Route(
        shift=shift,
        stops=tuple(timed),
        lunch=lunch,
        leaves=leaves,
        back=back,
        driving=sum(each.drive for each in timed) + home,
        working=sum(stop.seconds for stop in stops),
        short=short + late_home,
        late_home=late_home,
    )


def _begin(stop: Stop, ready: int) -> tuple[int, int]:
    """When a stop begins for somebody ready at a moment, and by how much that misses its window."""
    if stop.at is not None:
        return stop.at, max(0, ready - stop.at)
    if not stop.windows:
        return ready, 0
    for early, late in sorted(stop.windows):
        if ready <= late:
            return max(ready, early), 0
    return ready, ready - max(late for _, late in stop.windows)


@dataclass(frozen=True)
class Insertion:
    """One way to insert a stop into a route: where in its order, the route then, and the driving it adds."""

    place: int
    round: Route
    added: int


def insertions(problem: Problem, shift: Shift, order: Sequence[Stop], stop: Stop) -> Iterator[Insertion]:
    """Yield the insertions of a stop at each place of a route, feasible or not."""
    before = time_route(problem, shift, order)
    for place in range(len(order) + 1):
        after = time_route(problem, shift, [*order[:place], stop, *order[place:]])
        yield Insertion(place, after, after.driving - before.driving)


class Routes:
    """Routes under construction, one for each shift; every change is timed before it is made."""

    def __init__(self, problem: Problem, *, agreed: Collection[Hashable] = ()) -> None:
        self.problem = problem
        self.agreed = agreed
        self.shifts = {shift.key: shift for shift in problem.shifts}
        self.order: dict[Hashable, list[Stop]] = {shift.key: [] for shift in problem.shifts}

    def timed(self, key: Hashable) -> Route:
        """Time one route as it stands."""
        return time_route(self.problem, self.shifts[key], self.order[key])

    def planned(self) -> set[Hashable]:
        """Keys of the stops that are on as many routes as they need people."""
        seen: dict[Hashable, int] = {}
        for stops in self.order.values():
            for stop in stops:
                seen[stop.key] = seen.get(stop.key, 0) + 1
        needed = {stop.key: stop.persons for stop in self.problem.stops}
        return {key for key, times in seen.items() if times >= needed[key]}

    def drop(self, stop: Stop) -> None:
        """Take a stop out of all routes."""
        for stops in self.order.values():
            if stop in stops:
                stops.remove(stop)

    def put_agreed(self, key: Hashable, stop: Stop) -> None:
        """Insert a stop with a fixed beginning into a route, and sort all such stops of the route."""
        order = self.order[key]
        if stop not in order:
            begins = [timed.begins for timed in self.timed(key).stops]
            order.insert(sum(moment < (stop.at or 0) for moment in begins), stop)
        fixed = iter(sorted((each for each in order if each.at is not None), key=lambda each: each.at or 0))
        self.order[key] = [each if each.at is None else next(fixed) for each in order]

    def take_soonest(self, stop: Stop) -> Stop | None:
        """Insert a stop into the route that reaches it first, and fix it there; None if no route can.

        Meant for routes with only agreed stops, and others inserted so before.
        """
        if stop.persons > 1:
            return self.take_pair(stop)
        options = [
            (way.round.stops[way.place].begins, way.added, number, way, shift.key)
            for number, shift in enumerate(self.problem.shifts)
            if self.problem.may_take(shift, stop) and self._has_capacity(shift, stop)
            for way in self._keepable_ways(shift, stop)
        ]
        if not options:
            return None
        moment, _, _, way, key = min(options, key=lambda option: option[:3])
        fixed = replace(stop, at=moment, only=frozenset({key}))
        self.order[key].insert(way.place, fixed)
        return fixed

    def take_pair(self, stop: Stop) -> Stop | None:
        """Insert a stop for two people into the two routes where it adds the least driving; None if none can.

        One that should come soonest goes where two people reach it first, whatever the driving.
        """
        options = [
            (one.added + other.added, moment, number, one, other, first.key, second.key)
            for number, (first, second) in enumerate(permutations(self.problem.shifts, 2))
            if first.day == second.day and first.person != second.person
            if self.problem.may_take(first, stop) and self._has_capacity(first, stop)
            if (not stop.only or second.key in stop.only) and self._has_capacity(second, stop)
            for moment, one, other in self._together(first, second, stop)
        ]
        if not options:
            return None
        first_of = (1, 0, 2) if stop.soonest else (0, 1, 2)
        best = min(options, key=lambda option: [option[place] for place in first_of])
        _, moment, _, one, other, first_key, second_key = best
        fixed = replace(stop, at=moment, only=frozenset({first_key, second_key}))
        self.order[first_key].insert(one.place, fixed)
        self.order[second_key].insert(other.place, fixed)
        return fixed

    def _together(
        self, first: Shift, second: Shift, stop: Stop
    ) -> Iterator[tuple[int, Insertion, Insertion]]:
        """Yield the moments at which two people can begin a stop together, with both insertions."""
        ways = [list(self._keepable_ways(shift, stop)) for shift in (first, second)]
        for one, other in product(*ways):
            moment = max(way.round.stops[way.place].begins for way in (one, other))
            fixed = replace(stop, at=moment)
            both = [
                Insertion(insertion.place, again, insertion.added)
                for shift, insertion in ((first, one), (second, other))
                if (again := self._with(shift, fixed, insertion.place)).short <= self.timed(shift.key).short
            ]
            if len(both) == 2 and (not stop.windows or any(a <= moment <= b for a, b in stop.windows)):
                yield moment, both[0], both[1]

    def _keepable_ways(self, shift: Shift, stop: Stop) -> Iterator[Insertion]:
        """Insertions of a stop into a route that leave it as feasible as it was."""
        before = self.timed(shift.key).short  # more than zero only where agreed stops contradict each other
        ways = insertions(self.problem, shift, self.order[shift.key], stop)
        return (way for way in ways if way.round.short <= before)

    def _with(self, shift: Shift, stop: Stop, place: int) -> Route:
        order = self.order[shift.key]
        return time_route(self.problem, shift, [*order[:place], stop, *order[place:]])

    def make_keepable(self) -> None:
        """Drop stops, those of the smallest prize first, until every route is feasible.

        Agreed stops stay: a route that they alone make infeasible keeps its ``short``.
        """
        lone = [stop for stop in self.problem.stops if stop.key not in self.planned()]
        for stop in lone:
            self.drop(stop)
        for key in self.order:
            agreed = [stop for stop in self.order[key] if stop.key in self.agreed]
            by_itself = time_route(self.problem, self.shifts[key], agreed).short
            while self.timed(key).short > by_itself:
                loose = [stop for stop in self.order[key] if stop.key not in self.agreed]
                if not loose:
                    break
                self.drop(min(loose, key=lambda stop: (stop.prize, str(stop.key))))

    def fill(self) -> None:
        """Insert what still fits, greatest prize first, where it adds the least driving."""
        planned = self.planned()
        left = [stop for stop in self.problem.stops if stop.key not in planned and stop.at is None]
        for stop in sorted(left, key=lambda stop: (-stop.prize, str(stop.key))):
            if stop.persons > 1:
                self.take_pair(stop)
            elif best := self._best(stop):
                key, insertion = best
                self.order[key].insert(insertion.place, stop)

    def _best(self, stop: Stop) -> tuple[Hashable, Insertion] | None:
        options = [
            (way.added, number, way, shift.key)
            for number, shift in enumerate(self.problem.shifts)
            if self.problem.may_take(shift, stop) and self._has_capacity(shift, stop)
            for way in self._keepable_ways(shift, stop)
        ]
        if not options:
            return None
        _, _, way, key = min(options, key=lambda option: option[:2])
        return key, way

    def _has_capacity(self, shift: Shift, stop: Stop) -> bool:
        order = self.order[shift.key]
        if shift.capacity is not None and sum(each.load for each in order) + stop.load > shift.capacity:
            return False
        busy = sum(each.seconds for each in order) + stop.seconds
        return busy <= shift.ends - shift.begins - shift.lunch * self.problem.lunch.seconds

    def explain(self) -> list[Unassigned]:
        """List every stop on no route, with the reason."""
        planned = self.planned()
        return [self._why(stop) for stop in self.problem.stops if stop.key not in planned]

    def _why(self, stop: Stop) -> Unassigned:
        shifts = list(self.problem.shifts)
        if not shifts:
            return Unassigned(stop, Why.NOBODY)
        able = [shift for shift in shifts if self.problem.may_take(shift, stop)]
        if not able:
            return Unassigned(stop, Why.SKILL if not stop.only else Why.NO_DAY)
        if stop.persons > 1 and not _two_on_a_day(able, shifts):
            return Unassigned(stop, Why.TWO)
        alone = [(shift, time_route(self.problem, shift, [stop])) for shift in able]
        if all(timing.short for _, timing in alone):
            bare = Stop(key=stop.key, place=stop.place, seconds=stop.seconds)
            fits = any(not time_route(self.problem, shift, [bare]).short for shift, _ in alone)
            return Unassigned(stop, Why.WINDOW if fits else Why.TOO_LONG)
        if stop.persons > 1:
            return Unassigned(stop, Why.TWO)
        short, _, key = min(
            (insertion.round.short, number, shift.key)
            for number, (shift, lone) in enumerate(alone)
            if not lone.short
            for insertion in insertions(self.problem, shift, self.order[shift.key], stop)
        )
        return Unassigned(stop, Why.FULL, key, short)


def _two_on_a_day(able: Sequence[Shift], shifts: Sequence[Shift]) -> bool:
    """Whether on some day somebody able and somebody else work."""
    return any(one.day == other.day and one.person != other.person for one in able for other in shifts)
