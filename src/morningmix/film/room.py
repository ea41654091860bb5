"""Where sources, microphones and a camera stood, by how long sound took between them: how late the camera heard.

One camera's arrivals alone do not tell its clock from its distance. But inputs share the recorder's clock, so what
their microphones pick up of each other gives distances, distances a room, and a camera in it has only one place and one
clock that fit: as a receiver of satellites has (Bancroft, "An algebraic solution of the GPS equations", 1985), here by
least squares with candidates, because reflections are taken for direct sound now and then.

Everything is in metres: delays are multiplied by the speed of sound.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from morningmix.film.arrivals import Arrival

SOUND_M_PER_S = 343.0
_EXACT_M = 0.07
"""Of a delay between direct sounds: 0.2 ms."""
_STAGES = ((0.7, 10), (0.35, 8), (0.17, 8), (_EXACT_M, 14))
"""How exact delays are taken to be, and for how many steps: blurred first, so that places are not caught early."""
_CANDIDATES = 3
_LATER = 1.0
"""Cost of each candidate that is passed over: direct sound comes first."""
_FLOOR, _LEAST_LOST, _MOST_LOST = 4.0, 1.0, 8.0
"""An arrival may have no direct sound; that costs half its height over the floor."""
_HEIGHT_M, _CAMERA_HEIGHT_M, _WITHIN_M = (1.0, 0.5), (1.4, 0.4), 1.7
"""Heights, means and standard deviations, and how far from the middle things stand in a rehearsal room."""
_OWN_MICROPHONE_M = 0.5
_LATE_M, _LATE_WITH_MICROPHONE_M = 0.14, 0.34
"""How much later than its sound an input is recorded; a box in its cable or a microphone at a distance does that."""
_CLOCK_M = 10.0
_STEP_M = 0.7
_DAMPED = 0.3
_STARTS, _KEPT, _CAMERA_STARTS = 400, 20, 10
_APART = 0.2
_SAME_M = 0.05
"""Clocks less apart are one solution found twice."""
_SURE_M = 1.2
"""Standard deviation of the clock, 3.5 ms: a worse guess is no better than none."""
_FEWEST = 4
"""Arrivals at the camera: its place and its clock are four numbers."""
_AT_ONCE_M = 0.1
"""No place in a room hears everybody as nearly at once: that came by a cable."""
_NO_PEAK_M = 1e6
_USUAL_M = 2.7

Vector = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """Places that fit the arrivals among the inputs of a take, the best first."""

    arrivals: tuple[Arrival, ...]
    places: tuple[Vector, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stood:
    """A camera in a room."""

    late_s: float
    """How much later than the recorder's its clock is taken to be: negative where a line goes by arrivals."""
    nearest_m: float
    """Distance of the source that is nearest to it."""


def room_of(arrivals: Sequence[Arrival]) -> Room | None:
    """The room in which inputs hear each other so; None where too few do."""
    if len({one.source for one in arrivals}) < 2 or len({one.at for one in arrivals}) < 2:
        return None
    fit = _Fit(arrivals)
    random = np.random.default_rng(0)
    solved = sorted((fit.solved(fit.start(random), _STAGES) for _ in range(_STARTS)), key=lambda each: each.cost)
    different = [solved[0]]
    for each in solved[1:]:
        if len(different) < _KEPT and each.cost - different[-1].cost > _APART:
            different.append(each)
    return Room(arrivals=tuple(arrivals), places=tuple(each.values for each in different))


def stood(room: Room, heard: Sequence[Arrival]) -> Stood | None:
    """Where a camera stood that heard the sources so; None where that leaves its clock open by 3.5 ms."""
    sources = {one.source for one in room.arrivals}
    heard = [one for one in heard if one.source in sources]
    if len(heard) < _FEWEST:
        return None
    before, fit = _Fit(room.arrivals), _Fit((*room.arrivals, *heard))
    highest_m = [max(one.peaks, key=lambda peak: peak[1])[0] * SOUND_M_PER_S for one in heard]
    if np.ptp(highest_m) < _AT_ONCE_M:
        return Stood(late_s=float(np.median(highest_m)) / SOUND_M_PER_S, nearest_m=0.0)
    random = np.random.default_rng(1)
    solved = []
    for places in room.places:
        for _ in range(_CAMERA_STARTS):
            values = fit.start(random)
            for node, at in before.nodes.items():
                values[3 * fit.nodes[node] : 3 * fit.nodes[node] + 3] = places[3 * at : 3 * at + 3]
            known = values[: 3 * len(before.nodes) - 3].reshape(-1, 3)
            camera = 3 * fit.nodes[_CAMERA]
            values[camera : camera + 2] = known[:, :2].mean(axis=0) + random.normal(0.0, 1.5, 2)
            values[fit.clock] = np.median(highest_m) - _USUAL_M + random.normal(0.0, 0.7)
            solved.append(fit.solved(values, _STAGES[1:]))
    best = min(solved, key=lambda each: each.cost)
    clock_m, clock_sd_m = _clock(solved, fit.clock)
    if int(best.agrees[len(room.arrivals) :].sum()) < _FEWEST or clock_sd_m > _SURE_M:
        return None
    places = best.values[: 3 * len(fit.nodes)].reshape(-1, 3)
    stood_at = places[[at for (what, _), at in fit.nodes.items() if what == "source"]]
    nearest_m = float(np.linalg.norm(stood_at - places[fit.nodes[_CAMERA]], axis=1).min())
    return Stood(late_s=clock_m / SOUND_M_PER_S, nearest_m=nearest_m)


def _clock(solved: Sequence[_Solved], clock: int) -> tuple[float, float]:
    """Mean and standard deviation of the camera's clock in metres over all places that fit, each by its likelihood."""
    different: list[_Solved] = []
    for each in sorted(solved, key=lambda each: each.cost):
        if all(abs(each.values[clock] - other.values[clock]) > _SAME_M for other in different):
            different.append(each)
    likely = np.exp([different[0].cost - each.cost for each in different])
    likely /= likely.sum()
    clocks_m = np.array([each.values[clock] for each in different])
    mean_m = float(likely @ clocks_m)
    own_m = np.array([each.clock_sd_m for each in different])
    return mean_m, float(np.sqrt(likely @ (own_m**2 + (clocks_m - mean_m) ** 2)))


_CAMERA = ("camera", -1)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Solved:
    cost: float
    values: Vector
    """Places of all nodes, the camera's clock, how much later than its sound each source is recorded."""
    clock_sd_m: float
    agrees: NDArray[np.bool_]
    """Which arrivals have a candidate where it should be."""


class _Fit:
    """Damped Gauss-Newton steps, each with the candidates that fit best and less weight for those far off."""

    def __init__(self, arrivals: Sequence[Arrival]) -> None:
        sources = sorted({one.source for one in arrivals})
        microphones = sorted({one.at for one in arrivals if one.at is not None})
        names = [*(("source", one) for one in sources), *(("microphone", one) for one in microphones), _CAMERA]
        self.nodes = {name: at for at, name in enumerate(names)}
        self.clock = 3 * len(names)
        self._size = self.clock + 1 + len(sources)
        self._from = np.array([self.nodes["source", one.source] for one in arrivals])
        self._to = np.array([self.nodes[_CAMERA if one.at is None else ("microphone", one.at)] for one in arrivals])
        self._late = self.clock + 1 + np.array([sources.index(one.source) for one in arrivals])
        self._by_camera = np.array([float(one.at is None) for one in arrivals])
        self._delays_m = np.full((len(arrivals), _CANDIDATES), _NO_PEAK_M)
        heights = np.zeros(len(arrivals))
        for row, one in enumerate(arrivals):
            candidates = one.peaks[:_CANDIDATES]
            self._delays_m[row, : len(candidates)] = [delay_s * SOUND_M_PER_S for delay_s, _ in candidates]
            heights[row] = max(height for _, height in candidates)
        self._passed_over = _LATER * np.arange(_CANDIDATES) + np.where(self._delays_m == _NO_PEAK_M, np.inf, 0.0)
        self._lost = np.clip((heights - _FLOOR) / 2.0, _LEAST_LOST, _MOST_LOST)
        self._usual(sources, microphones)

    def _usual(self, sources: Sequence[int], microphones: Sequence[int]) -> None:
        """What is usual of rehearsal rooms, as rows of linear equations in standard deviations."""
        equations: list[tuple[dict[int, float], float]] = []
        for name, at in self.nodes.items():
            height_m, deviation_m = _CAMERA_HEIGHT_M if name == _CAMERA else _HEIGHT_M
            equations.append(({3 * at + 2: 1.0 / deviation_m}, height_m / deviation_m))
            equations.extend(({3 * at + axis: 1.0 / _WITHIN_M}, 0.0) for axis in (0, 1))
        equations.append(({self.clock: 1.0 / _CLOCK_M}, 0.0))
        for place, source in enumerate(sources):
            late_m = _LATE_WITH_MICROPHONE_M if source in microphones else _LATE_M
            equations.append(({self.clock + 1 + place: 1.0 / late_m}, 0.0))
            if source in microphones:
                here, there = self.nodes["source", source], self.nodes["microphone", source]
                near = 1.0 / _OWN_MICROPHONE_M
                equations.extend(({3 * here + axis: near, 3 * there + axis: -near}, 0.0) for axis in range(3))
        self._rows = np.zeros((len(equations), self._size))
        self._values = np.array([value for _, value in equations])
        for row, (factors, _) in enumerate(equations):
            self._rows[row, list(factors)] = list(factors.values())

    def start(self, random: np.random.Generator) -> Vector:
        """Somewhere in a room."""
        values = np.zeros(self._size)
        places = values[: self.clock].reshape(-1, 3)
        places[:, :2] = random.normal(0.0, 1.5, (len(places), 2))
        places[:, 2] = _HEIGHT_M[0]
        places[-1, 2] = _CAMERA_HEIGHT_M[0]
        return values

    def solved(self, values: Vector, stages: Sequence[tuple[float, int]]) -> _Solved:
        """The nearest places that fit."""
        rows = np.arange(len(self._from))
        usual = self._rows.T @ self._rows
        matrix = usual
        for exact_m, steps in stages:
            for _ in range(steps):
                expected, towards = self._expected(values)
                nearest, costs = self._chosen(expected, exact_m)
                off = (nearest - expected) / exact_m
                if exact_m > _EXACT_M:
                    weights = 1.0 / (1.0 + off**2 / 2.0)
                else:
                    weights = (costs < self._lost) / np.sqrt(1.0 + off**2)
                slopes = np.zeros((len(rows), self._size))
                for axis in range(3):
                    slopes[rows, 3 * self._from + axis] = towards[:, axis]
                    slopes[rows, 3 * self._to + axis] = -towards[:, axis]
                slopes[:, self.clock] = self._by_camera
                slopes[rows, self._late] = 1.0
                weighted = (slopes * (weights / exact_m**2)[:, np.newaxis]).T
                matrix = weighted @ slopes + usual
                wanted = weighted @ (nearest - expected) + self._rows.T @ (self._values - self._rows @ values)
                step = np.linalg.solve(matrix + _DAMPED * np.eye(self._size), wanted)
                values = values + step * min(1.0, _STEP_M / max(float(np.abs(step).max()), 1e-9))
        expected, _ = self._expected(values)
        _, costs = self._chosen(expected, _EXACT_M)
        unusual = self._rows @ values - self._values
        return _Solved(
            cost=float(np.minimum(costs, self._lost).sum() + 0.5 * (unusual**2).sum()),
            values=values,
            clock_sd_m=float(np.sqrt(np.linalg.inv(matrix)[self.clock, self.clock])),
            agrees=costs < self._lost,
        )

    def _expected(self, values: Vector) -> tuple[Vector, Vector]:
        """Delay of each arrival in metres, and the direction from where it arrives to where it comes from."""
        places = values[: self.clock].reshape(-1, 3)
        apart = places[self._from] - places[self._to]
        distance_m = np.sqrt((apart**2).sum(axis=1) + 1e-6)
        delays_m = distance_m + values[self.clock] * self._by_camera + values[self._late]
        return delays_m, apart / distance_m[:, np.newaxis]

    def _chosen(self, expected: Vector, exact_m: float) -> tuple[Vector, Vector]:
        """The candidate of each arrival that fits best, and what it costs."""
        costs = 0.5 * ((self._delays_m - expected[:, np.newaxis]) / exact_m) ** 2 + self._passed_over
        best = costs.argmin(axis=1)
        rows = np.arange(len(best))
        return self._delays_m[rows, best], costs[rows, best]
