"""Taking bleed out of a microphone by what the other inputs recorded of the same sources.

What a drum does to a voice microphone is a fixed filter of what the drum's own microphone hears, as long as nothing
moves. Per frequency bin the bleed is therefore predicted from the last frames of all other inputs, and subtracted. The
filters are weighted least squares: a frame counts by one over the power that the prediction leaves there, so that loud
frames of the own source hardly count and no detector of voices is needed (the weighting of weighted prediction error
dereverberation: Nakatani et al., IEEE TASL 18(7) 2010). What moves is followed by slow complex gains on the early
and the late part of each reference's prediction, held to 1 by a prior: where the own source is loud there is
no evidence, and the gains stay.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from morningmix.dsp.stft import Spectrum

References = NDArray[np.complex64]
"""``(bins, references, frames)``."""

WINDOW_S = 0.085
FAR_HZ, FAR_TAPS, NEAR_TAPS = 8000.0, 2, 6
"""Frames of each reference that count: fewer where wavelengths are short and rooms are dull (measured)."""
FOLLOW_HZ = 6000.0
EARLY_TAPS = 2
_SLAB_BINS = 32
_LOAD = np.float32(1e-4)
_PRIOR = np.float32(3.0)
_FOLLOW_FLOOR = np.float32(1e-3)
STEPS = 2
"""Stretches of a block in which evidence for its gains is summed."""
_TAPER = ((np.arange(STEPS) + np.float32(0.5)) / np.float32(STEPS)).astype(np.float32)
_POOLED_BINS = 2
"""Neighbouring bins with gains in common: so near to each other, what moves changes them alike."""
_TINY = np.float32(1e-12)


@dataclass(frozen=True, slots=True)
class Slab:
    """Neighbouring bins that are worked on together."""

    first: int
    last: int
    taps: int
    follows: bool


def slabs(size: int, rate_hz: int) -> tuple[Slab, ...]:
    """All bins, in stretches of equal treatment."""
    bins = size // 2 + 1
    edges = [min(bins - 1, round(hz * size / rate_hz / _SLAB_BINS) * _SLAB_BINS) for hz in (FOLLOW_HZ, FAR_HZ)]
    cuts = sorted({*range(0, bins, _SLAB_BINS), *edges, bins})
    return tuple(
        Slab(low, high, NEAR_TAPS if low < edges[1] else FAR_TAPS, low < edges[0]) for low, high in pairwise(cuts)
    )


def history(references: References, taps: int, lead: int, every: int = 1) -> References:
    """References of the last `taps` frames, for frames from `lead` on: ``(bins, taps * references, frames)``."""
    count = references.shape[2] - lead
    delayed = [references[:, :, lead - tap : lead - tap + count : every] for tap in range(taps)]
    return np.concatenate(delayed, axis=1)


def smooth_power(spectrum: Spectrum) -> NDArray[np.float32]:
    """Power, averaged over three frames and three bins."""
    power = np.square(spectrum.real)
    power += np.square(spectrum.imag)
    # What lies over an edge is what lies at it.
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
    """Sums from which one slab's filters for one microphone follow."""

    def __init__(self, bins: int, unknowns: int) -> None:
        self._square = np.zeros((bins, unknowns, unknowns), np.complex64)
        self._cross = np.zeros((bins, unknowns, 1), np.complex64)

    def add(self, own: Spectrum, past: References, weights: NDArray[np.float32]) -> None:
        """Count frames: own ``(bins, frames)``, past ``(bins, unknowns, frames)``, weights ``(bins, frames)``."""
        root = np.sqrt(weights)[:, None]
        weighted = past * root
        self._square += _product(weighted, weighted.conj().transpose(0, 2, 1))
        self._cross += _product(weighted, (own[:, None] * root).conj().transpose(0, 2, 1))

    def solve(self) -> References:
        """Filters ``(bins, unknowns, 1)``: the prediction is their conjugate times the past."""
        square = self._square.copy()
        diagonal = np.arange(square.shape[1])
        square[:, diagonal, diagonal] += _LOAD * square[:, diagonal, diagonal].real + _TINY
        return _solution(square, self._cross)


def whole(filters: References, references: References, taps: int, lead: int) -> Spectrum:
    """All bleed together: ``(bins, frames)``."""
    return _product(filters.conj().transpose(0, 2, 1), history(references, taps, lead))[:, 0]


def predict(filters: References, references: References, taps: int, lead: int) -> References:
    """Bleed by reference, its early part and its late: ``(bins, parts * references, frames)``."""
    count = references.shape[2] - lead
    inputs = references.shape[1]
    parts: list[References] = []
    for first, last in ((0, EARLY_TAPS), (EARLY_TAPS, taps)):
        total = np.zeros((references.shape[0], inputs, count), np.complex64)
        delayed = np.empty_like(total)
        for tap in range(first, last):
            weights = filters[:, tap * inputs : (tap + 1) * inputs].conj()
            total += np.multiply(weights, references[:, :, lead - tap : lead - tap + count], out=delayed)
        if last > first:
            parts.append(total)
    return np.concatenate(parts, axis=1)


class Follower:
    """Bleed of one slab in one microphone with each part's gain free to move; a stage, one block late.

    Gains are learnt in tapered windows of two `block` frames and blended: each block lies in the falling half of one
    and in the rising half of the next. A block is `STEPS` times an even number of frames.
    """

    def __init__(self, bins: int, unknowns: int, block: int) -> None:
        self._block = block
        self._before: Spectrum = np.zeros((bins, block), np.complex64)
        """What the prediction alone says of the last block."""
        self._parts: References = np.zeros((bins, unknowns, block), np.complex64)
        pools = bins // _POOLED_BINS
        self._square = np.zeros((pools, STEPS, unknowns, unknowns), np.complex64)
        self._cross = np.zeros((pools, STEPS, unknowns, 1), np.complex64)
        self._gains = np.zeros((bins, 1, unknowns), np.complex64)

    def process(self, own: Spectrum, parts: References, level: NDArray[np.float32]) -> Spectrum:
        """Bleed ``(bins, frames)`` of as many frames, from one block before these on; whole blocks.

        `own`, `parts` and what the prediction alone leaves of `own` decide. `level` ``(bins, 1)`` is the microphone's
        mean power. Powers are smoothed over the frames of one call, so where a take is cut matters a little.
        """
        block = self._block
        unknowns, frames = parts.shape[1:]
        blocks = frames // block
        predicted = parts.sum(axis=1)
        left = own - predicted
        # Frames overlap by three quarters: every second one says nearly all.
        weights = np.float32(2.0) / (smooth_power(left) + _FOLLOW_FLOOR * level + _TINY)[:, ::2]
        root = np.sqrt(weights)[:, None]
        evidence = _by_step(parts[:, :, ::2] * root, blocks)
        wanted = _by_step(left[:, None, ::2] * root, blocks).conj().transpose(0, 1, 3, 2)
        squares = np.concatenate([self._square, _product(evidence, evidence.conj().transpose(0, 1, 3, 2))], axis=1)
        crosses = np.concatenate([self._cross, _product(evidence, wanted)], axis=1)
        square = _in_windows(squares, blocks + 1)
        diagonal = np.arange(unknowns)
        square[:, :, diagonal, diagonal] += _PRIOR
        new = _solution(square, _in_windows(crosses, blocks + 1))[..., 0].conj()
        gains = np.concatenate([self._gains, np.repeat(new, _POOLED_BINS, axis=0)], axis=1)
        bleed = np.concatenate([self._before, predicted[:, :-block]], axis=1)
        bleed[:, :block] += self._moved(gains[:, :2], self._parts)
        if blocks > 1:
            bleed[:, block:] += self._moved(gains[:, 1:], parts[:, :, :-block])
        # In place: what lives long must not lie between large arrays that come and go.
        self._before[...], self._parts[...] = predicted[:, -block:], parts[:, :, -block:]
        self._square[...], self._cross[...] = squares[:, -STEPS:], crosses[:, -STEPS:]
        self._gains[...] = gains[:, -1:]
        return bleed

    def _moved(self, gains: NDArray[np.complex64], parts: References) -> Spectrum:
        """What gains ``(bins, blocks + 1, unknowns)`` add to the parts of so many blocks."""
        bins, unknowns, frames = parts.shape
        blocks = frames // self._block
        by_block = parts.reshape(bins, unknowns, blocks, self._block).transpose(0, 2, 1, 3)
        falling, rising = _product(np.stack([gains[:, :-1], gains[:, 1:]], axis=2), by_block).transpose(2, 0, 1, 3)
        rise = (np.arange(self._block) / self._block).astype(np.float32)
        moved: Spectrum = (falling * (np.float32(1.0) - rise) + rising * rise).reshape(bins, frames)
        return moved


def _product(one: NDArray[np.complex64], other: NDArray[np.complex64]) -> NDArray[np.complex64]:
    """Matrix product, summed in double precision: in single, processors round otherwise, and solving enlarges that."""
    product = one.astype(np.complex128) @ other.astype(np.complex128)
    return product.astype(np.complex64)


def _solution(square: NDArray[np.complex64], cross: NDArray[np.complex64]) -> NDArray[np.complex64]:
    """Solution of linear equations, in double precision for the same reason as `_product`."""
    solved = np.linalg.solve(square.astype(np.complex128), cross.astype(np.complex128))
    return solved.astype(np.complex64)


def _by_step(signals: References, blocks: int) -> References:
    """Signals ``(bins, signals, frames)`` as ``(pools, steps, signals, frames of all pooled bins in a step)``."""
    bins, count, frames = signals.shape
    pools, steps = bins // _POOLED_BINS, STEPS * blocks
    cut = signals.reshape(pools, _POOLED_BINS, count, steps, frames // steps).transpose(0, 3, 2, 1, 4)
    return cut.reshape(pools, steps, count, -1)


def _in_windows(by_step: NDArray[np.complex64], blocks: int) -> NDArray[np.complex64]:
    """Sums ``(bins, blocks - 1, ...)`` over windows of two blocks, tapered, of sums by step ``(bins, steps, ...)``."""
    shape = by_step.reshape(by_step.shape[0], blocks, STEPS, -1)
    rising = _TAPER @ shape[:, :-1]
    falling = _TAPER[::-1] @ shape[:, 1:]
    return (rising + falling).reshape(by_step.shape[0], blocks - 1, *by_step.shape[2:])
