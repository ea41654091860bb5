"""How late a clip hears the take, window by window, and the line through these delays.

Each window is compared by generalised cross-correlation with phase transform (Knapp and Carter, "The generalized
correlation method for estimation of time delay", 1976): every frequency counts alike, so neither level control nor
the tone of a camera's microphone matters, and talk only covers part of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy
from numpy.typing import NDArray

from morningmix.film.coarse import LARGEST_DRIFT
from morningmix.film.sounds import Sound
from morningmix.units import Block

WINDOW_S = 4.0
LAGS_HZ = 16_000
_LOWEST_HZ, _HIGHEST_HZ = 150.0, 7000.0
_SMOOTHED_S = 0.1e-3
"""Standard deviation, so that the peaks of one arrival meet although clocks differ."""
_STEPS = 4
_NEAR_S = (0.001, 0.0003, 0.0003)
"""Delays of windows that agree with a line lie as near to it; less, as the line becomes more exact."""
_ARRIVALS_S = 0.015
_AS_STRONG = 0.3
"""Of the strongest arrival. Weaker ones may be echoes, or what other players' microphones hear of one."""
_APART_FRAMES = 8
_MOST_FOLLOWED = 5
_CLEAR = 5.0
"""Standard deviations of a window's correlation. By chance, one of 100 lags reaches that in 30,000 windows."""
_ROUNDS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """Take time = `at_s` + `slope` * (clip time - `clip_s`)."""

    clip_s: float
    at_s: float
    slope: float

    def take_s(self, clip_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Take times of moments of the clip."""
        return self.at_s + self.slope * (clip_s - self.clip_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Delays:
    """Correlation of each window with the take, around where it is expected to lie."""

    expected: Line
    clip_s: NDArray[np.float64]
    """Middle of each window, in the clip's seconds."""
    take_s: NDArray[np.float64]
    """Middle of what it was compared with: as expected, to the nearest frame."""
    correlations: NDArray[np.float32]
    """``(windows, lags)`` in standard deviations, at `LAGS_HZ`: first earlier in the take."""
    levels: NDArray[np.float32]
    """Root mean square of the take in each window."""

    @property
    def middle(self) -> int:
        """The lag that was expected."""
        return int(self.correlations.shape[1]) // 2


def delays(clip: Sound, take: Sound, middles_s: Sequence[float], expected: Line, within_s: float) -> Delays:
    """Correlate windows of the clip with the take where `expected` says, at lags of up to `within_s` either way."""
    reach = round(within_s * LAGS_HZ)
    of_clip, of_take = round(WINDOW_S / expected.slope * clip.rate_hz), round(WINDOW_S * take.rate_hz)
    starts = np.round(np.array(middles_s) * clip.rate_hz - of_clip / 2).astype(int)
    clip_s = (starts + of_clip / 2) / clip.rate_hz
    begins = np.round(expected.take_s(clip_s) * take.rate_hz - of_take / 2).astype(int)
    rows = np.empty((len(starts), 2 * reach + 1), np.float32)
    levels = np.empty(len(starts), np.float32)
    for index, (start, begin) in enumerate(zip(starts.tolist(), begins.tolist(), strict=True)):
        there = take.stretch(begin, begin + of_take)
        rows[index] = _correlated(clip.stretch(start, start + of_clip), there, reach)
        levels[index] = np.sqrt(np.mean(there**2))
    take_s = (begins + of_take / 2) / take.rate_hz
    return Delays(expected=expected, clip_s=clip_s, take_s=take_s, correlations=rows, levels=levels)


def _correlated(clip: Block, take: Block, reach: int) -> NDArray[np.float32]:
    """Correlation with phase transform at lags from -`reach` to `reach`, in standard deviations.

    Both windows last `WINDOW_S` by the recorder's clock, so bins of both are the same frequencies at any rate.
    """
    low, high = round(_LOWEST_HZ * WINDOW_S), round(_HIGHEST_HZ * WINDOW_S)
    of_clip, of_take = (
        scipy.fft.rfft(sound[0] * scipy.signal.get_window("hann", sound.shape[1]).astype(np.float32))[low:high]
        for sound in (clip, take)
    )
    bins = min(len(of_take), len(of_clip))
    product = of_take[:bins] * np.conj(of_clip[:bins])
    hz = np.arange(low, low + len(product)) / WINDOW_S
    product *= np.exp(-0.5 * (2.0 * np.pi * hz * _SMOOTHED_S) ** 2) / np.maximum(np.abs(product), 1e-12)
    frames = round(WINDOW_S * LAGS_HZ)
    white = np.zeros(frames // 2 + 1, np.complex64)
    white[low : low + len(product)] = product
    deviation = np.sqrt(2.0 * float((np.abs(product) ** 2).sum())) / frames
    lags: NDArray[np.float32] = scipy.fft.irfft(white, frames)[np.arange(-reach, reach + 1)]
    return lags / np.float32(max(deviation, 1e-12))


def strongest_line(found: Delays, base: int) -> tuple[Line, float]:
    """The line along which the windows' correlations add up to most, and that sum over the root of their number.

    It is looked for among the `base` neighbours with the clearest peaks, then among twice as many with a slope twice
    as exact, and so on. Players who take turns look like a slope among few windows; many take long over many lags.
    """
    count = len(found.clip_s)
    clarity = np.convolve(np.maximum(found.correlations.max(axis=1) - 4.0, 0.0), np.ones(min(base, count)), "valid")
    first = int(clarity.argmax())
    last = first + min(base, count)
    anchor_s = float(found.clip_s[first:last].mean())
    at, slope = float(found.middle), 0.0
    reach, slopes = found.middle, LARGEST_DRIFT
    while True:
        chosen = slice(first, last)
        from_anchor = (found.clip_s[chosen] - anchor_s) * LAGS_HZ
        step = 1.0 / max(1.0, float(np.abs(from_anchor).max()))
        steps = int(np.ceil(slopes / step))
        tried = slope + np.linspace(-slopes, slopes, 2 * steps + 1)
        at, slope, total = _best(found.correlations[chosen], from_anchor, tried, at, reach)
        if last - first == count:
            break
        grow = last - first
        first, last = max(0, first - grow), min(count, last + grow)
        reach, slopes = _STEPS * 2, _STEPS * step
    expected_s = float(found.expected.take_s(np.array(anchor_s)))
    line = Line(clip_s=anchor_s, at_s=expected_s + (at - found.middle) / LAGS_HZ, slope=found.expected.slope + slope)
    return line, total / np.sqrt(count)


def _best(
    rows: NDArray[np.float32], from_anchor: NDArray[np.float64], slopes: NDArray[np.float64], at: float, reach: int
) -> tuple[float, float, float]:
    """The lag at the anchor and the slope (both in frames) whose line gathers most, and how much."""
    lags = rows.shape[1]
    low, high = max(0, round(at) - reach), min(lags, round(at) + reach + 1)
    best = (at, 0.0, -np.inf)
    for slope in slopes:
        total = np.zeros(high - low, np.float32)
        for row, shift in zip(rows, np.round(slope * from_anchor).astype(int), strict=True):
            begin, end = max(low, -shift), min(high, lags - shift)
            if begin < end:
                total[begin - low : end - low] += row[begin + shift : end + shift]
        where = int(total.argmax())
        if total[where] > best[2]:
            best = (float(low + where), float(slope), float(total[where]))
    return best


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """The line of the earliest arrival, and how many windows hear the take along it."""

    line: Line
    agrees: NDArray[np.bool_]
    """Which windows have a clear peak where one of the arrivals should be."""


def fitted(found: Delays, line: Line) -> Fit:
    """The line through the peaks of all windows near `line`, and through those of players who are nearer or further.

    Players stand at different distances from the camera, and in each window another one may be heard most. So the
    windows' correlations are added up along the line, each arrival that stands out there is followed through the
    windows, and all share one slope. The line returned is that of the earliest.
    """
    agrees = np.zeros(len(found.clip_s), np.bool_)
    for near_s in _NEAR_S:
        followed = _arrivals(found, line)[:_MOST_FOLLOWED]
        line, agrees = _through(found, line, followed, round(near_s * LAGS_HZ))
    earliest = max(_arrivals(found, line))
    return Fit(line=replace(line, at_s=line.at_s + earliest / LAGS_HZ), agrees=agrees)


def _on(found: Delays, line: Line) -> NDArray[np.float64]:
    """The lag of each window at which the line lies."""
    return (line.take_s(found.clip_s) - found.take_s) * LAGS_HZ + found.middle


def _arrivals(found: Delays, line: Line) -> list[float]:
    """Lags from the line at which all windows together have a peak, the highest first."""
    reach = round(_ARRIVALS_S * LAGS_HZ)
    around = np.arange(-reach, reach + 1)
    lags = np.arange(found.correlations.shape[1])
    rows = zip(found.correlations, _on(found, line), strict=True)
    total = np.sum([np.interp(place + around, lags, row, 0.0, 0.0) for row, place in rows], axis=0)
    tops, _ = scipy.signal.find_peaks(total, height=_AS_STRONG * total.max(), distance=_APART_FRAMES)
    highest_first = sorted(tops.tolist(), key=lambda top: -float(total[top]))
    return [float(around[top]) + parabola(total[top - 1 : top + 2]) for top in highest_first] or [0.0]


def _through(found: Delays, line: Line, places: Sequence[float], near: int) -> tuple[Line, NDArray[np.bool_]]:
    """The line turned to fit the peaks at most `near` lags from `places` on it, and which windows have one.

    Weighted least squares with Huber's weights ("Robust estimation of a location parameter", 1964).
    """
    arrivals, windows, lags, heights = [], [], [], []
    for window, (row, on) in enumerate(zip(found.correlations, _on(found, line), strict=True)):
        for arrival, place in enumerate(places):
            low, high = max(1, round(on + place) - near), min(len(row) - 1, round(on + place) + near + 1)
            if low < high:
                top = low + int(row[low:high].argmax())
                if row[top] > _CLEAR:
                    arrivals.append(arrival)
                    windows.append(window)
                    lags.append(top + parabola(row[top - 1 : top + 2]) - on)
                    heights.append(float(row[top]))
    agrees = np.zeros(len(found.clip_s), np.bool_)
    agrees[windows] = True
    if len(windows) < 2:
        return line, agrees
    of, at_s, lag, height = np.array(arrivals), found.clip_s[windows], np.array(lags), np.array(heights)
    turn, means = 0.0, np.array(places)
    for _ in range(_ROUNDS):
        apart = np.abs(lag - means[of] - turn * (at_s - line.clip_s))
        scale = max(1.5 * 1.48 * float(np.median(apart)), 0.01)
        weights = height * np.minimum(1.0, scale / np.maximum(apart, 1e-9))
        sums = np.bincount(of, weights, len(places)) + 1e-12
        mean_s = np.bincount(of, weights * at_s, len(places)) / sums
        mean_lag = np.bincount(of, weights * lag, len(places)) / sums
        from_mean_s = at_s - mean_s[of]
        spread = float((weights * from_mean_s**2).sum())
        turn = float((weights * from_mean_s * (lag - mean_lag[of])).sum()) / spread if spread > 1.0 else 0.0
        means = np.where(sums > 1e-9, mean_lag - turn * (mean_s - line.clip_s), places)
    return replace(line, slope=line.slope + turn / LAGS_HZ), agrees


def parabola(heights: NDArray[np.floating]) -> float:
    """Where between three points the parabola through them is highest, from the middle one."""
    before, top, after = (float(height) for height in heights)
    curve = before - 2.0 * top + after
    return 0.0 if curve >= 0.0 else 0.5 * (before - after) / curve
