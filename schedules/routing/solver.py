"""Solver of routes with PyVRP (pinned to one minor version: its interface moves); no other file uses it.

One vehicle stands for each person and day. What a shift may not do (a missing skill, a stop agreed with
somebody else) is a drive too long for any plan in a travel table of its own. A stop that may begin in one of
several windows is one client for each window, of which one is visited.

PyVRP has no lunch breaks. So routes are first planned without them; then every long shift gets lunch as a
client that must be visited, at one of the places of its route, and the routes are planned again from there.
Some stops are placed before the search, and the rest is planned around them: first those that should come
soonest, each where somebody reaches it first, then stops for two people, each with the two people and the
moment that add the least driving, for no local search finds two people a common hour in full routes.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any, Protocol

import numpy as np
import pyvrp
from numpy.typing import NDArray

from schedules.routing.checker import Route, Routes, Unassigned
from schedules.routing.problem import DAY, Problem, Shift, Stop

FAR = 40 * DAY
"""A drive longer than any plan."""

NEVER_LEFT_OUT = 10_000_000
DRAFT_SHARE = 0.4
ITERATIONS = 12_000
"""Enough for a week of five people and 150 stops, in about a quarter of a minute."""


class Stopping(Protocol):
    """Stopping criterion: called before each iteration with the cost so far; True ends the search."""

    def __call__(self, best_cost: int) -> bool: ...


@dataclass(frozen=True)
class Plan:
    """Solution: feasible routes, and the stops on none."""

    routes: tuple[Route, ...]
    unassigned: tuple[Unassigned, ...]


def iterations(
    number: int, progress: Callable[[int, int], None] | None = None
) -> Callable[[float], Stopping]:
    """Stopping criterion by number of iterations, equal on every machine; ``progress`` gets done and all."""
    done = 0

    def share(part: float) -> Stopping:
        last = done + round(number * part)

        def stop(best_cost: int) -> bool:
            nonlocal done
            if done >= last:
                return True
            done += 1
            if progress is not None and (done % 25 == 0 or done == number):
                progress(done, number)
            return False

        return stop

    return share


def plan_routes(problem: Problem, *, search: Callable[[float], Stopping], seed: int = 1) -> Plan:
    """Solve a prize-collecting vehicle routing problem: visit stops whose prize pays their driving.

    Parameters
    ----------
    problem
        Stops, shifts and travel times.
    search
        Returns, for a share of the search, its stopping criterion (`iterations`).
    seed
        The same seed, problem and number of iterations give the same plan.
    """
    agreed = {stop.key for stop in problem.stops if stop.at is not None}
    problem = replace(problem, stops=_placed_before(problem))
    routes = Routes(problem, agreed=agreed)
    if problem.shifts and problem.stops:
        _search(problem, routes, search=search, seed=seed)
    _put_agreed(problem, routes)
    routes.make_keepable()
    routes.fill()
    return Plan(
        routes=tuple(routes.timed(shift.key) for shift in problem.shifts), unassigned=tuple(routes.explain())
    )


def _placed_before(problem: Problem) -> list[Stop]:
    """Fix the moment and shifts of stops that should come soonest, and of those for two people."""
    routes = Routes(problem)
    for stop in problem.stops:
        for key in stop.only if stop.at is not None else ():
            routes.put_agreed(key, stop)
    placed = {}
    for stop in sorted(problem.stops, key=lambda stop: (not stop.soonest, -stop.prize, str(stop.key))):
        if stop.at is not None or not (stop.soonest or stop.persons > 1):
            continue
        if fixed := routes.take_soonest(stop) if stop.soonest else routes.take_pair(stop):
            placed[stop.key] = fixed
    return [placed.get(stop.key, stop) for stop in problem.stops]


def _search(problem: Problem, routes: Routes, *, search: Callable[[float], Stopping], seed: int) -> None:
    """Let PyVRP fill the routes, in one step or, with lunch, in two."""
    two_steps = any(shift.lunch for shift in problem.shifts)
    draft = _Model(problem)
    for stop in problem.stops:
        draft.add_stop(stop)
    _take_over(routes, draft.solve(search(DRAFT_SHARE if two_steps else 1.0), seed=seed))
    if not two_steps:
        return
    final = _Model(problem)
    for stop in problem.stops:
        final.add_stop(stop)
    for shift in problem.shifts:
        if shift.lunch:
            final.add_lunch(shift, [shift.home, *(stop.place for stop in routes.order[shift.key])])
    _take_over(routes, final.solve(search(1 - DRAFT_SHARE), seed=seed, begin=routes))


def _take_over(routes: Routes, orders: dict[Hashable, list[Stop]]) -> None:
    for key in routes.order:
        routes.order[key] = orders.get(key, [])


def _put_agreed(problem: Problem, routes: Routes) -> None:
    """Put every agreed stop on its routes, whatever the search made of it."""
    for stop in problem.stops:
        for key in sorted(stop.only, key=str) if stop.at is not None else ():
            routes.put_agreed(key, stop)


@dataclass(frozen=True)
class _Spot:
    """A place with who may go there: one location of the model."""

    place: int
    level: int
    only: frozenset[Hashable]


@dataclass
class _Model:
    """A problem translated to PyVRP's clients, groups and vehicles."""

    problem: Problem
    clients: list[dict[str, Any]] = field(default_factory=list)
    stops: list[Stop | None] = field(default_factory=list)
    groups: list[tuple[list[int], bool]] = field(default_factory=list)
    spots: dict[_Spot, int] = field(default_factory=dict)
    lunches: dict[Hashable, dict[int, int]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for home in {shift.home: None for shift in self.problem.shifts}:
            self._spot(_Spot(home, 0, frozenset()))

    def add_stop(self, stop: Stop) -> None:
        """Add a stop: one client, or one for each of its windows or days."""
        spot = _Spot(stop.place, stop.level, stop.only)
        if stop.at is not None:
            for key in stop.only:
                mine = replace(spot, level=0, only=frozenset({key}))
                self._client(stop, mine, early=stop.at, late=stop.at, prize=NEVER_LEFT_OUT)
            return
        windows = self._windows(stop)
        if windows is None:
            self._client(stop, spot, prize=stop.prize)
            return
        first = len(self.clients)
        for (early, late), prize in windows:
            self._client(stop, spot, early=early, late=late, prize=prize)
        if len(windows) > 1:
            for client in self.clients[first:]:
                client["required"] = False
            self._group(range(first, len(self.clients)), required=False)

    def add_lunch(self, shift: Shift, places: Sequence[int]) -> None:
        """Add lunch at one of some places, without a detour."""
        early, late = self.problem.lunch.window(shift.day)
        options = {}
        for place in dict.fromkeys(places):
            spot = _Spot(place, 0, frozenset({shift.key}))
            options[place] = self._client(
                None, spot, early=early, late=late, seconds=self.problem.lunch.seconds
            )
        self._group(options.values(), required=True)
        self.lunches[shift.key] = options

    def _windows(self, stop: Stop) -> list[tuple[tuple[int, int], int]] | None:
        """Windows in which a stop may begin, with its prize in each; None where any time will do."""
        if not stop.urgency:
            return [(window, stop.prize) for window in stop.windows] or None
        days = sorted({shift.day for shift in self.problem.shifts})
        windows = stop.windows or tuple((day * DAY, (day + 1) * DAY - 1) for day in days)
        prize = [
            round(stop.prize * max(0.0, 1 - stop.urgency * (early // DAY - days[0]))) for early, _ in windows
        ]
        return list(zip(windows, prize, strict=True))

    def _spot(self, spot: _Spot) -> int:
        return self.spots.setdefault(spot, len(self.spots))

    def _client(
        self,
        stop: Stop | None,
        spot: _Spot,
        *,
        early: int = 0,
        late: int = FAR,
        prize: int = 0,
        seconds: int | None = None,
    ) -> int:
        self.clients.append(
            {
                "location": self._spot(spot),
                "delivery": [stop.load if stop else 0] if self._has_loads else [],
                "service_duration": stop.seconds if stop else seconds,
                "tw_early": early,
                "tw_late": late,
                "prize": prize,
                "required": prize >= NEVER_LEFT_OUT,
            }
        )
        self.stops.append(stop)
        return len(self.clients) - 1

    def _group(self, members: Any, *, required: bool) -> None:
        members = list(members)
        for member in members:
            self.clients[member]["group"] = len(self.groups)
        self.groups.append((members, required))

    @property
    def _has_loads(self) -> bool:
        return any(shift.capacity is not None for shift in self.problem.shifts)

    def _tables(self, kinds: dict[frozenset[int], int]) -> list[NDArray[np.int64]]:
        """Travel table for each kind of shift: places it may not go to are far away."""
        places = [spot.place for spot in self.spots]
        base = self.problem.travel[np.ix_(places, places)].astype(np.int64)
        tables = []
        for forbidden in kinds:
            table = base.copy()
            rows = sorted(forbidden)
            table[rows, :] = FAR
            table[:, rows] = FAR
            np.fill_diagonal(table, 0)
            tables.append(table)
        return tables

    def _forbidden(self, shift: Shift) -> frozenset[int]:
        return frozenset(
            number
            for spot, number in self.spots.items()
            if shift.level < spot.level or (spot.only and shift.key not in spot.only)
        )

    def solve(self, stop: Stopping, *, seed: int, begin: Routes | None = None) -> dict[Hashable, list[Stop]]:
        """Solve, beginning with routes where there are some; return the orders of stops by shift."""
        kinds: dict[frozenset[int], int] = {}
        alike: defaultdict[tuple[Any, ...], list[Shift]] = defaultdict(list)
        for shift in self.problem.shifts:
            kind = kinds.setdefault(self._forbidden(shift), len(kinds))
            alike[shift.home, shift.begins, shift.ends, shift.capacity, kind].append(shift)
        homes = {place: n for n, place in enumerate(dict.fromkeys(s.home for s in self.problem.shifts))}
        vehicles = [
            pyvrp.VehicleType(
                num_available=len(shifts),
                capacity=[capacity if capacity is not None else FAR] if self._has_loads else [],
                start_depot=homes[home],
                end_depot=homes[home],
                tw_early=begins,
                tw_late=ends,
                profile=kind,
            )
            for (home, begins, ends, capacity, kind), shifts in alike.items()
        ]
        tables = self._tables(kinds)
        data = pyvrp.ProblemData(
            locations=[pyvrp.Location(0, 0) for _ in self.spots],
            clients=[pyvrp.Client(**client) for client in self.clients],
            depots=[pyvrp.Depot(self.spots[_Spot(home, 0, frozenset())]) for home in homes],
            vehicle_types=vehicles,
            distance_matrices=tables,  # type: ignore[arg-type]  # its stubs name another array
            duration_matrices=tables,  # type: ignore[arg-type]
            groups=[pyvrp.ClientGroup(members, required=required) for members, required in self.groups],
        )
        known = self._known(data, list(alike.values()), begin) if begin else None
        result = pyvrp.solve(
            data, stop, seed=seed, collect_stats=False, display=False, initial_solution=known
        )
        return self._orders(result.best, list(alike.values()))

    def _known(
        self, data: pyvrp.ProblemData, alike: Sequence[Sequence[Shift]], begin: Routes
    ) -> pyvrp.Solution | None:
        """PyVRP solution of some routes; None where all of them are empty."""
        if not any(begin.order.values()):
            return None
        client_of: dict[Hashable, list[int]] = {}
        for number, stop in enumerate(self.stops):
            if stop is not None:
                client_of.setdefault(stop.key, []).append(number)
        routes = []
        for kind, shifts in enumerate(alike):
            for shift in shifts:
                visits = self._visits(begin.timed(shift.key), client_of)
                if visits:
                    routes.append(pyvrp.Route(data, visits, kind))
        return pyvrp.Solution(data, routes)

    def _visits(self, timed: Route, client_of: dict[Hashable, list[int]]) -> list[int]:
        """Clients of one route in order, with lunch where the checker has it."""
        shift, stops = timed.shift, [each.stop for each in timed.stops]
        visits = [client_of[stop.key].pop(0) for stop in stops if client_of.get(stop.key)]
        options = self.lunches.get(shift.key)
        if not options:
            return visits
        moment = timed.lunch[0] if timed.lunch else 0
        before = sum(each.begins < moment for each in timed.stops)
        near = stops[before - 1].place if before else shift.home
        visits.insert(min(before, len(visits)), options[near])
        return visits

    def _orders(
        self, solution: pyvrp.Solution, alike: Sequence[Sequence[Shift]]
    ) -> dict[Hashable, list[Stop]]:
        """Orders of stops in a PyVRP solution, by shift."""
        free = [list(shifts) for shifts in alike]
        orders: dict[Hashable, list[Stop]] = {}
        for route in solution.routes():
            shift = free[route.vehicle_type()].pop(0)
            stops = [self.stops[activity.idx] for activity in route if activity.is_client()]
            real_stops = [stop for stop in stops if stop is not None]
            orders[shift.key] = [stop for before, stop in pairwise([None, *real_stops]) if stop is not before]  # type: ignore[misc]
        return orders
