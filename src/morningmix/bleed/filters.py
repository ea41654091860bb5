"""Filters that predict the bleed in a microphone from the other inputs.

As long as nothing moves, the bleed of a drum in a vocal microphone is a fixed filter of the drum's own microphone. So
per frequency bin the bleed is predicted from the last frames of all other inputs, and subtracted. The filters are
weighted least squares: each frame is weighted by one over its residual power, so that loud frames of the target source
hardly count and no voice detector is needed (as in weighted prediction error dereverberation: Nakatani et al., IEEE
TASL 18(7) 2010). Movement is tracked by slow complex gains on the early and the late part of each reference's
prediction, held at 1 by a prior: where the target source is loud there is no evidence, and the gains stay.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from morningmix.dsp.stft import Spectrum

Precision = TypeVar("Precision", np.complex64, np.complex128)
References = NDArray[np.complex64]
"""``(bins, references, frames)``."""

WINDOW_S = 0.085
FAR_HZ, FAR_TAPS, NEAR_TAPS = 8000.0, 2, 6
"""Filter lengths in frames: shorter at high frequencies, where rooms decay faster (measured)."""
FOLLOW_HZ = 6000.0
EARLY_TAPS = 2
_SLAB_BINS, _CACHED_BINS = 32, 16
"""Bins processed together, and bins whose products fit into the processor's cache."""
_CACHED_SUMS = 8
_LOAD = np.float32(1e-4)
_PRIOR = np.float32(3.0)
_FOLLOW_FLOOR = np.float32(1e-3)
STEPS = 2
"""Stretches of a block over which evidence for its gains is summed."""
_TAPER = ((np.arange(STEPS) + np.float32(0.5)) / np.float32(STEPS)).astype(np.float32)
_POOLED_BINS = 2
"""Adjacent bins that share gains: movement changes them alike."""
_TINY = np.float32(1e-12)


@dataclass(frozen=True, slots=True)
class Slab:
    """Adjacent bins that are processed together."""

    first: int
    last: int
    taps: int
    follows: bool


def slabs(size: int, rate_hz: int) -> tuple[Slab, ...]:
    """All bins, in slabs of equal settings."""
    bins = size // 2 + 1
    edges = [_edge(hz, size, rate_hz) for hz in (FOLLOW_HZ, FAR_HZ)]
    cuts = sorted({*range(0, bins, _SLAB_BINS), *edges, bins})
    return tuple(
        Slab(low, high, NEAR_TAPS if low < edges[1] else FAR_TAPS, low < edges[0]) for low, high in pairwise(cuts)
    )


def still_slabs(size: int, rate_hz: int, highest_hz: float) -> tuple[Slab, ...]:
    """All bins up to a frequency, for microphones and sources that do not move."""
    cuts = [*range(0, _edge(highest_hz, size, rate_hz), _SLAB_BINS), _edge(highest_hz, size, rate_hz)]
    return tuple(Slab(low, high, NEAR_TAPS, follows=False) for low, high in pairwise(cuts))


def _edge(hz: float, size: int, rate_hz: int) -> int:
    return min(size // 2, round(hz * size / rate_hz / _SLAB_BINS) * _SLAB_BINS)


def history(references: References, taps: int, lead: int, every: int = 1) -> References:
    """The last `taps` frames of all references, for frames from `lead` on: ``(bins, taps * references, frames)``."""
    count = references.shape[2] - lead
    delayed = [references[:, :, lead - tap : lead - tap + count : every] for tap in range(taps)]
    return np.concatenate(delayed, axis=1)


def smooth_power(spectrum: Spectrum) -> NDArray[np.float32]:
    """Power, averaged over three frames and three bins."""
    power = np.square(spectrum.real)
    power += np.square(spectrum.imag)
    return smoothed(power)


def smoothed(power: NDArray[np.float32]) -> NDArray[np.float32]:
    """The mean over three frames and three bins of ``(bins, frames)``."""
    # Edges are repeated.
    along = power.copy()
    along[:, 1:] += power[:, :-1]
    along[:, :-1] += power[:, 1:]
    along[:, 0] += power[:, 0]
    along[:, -1] += power[:, -1]
    smooth = along.copy()
    smooth[1:] += along[:-1]
    smooth[:-1] += along[1:]
    smooth[0] += along[0]
    smooth[-1] += along[-1]
    smooth *= np.float32(1.0 / 9.0)
    return smooth


class NormalEquations:
    """Normal equations of one slab's filters for one microphone."""

    def __init__(self, bins: int, unknowns: int) -> None:
        shape = (bins, unknowns + 1, unknowns + 1)
        self._real, self._imaginary = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
        """Products of the past with itself, and in the last row and column with the target."""

    @staticmethod
    def bytes_of(bins: int, unknowns: int) -> int:
        """How much memory they take."""
        return 8 * bins * (unknowns + 1) ** 2

    def add(self, target: Spectrum, past: References, weights: NDArray[np.float32]) -> None:
        """Add frames: target ``(bins, frames)``, past ``(bins, unknowns, frames)``, weights ``(bins, frames)``."""
        root = np.sqrt(weights)[:, None]
        bins, unknowns, frames = past.shape
        signals = np.empty((min(bins, _CACHED_BINS), unknowns + 1, frames), np.complex128)
        for first in range(0, bins, _CACHED_BINS):
            batch = slice(first, first + _CACHED_BINS)
            here = signals[: len(root[batch])]
            np.multiply(past[batch], root[batch], out=here[:, :unknowns])
            np.multiply(target[batch, None], root[batch], out=here[:, unknowns:])
            half = _products(here)
            other = half.swapaxes(1, 2)
            self._real[batch] += half + other
            self._imaginary[batch] += other - half

    def solve(self) -> References:
        """Filters ``(bins, unknowns, 1)``: the prediction is their conjugate times the past."""
        products = np.empty(self._real.shape, np.complex64)
        products.real, products.imag = self._real, self._imaginary
        square, cross = products[:, :-1, :-1], products[:, :-1, -1:]
        diagonal = np.arange(square.shape[1])
        square[:, diagonal, diagonal] += _LOAD * square[:, diagonal, diagonal].real + _TINY
        return _solution(square.astype(np.complex128), cross.astype(np.complex128))


def total_bleed(
    filters: NDArray[Precision], references: NDArray[Precision], taps: int, lead: int
) -> NDArray[Precision]:
    """Sum of all predicted bleed: ``(bins, frames)``, in the precision of what is given."""
    count, inputs = references.shape[2] - lead, references.shape[1]
    weights = np.ascontiguousarray(filters.conj().transpose(0, 2, 1))
    total = weights[:, :, :inputs] @ references[:, :, lead:]
    for tap in range(1, taps):
        total += weights[:, :, tap * inputs : (tap + 1) * inputs] @ references[:, :, lead - tap : lead - tap + count]
    bleed: NDArray[Precision] = total[:, 0]
    return bleed


def predict(filters: References, references: References, taps: int, lead: int) -> References:
    """Bleed by reference, early and late part: ``(bins, parts * references, frames)``."""
    bins, inputs, count = len(references), references.shape[1], references.shape[2] - lead
    by_tap = filters.conj().reshape(bins, taps, inputs).transpose(0, 2, 1)
    spans = [span for span in ((0, EARLY_TAPS), (EARLY_TAPS, taps)) if span[0] < span[1]]
    parts = np.empty((bins, len(spans), inputs, count), np.complex64)
    delayed = [np.empty((_CACHED_SUMS, inputs, 2 * (last - first), 2 * count), np.float32) for first, last in spans]
    # Few bins at a time, so that they stay in the processor's cache.
    for low in range(0, bins, _CACHED_SUMS):
        here = references[low : low + _CACHED_SUMS]
        # A complex factor is two real ones, for the sound and for the sound turned by a quarter: so a product of real
        # matrices, which is several times faster, gives the sum.
        sound, turned = here.view(np.float32), (here * np.complex64(1j)).view(np.float32)
        for place, (first, last) in enumerate(spans):
            own, past = by_tap[low : low + len(here), :, None, first:last], delayed[place][: len(here)]
            for number, tap in enumerate(range(first, last)):
                frames = slice(2 * (lead - tap), 2 * (lead - tap + count))
                past[:, :, number], past[:, :, last - first + number] = sound[:, :, frames], turned[:, :, frames]
            total = parts[low : low + len(here), place].view(np.float32)[:, :, None]
            np.matmul(np.concatenate([own.real, own.imag], axis=3), past, out=total)
    return parts.reshape(bins, -1, count)


class Follower:
    """Tracks the gains of each part of the predicted bleed in one slab of one microphone; a stage, one block late.

    Gains are learnt in tapered windows of two blocks and cross-faded: each block lies in the falling half of one and in
    the rising half of the next. A block is `STEPS` times an even number of frames.
    """

    def __init__(self, bins: int, unknowns: int, block: int) -> None:
        self._block = block
        self._before: Spectrum = np.zeros((bins, block), np.complex64)
        """Prediction of the last block without gains."""
        self._parts: References = np.zeros((bins, unknowns, block), np.complex64)
        pools = bins // _POOLED_BINS
        self._products = np.zeros((pools, STEPS, unknowns + 1, unknowns + 1))
        """Of the parts with each other, and in the last row and column with the residual."""
        self._gains = np.zeros((bins, 1, unknowns), np.complex64)

    def process(self, target: Spectrum, parts: References, level: NDArray[np.float32]) -> Spectrum:
        """Bleed ``(bins, frames)`` of as many frames, starting one block earlier. Takes whole blocks.

        `target` is the microphone, `parts` the predicted bleed, `level` ``(bins, 1)`` the microphone's mean power.
        Powers are smoothed within one call, so the cut into calls matters slightly.
        """
        block = self._block
        unknowns, frames = parts.shape[1:]
        blocks = frames // block
        predicted = parts.sum(axis=1)
        left = target - predicted
        # Frames overlap by three quarters, so every second one carries nearly all information.
        weights = np.float32(2.0) / (smooth_power(left) + _FOLLOW_FLOOR * level + _TINY)[:, ::2]
        evidence = _evidence(parts[:, :, ::2], left[:, None, ::2], np.sqrt(weights)[:, None], blocks)
        by_step = np.concatenate([self._products, _products(evidence)], axis=1)
        products = _as_complex(_in_windows(by_step, blocks + 1))
        square, cross = products[..., :-1, :-1], products[..., :-1, -1:]
        diagonal = np.arange(unknowns)
        square[:, :, diagonal, diagonal] += _PRIOR
        new = _solution(square, cross)[..., 0].conj()
        gains = np.concatenate([self._gains, np.repeat(new, _POOLED_BINS, axis=0)], axis=1)
        bleed = np.concatenate([self._before, predicted[:, :-block]], axis=1)
        bleed[:, :block] += self._gain_change(gains[:, :2], self._parts)
        if blocks > 1:
            bleed[:, block:] += self._gain_change(gains[:, 1:], parts[:, :, :-block])
        # In place: preallocated to avoid memory fragmentation.
        self._before[...], self._parts[...] = predicted[:, -block:], parts[:, :, -block:]
        self._products[...] = by_step[:, -STEPS:]
        self._gains[...] = gains[:, -1:]
        return bleed

    def _gain_change(self, gains: NDArray[np.complex64], parts: References) -> Spectrum:
        """Change of the bleed by gains ``(bins, blocks + 1, unknowns)``, cross-faded over the blocks."""
        bins, unknowns, frames = parts.shape
        blocks = frames // self._block
        by_block = parts.reshape(bins, unknowns, blocks, self._block).transpose(0, 2, 1, 3)
        falling, rising = (np.stack([gains[:, :-1], gains[:, 1:]], axis=2) @ by_block).transpose(2, 0, 1, 3)
        rise = (np.arange(self._block) / self._block).astype(np.float32)
        moved: Spectrum = (falling * (np.float32(1.0) - rise) + rising * rise).reshape(bins, frames)
        return moved


def _products(signals: NDArray[np.complex128]) -> NDArray[np.float64]:
    """Products of all pairs of ``(..., signals, frames)``, one times the other's conjugate, as (S - A) / 2.

    The real parts S are symmetric and the imaginary parts A are not: A' = -A. So S - A holds both, and one product of
    real matrices gives it. In double precision, because processors round differently, and solutions amplify that.
    """
    turned = signals * (0.5 - 0.5j)
    parts: NDArray[np.float64] = signals.view(np.float64)
    return parts @ turned.view(np.float64).swapaxes(-1, -2)


def _as_complex(products: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Complex matrices S + jA from (S - A) / 2."""
    other = products.swapaxes(-1, -2)
    whole = np.empty(products.shape, np.complex128)
    whole.real = products + other
    whole.imag = other - products
    return whole


def _solution(square: NDArray[np.complex128], cross: NDArray[np.complex128]) -> NDArray[np.complex64]:
    """Solution of linear equations."""
    solved = np.linalg.solve(square, cross)
    return solved.astype(np.complex64)


def _evidence(parts: References, left: References, root: NDArray[np.float32], blocks: int) -> NDArray[np.complex128]:
    """Weighted parts and residual, ``(pools, steps, parts + 1, frames of all pooled bins in a step)``."""
    bins, count, frames = parts.shape
    pools, steps = bins // _POOLED_BINS, STEPS * blocks

    def by_step(signals: NDArray[Any]) -> NDArray[Any]:
        cut = signals.reshape(pools, _POOLED_BINS, signals.shape[1], steps, frames // steps)
        return cut.transpose(0, 3, 2, 1, 4)

    evidence = np.empty((pools, steps, count + 1, _POOLED_BINS, frames // steps), np.complex128)
    evidence[:, :, :-1] = by_step(parts * root)
    evidence[:, :, -1:] = by_step(left * root)
    return evidence.reshape(pools, steps, count + 1, -1)


def _in_windows(by_step: NDArray[np.float64], blocks: int) -> NDArray[np.float64]:
    """Sums ``(bins, blocks - 1, ...)`` over windows of two blocks, tapered, of sums by step ``(bins, steps, ...)``."""
    shape = by_step.reshape(by_step.shape[0], blocks, STEPS, -1)
    rising = _TAPER @ shape[:, :-1]
    falling = _TAPER[::-1] @ shape[:, 1:]
    summed: NDArray[np.float64] = rising + falling
    return summed.reshape(by_step.shape[0], blocks - 1, *by_step.shape[2:])
