"""Turning down what is left of bleed, time by time and frequency by frequency.

The gain is the minimum mean-square error estimate of the log spectral amplitude (Ephraim, Malah, IEEE TASSP 33(2)
1985), with the ratio of own to bleed taken from frames on both sides, which only works because nothing is live.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import scipy
from numpy.typing import NDArray

from morningmix.dsp.frames import Spectrum

FLOOR_DB = -15.0
"""Never less: deeper cuts sound of water (common practice, no source)."""
_OVERSUBTRACT = np.float32(2.0)
_TINY = np.float32(1e-14)

_STEPS = 4096
_LOG_NU = np.linspace(np.log(1e-4), np.log(30.0), _STEPS)


@cache
def _gain_of_nu() -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """The gain at every step, and how far it is to the next one."""
    gain = np.exp(0.5 * scipy.special.exp1(np.exp(_LOG_NU)))
    return gain.astype(np.float32), np.diff(gain, append=gain[-1]).astype(np.float32)


def mask(spectrum: Spectrum, bleed: NDArray[np.float32]) -> NDArray[np.float32]:
    """Gain ``(bins, frames)`` for a spectrum that holds bleed of that power."""
    power = spectrum.real**2 + spectrum.imag**2
    noise = _OVERSUBTRACT * bleed + _TINY
    own = np.maximum(scipy.ndimage.uniform_filter(power, (3, 3)) - noise, np.float32(0.0))
    first = (own / (own + noise)) ** 2 * power
    smooth = np.float32(0.6) * scipy.ndimage.uniform_filter(first, (1, 5)) + np.float32(0.4) * first
    prior = np.maximum(smooth / noise, np.float32(1e-4))
    share = prior / (np.float32(1.0) + prior)
    nu = share * np.clip(power / noise, np.float32(1e-3), np.float32(1e4))
    at = (np.log(np.clip(nu, np.float32(1e-4), np.float32(29.0))) - np.float32(_LOG_NU[0])) * np.float32(
        (_STEPS - 1) / (_LOG_NU[-1] - _LOG_NU[0])
    )
    # Straight lines between the steps: a step would make an inaudible difference of processors a thousand times larger.
    below = at.astype(np.int32)
    table, slope = _gain_of_nu()
    at -= below
    gain: NDArray[np.float32] = share * (table[below] + at * slope[below])
    return np.clip(gain, np.float32(10.0 ** (FLOOR_DB / 20.0)), np.float32(1.0), out=gain)
