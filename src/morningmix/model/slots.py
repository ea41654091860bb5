"""How loud an input is and what it sounds like, slot by slot of 0.1 s."""

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

    Every slot has a level of its own. Spectra are shared by neighbouring slots in takes over ten minutes, so that they
    never grow in number: what lies in a band is then as loud as the slot is, and spread as its neighbours are.
    """

    powers: NDArray[np.float32]
    """Mean power of a slot, all bands together (channels averaged): ``(slots,)``."""
    peaks: NDArray[np.float32]
    """Largest sample of a slot, linear: ``(slots,)``."""
    spectra: Bands
    """Mean band powers: ``(bands, spectra)``."""
    spectrum_of: NDArray[np.uint16]
    """Which spectrum a slot has a share in: ``(slots,)``."""

    def __len__(self) -> int:
        return len(self.powers)

    def weighted(self, weights: NDArray[np.float64]) -> NDArray[np.float64]:
        """Power of every slot with a weight per band: ``(slots,)``."""
        weighted: NDArray[np.float64] = self.powers * (weights @ self._shares())[self.spectrum_of]
        return weighted

    def spectrum(self, weights: ArrayLike = 1.0) -> NDArray[np.float64]:
        """Band powers, summed over all slots with a weight per slot: ``(bands,)``."""
        power = self.powers * np.asarray(weights, np.float64)
        spectrum: NDArray[np.float64] = self._shares() @ np.bincount(self.spectrum_of, power, self.spectra.shape[1])
        return spectrum

    def _shares(self) -> NDArray[np.float64]:
        total = self.spectra.sum(axis=0, dtype=np.float64)
        shares: NDArray[np.float64] = self.spectra / np.where(total > 0.0, total, 1.0)
        return shares

    def only(self, where: slice | NDArray[np.bool_]) -> Slots:
        """Some of the slots."""
        return replace(self, powers=self.powers[where], peaks=self.peaks[where], spectrum_of=self.spectrum_of[where])

    def scaled(self, gain: NDArray[np.float32]) -> Slots:
        """Every slot by a linear gain of its own ``(slots,)``."""
        return replace(self, powers=self.powers * np.square(gain), peaks=self.peaks * gain)

    def without(self, bad: Set[int]) -> Slots:
        """Bad slots are as the good slot before is (the first ones as the next), so that nothing is learnt from them.

        Nor from a spectrum that they had a share in. Places that lie outside are passed over.
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
    """For every place the last good one up to it, else the first good one; itself where none is good."""
    places = np.arange(len(bad))
    if bad.all():
        return places
    last = np.maximum.accumulate(np.where(bad, -1, places))
    return np.where(last < 0, np.argmin(bad), last)
