"""Declipping: a stage that interpolates short runs at full scale from the sound around them.

Missing samples are those that make the residual of an autoregressive model smallest, the model being estimated from the
signal itself, in turn (A. J. E. M. Janssen, R. N. J. Veldhuis, L. B. Vries, "Adaptive interpolation of discrete-time
signals that can be modeled as autoregressive processes", IEEE Trans. ASSP 34(2), 1986). On top of that, clipping says
that the sound reached full scale, so the interpolated samples do too.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import scipy
from numpy.typing import NDArray

from morningmix.units import Block

FULL_SCALE = np.float32(10 ** (-0.01 / 20))
"""Samples from this level on count as full scale: within 0.01 dB (common practice, no source)."""
LEAST_RUN = 3
"""Successive samples at full scale that count as clipped."""

MOST_OVERSHOOT = 2.0
"""Interpolated samples stay within 6 dB over the recorded ones (design choice)."""

_ORDER = 32
_ROUNDS = 2
_FRAME, _AROUND = 1024, 512
# Keeps the model away from poles on the unit circle and the equations well conditioned.
_NOISE = 1e-6

Samples = NDArray[np.float64]


def clipped(samples: NDArray[np.float32], longest: int) -> NDArray[np.bool_]:
    """Which samples of ``(frames,)`` lie in a run at full scale of `LEAST_RUN` to `longest` samples.

    A run that touches the first or the last sample has an unknown length and does not count.
    """
    full = np.abs(samples) >= FULL_SCALE
    edges = np.diff(full.astype(np.int8), prepend=0, append=0)
    starts, stops = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    lengths = stops - starts
    counts = (lengths >= LEAST_RUN) & (lengths <= longest) & (starts > 0) & (stops < len(samples))
    steps = np.zeros(len(samples) + 1, np.int8)
    steps[starts[counts]], steps[stops[counts]] = 1, -1
    inside: NDArray[np.bool_] = np.cumsum(steps[:-1]) > 0
    return inside


class RepairStage:
    """Interpolates runs of three or more samples at full scale that are at most `longest_s` long.

    It works in fixed frames, each declipped from the recorded sound around it, so any cut into blocks gives the same.
    Longer runs are left as they are.
    """

    latency_frames = _FRAME + _AROUND

    def __init__(self, longest_s: float, rate_hz: int, channels: int) -> None:
        # A run cannot be interpolated from context shorter than itself.
        self._longest = min(round(longest_s * rate_hz), _AROUND - 1)
        self._context: Block = np.zeros((channels, _AROUND), np.float32)
        self._ready: Block = np.zeros((channels, self.latency_frames), np.float32)

    def process(self, block: Block) -> Block:
        """As many frames as came in, ``(channels, frames)``, `latency_frames` later."""
        context = np.concatenate((self._context, block), axis=1)
        frames = max(0, context.shape[1] - 2 * _AROUND) // _FRAME * _FRAME
        declipped = context[:, _AROUND : _AROUND + frames].copy()
        for samples, out in zip(context, declipped, strict=True):
            if frames and max(out.max(), -out.min()) >= FULL_SCALE:
                self._declip(samples, out)
        self._context = context[:, frames:]
        ready = np.concatenate((self._ready, declipped), axis=1)
        self._ready = ready[:, block.shape[1] :]
        return np.ascontiguousarray(ready[:, : block.shape[1]])

    def _declip(self, samples: NDArray[np.float32], out: NDArray[np.float32]) -> None:
        """Declip `out`, the frames of `samples` that have enough context."""
        for frame in np.unique(np.flatnonzero(np.abs(out) >= FULL_SCALE) // _FRAME):
            start = int(frame) * _FRAME
            window = samples[start : start + _FRAME + 2 * _AROUND]
            missing = clipped(window, self._longest)
            inside = slice(_AROUND, _AROUND + _FRAME)
            if missing[inside].any():
                # Nothing but the missing samples changes: float32 to float64 and back is exact.
                out[start : start + _FRAME] = interpolated(window, missing)[inside]


def declipped_stretch(
    read: Callable[[int, int], Block], start: int, stop: int, longest_s: float, rate_hz: int
) -> Block:
    """Declipped frames `start` to `stop` of a recording, independent of the cut.

    `read` returns any stretch of the recording, with silence before its start and after its end.
    """
    sound = read(start, stop)
    if not sound.size or max(sound.max(), -sound.min()) < FULL_SCALE:
        return sound
    first = (start // _FRAME - 1) * _FRAME
    stage = RepairStage(longest_s, rate_hz, sound.shape[0])
    late = stage.process(read(first, stop + stage.latency_frames))
    return late[:, start - first + stage.latency_frames :]


def interpolated(window: NDArray[np.float32], missing: NDArray[np.bool_]) -> Samples:
    """A stretch ``(frames,)`` with its clipped samples interpolated, never below their recorded level.

    The first and last 32 samples are left as they are.
    """
    sound = window.astype(np.float64)
    where = np.flatnonzero(missing)
    where = where[(where >= _ORDER) & (where < len(sound) - _ORDER)]
    recorded = np.abs(sound[where])
    signs = np.sign(sound[where])
    taper = np.hanning(len(sound) + 2)[1:-1]
    for _ in range(_ROUNDS):
        put_in = least_residual(sound, where, prediction(sound * taper))
        sound[where] = signs * np.clip(put_in * signs, recorded, MOST_OVERSHOOT * recorded)
    return sound


def prediction(sound: Samples) -> Samples:
    """Prediction-error filter ``(33,)`` of a tapered stretch, by the autocorrelation method."""
    spectrum = np.fft.rfft(sound, 2 * len(sound))
    correlation = np.fft.irfft(spectrum.real**2 + spectrum.imag**2)[: _ORDER + 1]
    correlation[0] *= 1.0 + _NOISE
    return np.concatenate(([1.0], -scipy.linalg.solve_toeplitz(correlation[:-1], correlation[1:])))


def least_residual(sound: Samples, where: NDArray[np.intp], error_filter: Samples) -> Samples:
    """Values at `where` that make the energy of the filtered sound smallest: the normal equations, which are banded."""
    order = len(error_filter) - 1
    correlation = np.correlate(error_filter, error_filter, "full")
    known = sound.copy()
    known[where] = 0.0
    pull = np.convolve(known, correlation, "same")[where]
    bands = np.zeros((min(order, len(where) - 1) + 1, len(where)))
    for band in range(len(bands)):
        apart = where[band:] - where[: len(where) - band]
        near = apart <= order
        bands[band, : len(apart)][near] = correlation[order + apart[near]]
    values: Samples = scipy.linalg.solveh_banded(bands, -pull, lower=True)
    return values
