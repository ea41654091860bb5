"""Level and spectrum of an input in slots of 0.1 s."""

from __future__ import annotations

from collections.abc import Set
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

Bands = NDArray[np.float32]
"""Band powers, linear; a sine of amplitude 1 has 0.5: ``(bands, slots)`` or ``(bands, hops)``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Slots:
    """The slots of one input.

    Every slot has its own level. In takes over ten minutes adjacent slots share a spectrum, which limits the number of
    spectra; each slot then has its own power with the shared spectral shape.
    """

    powers: NDArray[np.float32]
    """Mean power of a slot, all bands together (channels averaged): ``(slots,)``."""
    peaks: NDArray[np.float32]
    """Largest sample of a slot, linear: ``(slots,)``."""
    spectra: Bands
    """Mean band powers: ``(bands, spectra)``."""
    spectrum_of: NDArray[np.uint16]
    """Index of each slot's spectrum: ``(slots,)``."""

    def __len__(self) -> int:
        return len(self.powers)

    def weighted(self, weights: NDArray[np.float64]) -> NDArray[np.float64]:
        """Power of every slot with a weight per band: ``(slots,)``."""
        weighted: NDArray[np.float64] = self.powers * (weights @ self._fractions())[self.spectrum_of]
        return weighted

    def spectrum(self, weights: ArrayLike = 1.0) -> NDArray[np.float64]:
        """Band powers, summed over all slots with a weight per slot: ``(bands,)``."""
        power = self.powers * np.asarray(weights, np.float64)
        spectrum: NDArray[np.float64] = self._fractions() @ np.bincount(self.spectrum_of, power, self.spectra.shape[1])
        return spectrum

    def _fractions(self) -> NDArray[np.float64]:
        total = self.spectra.sum(axis=0, dtype=np.float64)
        fractions: NDArray[np.float64] = self.spectra / np.where(total > 0.0, total, 1.0)
        return fractions

    def only(self, where: slice | NDArray[np.bool_]) -> Slots:
        """The selected slots."""
        return replace(self, powers=self.powers[where], peaks=self.peaks[where], spectrum_of=self.spectrum_of[where])

    def scaled(self, gain: NDArray[np.float32]) -> Slots:
        """Every slot by a linear gain of its own ``(slots,)``."""
        return replace(self, powers=self.powers * np.square(gain), peaks=self.peaks * gain)

    def replaced(self, first: int, other: Slots) -> Slots:
        """The slots from `first` on replaced by all of `other`, which keep spectra of their own."""
        here = slice(first, first + len(other))
        powers, peaks, spectrum_of = self.powers.copy(), self.peaks.copy(), self.spectrum_of.copy()
        powers[here], peaks[here] = other.powers, other.peaks
        spectrum_of[here] = self.spectra.shape[1] + other.spectrum_of
        spectra = np.concatenate([self.spectra, other.spectra], axis=1)
        return Slots(powers=powers, peaks=peaks, spectra=spectra, spectrum_of=spectrum_of)

    def without(self, bad: Set[int]) -> Slots:
        """Slots with each bad one replaced by the good slot before it (at the start, by the next).

        Spectra that bad slots share are replaced too. Indices outside are ignored.
        """
        is_bad = np.isin(np.arange(len(self)), list(bad))
        takes = _stand_ins(is_bad)
        spoilt = np.isin(self.spectrum_of, self.spectrum_of[is_bad])
        return replace(
            self,
            powers=self.powers[takes],
            peaks=self.peaks[takes],
            spectrum_of=self.spectrum_of[_stand_ins(spoilt)],
        )


def _stand_ins(bad: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Index of the last good slot up to each slot, else of the first good one; its own if none is good."""
    places = np.arange(len(bad))
    if bad.all():
        return places
    last = np.maximum.accumulate(np.where(bad, -1, places))
    return np.where(last < 0, np.argmin(bad), last)
