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

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter

from morningmix.dsp.frames import Spectrum

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
    edges = [min(bins, round(hz * size / rate_hz)) for hz in (FOLLOW_HZ, FAR_HZ)]
    cuts = sorted({*range(0, bins, _SLAB_BINS), *edges, bins})
    return tuple(
        Slab(low, high, NEAR_TAPS if low < edges[1] else FAR_TAPS, low < edges[0]) for low, high in pairwise(cuts)
    )


def history(references: References, taps: int, lead: int) -> References:
    """References of the last `taps` frames, for all frames from `lead` on: ``(bins, taps * references, frames)``."""
    count = references.shape[2] - lead
    delayed = [references[:, :, lead - tap : lead - tap + count] for tap in range(taps)]
    return np.concatenate(delayed, axis=1)


def smooth_power(spectrum: Spectrum) -> NDArray[np.float32]:
    """Power, averaged over three frames and three bins."""
    power = spectrum.real**2 + spectrum.imag**2
    smooth: NDArray[np.float32] = uniform_filter(power, (3, 3), mode="nearest")
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
        self._square += weighted @ weighted.conj().transpose(0, 2, 1)
        self._cross += weighted @ (own[:, None] * root).conj().transpose(0, 2, 1)

    def solve(self) -> References:
        """Filters ``(bins, unknowns, 1)``: the prediction is their conjugate times the past."""
        square = self._square.copy()
        diagonal = np.arange(square.shape[1])
        square[:, diagonal, diagonal] += _LOAD * square[:, diagonal, diagonal].real + _TINY
        solved: References = np.linalg.solve(square, self._cross)
        return solved


def whole(filters: References, references: References, taps: int, lead: int) -> Spectrum:
    """All bleed together: ``(bins, frames)``."""
    bleed: Spectrum = (filters.conj().transpose(0, 2, 1) @ history(references, taps, lead))[:, 0]
    return bleed


def predict(filters: References, references: References, taps: int, lead: int) -> References:
    """Bleed by reference, its early part and its late: ``(bins, parts * references, frames)``."""
    count = references.shape[2] - lead
    inputs = references.shape[1]
    parts: list[References] = []
    for first, last in ((0, EARLY_TAPS), (EARLY_TAPS, taps)):
        total = np.zeros((references.shape[0], inputs, count), np.complex64)
        for tap in range(first, last):
            weights = filters[:, tap * inputs : (tap + 1) * inputs].conj()
            total += weights * references[:, :, lead - tap : lead - tap + count]
        if last > first:
            parts.append(total)
    return np.concatenate(parts, axis=1)


def follow(own: Spectrum, parts: References, level: NDArray[np.float32], block: int) -> Spectrum:
    """Bleed with each part's gain free to move, ``(bins, frames - 2 * block)``.

    `own`, `parts` and what the prediction alone leaves of `own` decide; gains are learnt in triangular windows of two
    `block` frames and blended. `level` ``(bins, 1)`` is the microphone's mean power. Length must be whole blocks.
    """
    fixed = parts.sum(axis=1)
    left = own - fixed
    weights = 1.0 / (smooth_power(left) + _FOLLOW_FLOOR * level + _TINY)
    moved = np.zeros_like(own)
    shape = (1.0 - np.abs(np.arange(2 * block) - block) / block).astype(np.float32)
    diagonal = np.arange(parts.shape[1])
    for stretch in _windows(own.shape[1], block):
        root = np.sqrt(weights[:, stretch] * shape)[:, None]
        weighted = parts[:, :, stretch] * root
        square = weighted @ weighted.conj().transpose(0, 2, 1)
        square[:, diagonal, diagonal] += _PRIOR
        gains = np.linalg.solve(square, weighted @ (left[:, None, stretch] * root).conj().transpose(0, 2, 1))
        moved[:, stretch] += shape * (gains.conj().transpose(0, 2, 1) @ parts[:, :, stretch])[:, 0]
    followed: Spectrum = (fixed + moved)[:, block:-block]
    return followed


def _windows(frames: int, block: int) -> Iterator[slice]:
    for start in range(0, frames - block, block):
        yield slice(start, start + 2 * block)
