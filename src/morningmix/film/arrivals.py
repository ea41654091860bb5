"""When the sound of each input arrives at the microphones of the others, and at a camera.

What two microphones have in common and no other has is their partial coherence (Dahlhaus, "Graphical interaction
models for multivariate time series", 2000): the inverse of the matrix of all cross-spectra. With its phase alone, as a
function of time, it has a peak where the direct sound of one arrives at the other, and peaks of its reflections after.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from morningmix.film.fine import LAGS_HZ, Line, parabola
from morningmix.film.sounds import Sound
from morningmix.units import Block

_WINDOWS, _WINDOW_S = 24, 4.0
_FRAME_S, _HOP_S = 0.5, 0.25
_LOWEST_HZ, _HIGHEST_HZ = 150.0, 6500.0
_SMOOTHED_S = 0.05e-3
_EVENED_BINS = 25
"""Magnitude is evened out over as many bins around."""
_LOADED = 1e-3
"""Of the mean power, on the diagonal: inputs that hear the same cannot be told apart."""
_CHUNK_BINS = 256
_FURTHEST_S = 0.040
_TOGETHER_S = 0.00025
"""Sound that two inputs have nearly at once tells no distance."""
_FURTHEST_INPUT_S = 0.025
_APART_LAGS = 3
_CLEAR, _CLEAR_AT_CAMERA = 6.0, 4.5
"""Standard deviations. Between inputs there is more to look at, and more that looks alike."""
_AS_STRONG, _AS_STRONG_AT_CAMERA = 0.4, 0.35
_MOST = 8
_MOVED_S, _ALIKE_S = 0.0003, 0.00004
"""How far a peak may move within a clip, and how much differently from others."""
_FEWEST_MOVED = 3
_LEADS = 10.0
"""Standard deviations that a source has somewhere."""

Peak = tuple[float, float]
"""A delay in seconds, and its height in standard deviations."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrival:
    """When an input's sound may arrive somewhere, after it was recorded."""

    source: int
    at: int | None
    """The input at whose microphone it arrives; None for the camera."""
    peaks: tuple[Peak, ...]
    """The earliest first."""


def between(inputs: Sequence[Sound]) -> list[Arrival]:
    """Arrivals of the sound of inputs at each other's microphones, of those that are heard before they hear.

    A microphone that hears others before it is heard by them, as a singer's does, is no source here: what the camera
    hears of it may come from them.
    """
    rate_hz = inputs[0].rate_hz
    line = Line(clip_s=0.0, at_s=0.0, slope=1.0)
    spectra = _spectra(inputs, None, line, _begins_s(0.0, inputs[0].frames / rate_hz))
    arrivals = []
    leads, follows = np.zeros((2, len(inputs)))
    for first, second, row in _common(spectra, None):
        peaks = [peak for peak in _peaks(row, _CLEAR, _AS_STRONG) if _TOGETHER_S < abs(peak[0]) < _FURTHEST_INPUT_S]
        later = tuple(peak for peak in peaks if peak[0] > 0.0)
        earlier = tuple((-delay_s, height) for delay_s, height in reversed(peaks) if delay_s < 0.0)
        for source, at, its in ((first, second, later), (second, first, earlier)):
            if its:
                arrivals.append(Arrival(source=source, at=at, peaks=its))
                height = max(height for _, height in its)
                leads[source], follows[at] = max(leads[source], height), max(follows[at], height)
    return [one for one in arrivals if leads[one.source] > max(follows[one.source], _LEADS)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """What a camera hears of the inputs, later than a line says."""

    arrivals: tuple[Arrival, ...]
    clip_s: float
    """Moment of the clip at which the arrivals are as late as they are on average."""
    turn: float
    """How much later they come with every second of the clip, in seconds: the line's slope is too steep by that."""


def at_camera(inputs: Sequence[Sound], clip: Sound, line: Line) -> Heard:
    """Arrivals of the sound of the inputs at the camera of a clip, as late as they are by a line."""
    first_s = max(0.0, line.clip_s - line.at_s / line.slope)
    last_s = min(clip.duration_s, line.clip_s + (inputs[0].duration_s - line.at_s) / line.slope)
    begins_s = _begins_s(first_s, last_s)
    spectra = _spectra(inputs, clip, line, begins_s)
    found = _peaks_at_camera(spectra)
    arrivals = [Arrival(source=source, at=None, peaks=tuple(peaks)) for source, peaks in found.items() if peaks]
    middle = len(begins_s) // 2
    turn = 0.0
    if middle:
        frames = middle * (spectra.shape[1] // len(begins_s))
        halves = (_peaks_at_camera(spectra[:, :frames]), _peaks_at_camera(spectra[:, frames:]))
        turn = _later_s(found, *halves) / float(begins_s[middle:].mean() - begins_s[:middle].mean())
    return Heard(arrivals=tuple(arrivals), clip_s=float(begins_s.mean()) + _WINDOW_S / 2.0, turn=turn)


def _peaks_at_camera(spectra: NDArray[np.complex64]) -> dict[int, list[Peak]]:
    camera = len(spectra) - 1
    rows = ((first, row) for first, second, row in _common(spectra, camera) if second == camera)
    return {first: _peaks(row, _CLEAR_AT_CAMERA, _AS_STRONG_AT_CAMERA) for first, row in rows}


def _later_s(whole: dict[int, list[Peak]], before: dict[int, list[Peak]], after: dict[int, list[Peak]]) -> float:
    """How much later the same peaks, reflections too, come in the second half of a clip than in the first."""
    moved_s: list[float] = []
    for source, peaks in whole.items():
        for at_s, _ in peaks:
            near = [[its_s for its_s, _ in half[source] if abs(its_s - at_s) < _MOVED_S] for half in (before, after)]
            if len(near[0]) == len(near[1]) == 1:
                moved_s.append(near[1][0] - near[0][0])
    moved = np.array(moved_s)
    alike = moved[np.abs(moved - np.median(moved)) <= _ALIKE_S] if moved_s else moved
    return float(alike.mean()) if len(alike) >= _FEWEST_MOVED else 0.0


def _begins_s(first_s: float, last_s: float) -> NDArray[np.float64]:
    count = int(np.clip((last_s - first_s) / _WINDOW_S, 1, _WINDOWS))
    return np.linspace(first_s, max(first_s, last_s - _WINDOW_S), count)


def _spectra(
    inputs: Sequence[Sound], clip: Sound | None, line: Line, begins_s: NDArray[np.float64]
) -> NDArray[np.complex64]:
    """Spectra of short frames of the inputs and of the clip, ``(inputs [+ 1], frames, bins)``, at the same moments."""
    rate_hz = inputs[0].rate_hz
    length = round(_FRAME_S * rate_hz)
    within_s = np.arange(0.0, _WINDOW_S - _FRAME_S, _HOP_S) + _FRAME_S / 2.0
    spectra = np.empty((len(inputs) + (clip is not None), len(begins_s) * len(within_s), 0), np.complex64)
    for window, begin_s in enumerate(begins_s):
        middles_s = begin_s + within_s
        rows = []
        if clip is not None:
            of_clip = round(_FRAME_S * clip.rate_hz / line.slope)
            starts = np.round(middles_s * clip.rate_hz - of_clip / 2.0).astype(int)
            middles_s = (starts + of_clip / 2.0) / clip.rate_hz
            heard = clip.stretch(int(starts[0]), int(starts[-1]) + of_clip)
            rows.append(_transformed(heard, starts - starts[0], of_clip))
        places = line.take_s(middles_s) * rate_hz - length / 2.0
        starts = np.round(places).astype(int)
        sound = np.concatenate([one.stretch(int(starts[0]), int(starts[-1]) + length) for one in inputs])
        of_take = _transformed(sound, starts - starts[0], length)
        bins = min(of_take.shape[2], rows[0].shape[2]) if rows else of_take.shape[2]
        hz = _LOWEST_HZ + np.arange(bins) / _FRAME_S
        moved = np.exp(2j * np.pi * hz * ((places - starts) / rate_hz)[:, np.newaxis])
        rows.insert(0, (of_take[..., :bins] * moved).astype(np.complex64))
        if not spectra.size:
            spectra = np.empty((*spectra.shape[:2], bins), np.complex64)
        frames = slice(window * len(within_s), (window + 1) * len(within_s))
        spectra[:, frames] = np.concatenate([row[..., :bins] for row in rows])
    return spectra


def _transformed(sound: Block, starts: NDArray[np.int_], length: int) -> NDArray[np.complex64]:
    shape = scipy.signal.get_window("hann", length).astype(np.float32)
    frames = sound[:, starts[:, np.newaxis] + np.arange(length)] * shape
    kept = slice(round(_LOWEST_HZ * _FRAME_S), round(_HIGHEST_HZ * _FRAME_S))
    found: NDArray[np.complex64] = scipy.fft.rfft(frames, axis=-1)[..., kept]
    return found


def _common(spectra: NDArray[np.complex64], camera: int | None) -> Iterator[tuple[int, int, NDArray[np.floating]]]:
    """For each pair of rows, what only they have in common at lags up to `_FURTHEST_S`, in standard deviations.

    Positive lags: the second hears it later. Every moment of the camera counts alike at every frequency, or of
    all inputs together without one: neither level control nor who plays loud matters.
    """
    count, _, bins = spectra.shape
    coherences = np.empty((count, count, bins), np.complex64)
    for begin in range(0, bins, _CHUNK_BINS):
        chunk = spectra[..., begin : begin + _CHUNK_BINS]
        power = chunk.real**2 + chunk.imag**2
        mean = power.mean(axis=1, keepdims=True) + 1e-20
        against = (power / mean).sum(axis=0) + 1e-2 if camera is None else power[camera] / mean[camera] + 1e-3
        even = (chunk / np.sqrt(mean * against)).transpose(2, 0, 1)
        matrix = np.conj(even) @ even.transpose(0, 2, 1)
        loaded = _LOADED * np.trace(matrix, axis1=1, axis2=2).real / count
        inverse = np.linalg.inv(matrix + loaded[:, np.newaxis, np.newaxis] * np.eye(count))
        own = np.sqrt(np.einsum("fii->fi", inverse).real)
        partial = -inverse / (own[:, :, np.newaxis] * own[:, np.newaxis, :])
        coherences[..., begin : begin + chunk.shape[2]] = partial.transpose(1, 2, 0)
    lags = round(LAGS_HZ * _FRAME_S)
    hz = _LOWEST_HZ + np.arange(bins) / _FRAME_S
    reach = np.arange(-round(_FURTHEST_S * LAGS_HZ), round(_FURTHEST_S * LAGS_HZ) + 1)
    low = round(_LOWEST_HZ * _FRAME_S)
    for first in range(count):
        for second in range(first + 1, count):
            row = coherences[first, second]
            row = row / (scipy.ndimage.uniform_filter1d(np.abs(row), _EVENED_BINS) + 1e-20)
            white = np.zeros(lags // 2 + 1, np.complex64)
            white[low : low + bins] = row * np.exp(-0.5 * (2.0 * np.pi * hz * _SMOOTHED_S) ** 2)
            times = scipy.fft.irfft(white, lags)
            yield first, second, times[reach] / max(float(times.std()), 1e-20)


def _peaks(row: NDArray[np.floating], clear: float, as_strong: float) -> list[Peak]:
    """The strongest peaks of either sign, the earliest first."""
    heights = np.abs(row)
    least = max(clear, as_strong * float(heights.max()))
    tops, _ = scipy.signal.find_peaks(heights, height=least, distance=_APART_LAGS)
    strongest = sorted(tops.tolist(), key=lambda top: -float(heights[top]))[:_MOST]
    middle = len(row) // 2
    return [
        ((top - middle + parabola(heights[top - 1 : top + 2])) / LAGS_HZ, float(heights[top]))
        for top in sorted(strongest)
    ]
