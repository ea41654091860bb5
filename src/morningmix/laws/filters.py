"""Second-order filters: coefficients and their magnitude.

A filter is an array of second-order sections ``(sections, 6)``, float64, rows ``b0 b1 b2 1 a1 a2``, as
`scipy.signal.sosfilt` takes them.

Peaking and shelving filters follow the Audio EQ Cookbook (R. Bristow-Johnson, W3C Working Group Note, 2021).
"""

from __future__ import annotations

import math

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

Sos = NDArray[np.float64]
"""Second-order sections, ``(sections, 6)``, with a0 = 1."""

BUTTERWORTH_Q = math.sqrt(0.5)
TILT_HZ, TILT_Q = 700.0, 0.35
"""Centre of the range that hearing weights most, and a slope over about six octaves (design choice)."""


def butterworth_high_pass(corner_hz: float, rate_hz: float, order: int = 2) -> Sos:
    """Butterworth high-pass of 6 dB/oct times `order`, -3.01 dB at the corner.

    Raises ValueError unless 0 < corner_hz < rate_hz / 2.
    """
    _check_frequency(corner_hz, rate_hz)
    return np.asarray(scipy.signal.butter(order, corner_hz, "highpass", fs=rate_hz, output="sos"), dtype=np.float64)


def low_pass(corner_hz: float, rate_hz: float, order: int = 2) -> Sos:
    """Butterworth low-pass of 6 dB/oct times `order`, -3.01 dB at the corner.

    Raises ValueError unless 0 < corner_hz < rate_hz / 2.
    """
    _check_frequency(corner_hz, rate_hz)
    return np.asarray(scipy.signal.butter(order, corner_hz, "lowpass", fs=rate_hz, output="sos"), dtype=np.float64)


def peaking(centre_hz: float, gain_db: float, q: float, rate_hz: float) -> Sos:
    """Bell of `gain_db` at the centre, 0 dB far from it (Cookbook, peakingEQ).

    Raises ValueError unless 0 < centre_hz < rate_hz / 2 and q > 0.
    """
    cosine, alpha = _cosine_and_alpha(centre_hz, q, rate_hz)
    a = 10.0 ** (gain_db / 40.0)
    return _section(1.0 + alpha * a, -2.0 * cosine, 1.0 - alpha * a, 1.0 + alpha / a, -2.0 * cosine, 1.0 - alpha / a)


def low_shelf(corner_hz: float, gain_db: float, rate_hz: float, q: float = BUTTERWORTH_Q) -> Sos:
    """`gain_db` at 0 Hz, half of it (in dB) at the corner, 0 dB above (Cookbook, lowShelf).

    Raises ValueError unless 0 < corner_hz < rate_hz / 2 and q > 0.
    """
    cosine, alpha = _cosine_and_alpha(corner_hz, q, rate_hz)
    a = 10.0 ** (gain_db / 40.0)
    width = 2.0 * math.sqrt(a) * alpha
    return _section(
        a * ((a + 1.0) - (a - 1.0) * cosine + width),
        2.0 * a * ((a - 1.0) - (a + 1.0) * cosine),
        a * ((a + 1.0) - (a - 1.0) * cosine - width),
        (a + 1.0) + (a - 1.0) * cosine + width,
        -2.0 * ((a - 1.0) + (a + 1.0) * cosine),
        (a + 1.0) + (a - 1.0) * cosine - width,
    )


def high_shelf(corner_hz: float, gain_db: float, rate_hz: float, q: float = BUTTERWORTH_Q) -> Sos:
    """`gain_db` far above the corner, half of it (in dB) at the corner, 0 dB at 0 Hz (Cookbook, highShelf).

    Raises ValueError unless 0 < corner_hz < rate_hz / 2 and q > 0.
    """
    cosine, alpha = _cosine_and_alpha(corner_hz, q, rate_hz)
    a = 10.0 ** (gain_db / 40.0)
    width = 2.0 * math.sqrt(a) * alpha
    return _section(
        a * ((a + 1.0) + (a - 1.0) * cosine + width),
        -2.0 * a * ((a - 1.0) + (a + 1.0) * cosine),
        a * ((a + 1.0) + (a - 1.0) * cosine - width),
        (a + 1.0) - (a - 1.0) * cosine + width,
        2.0 * ((a - 1.0) - (a + 1.0) * cosine),
        (a + 1.0) - (a - 1.0) * cosine - width,
    )


def tilt(tilt_db: float, rate_hz: float) -> Sos:
    """Lows up by `tilt_db` and highs down by as much, in a broad slope around 700 Hz.

    Raises ValueError unless rate_hz > 1400.
    """
    return np.concatenate(
        [low_shelf(TILT_HZ, tilt_db, rate_hz, TILT_Q), high_shelf(TILT_HZ, -tilt_db, rate_hz, TILT_Q)]
    )


def magnitude_db(sos: Sos, hz: ArrayLike, rate_hz: float) -> NDArray[np.float64]:
    """Gain in dB of all sections together at each frequency; shape of `hz`. -inf where the filter has a zero."""
    z = np.exp(-2j * math.pi * np.asarray(hz, dtype=np.float64) / rate_hz)
    gain = np.ones(z.shape)
    for b0, b1, b2, a0, a1, a2 in sos:
        gain = gain * np.abs((b0 + z * (b1 + z * b2)) / (a0 + z * (a1 + z * a2)))
    with np.errstate(divide="ignore"):
        return np.asarray(20.0 * np.log10(gain), dtype=np.float64)


def _check_frequency(hz: float, rate_hz: float) -> None:
    if not 0.0 < hz < rate_hz / 2.0:
        raise ValueError(f"a filter at {hz:g} Hz needs 0 < frequency < {rate_hz / 2.0:g} Hz (half the sample rate)")


def _cosine_and_alpha(hz: float, q: float, rate_hz: float) -> tuple[float, float]:
    _check_frequency(hz, rate_hz)
    if not q > 0.0:
        raise ValueError(f"a filter's Q must be above 0, not {q:g}")
    w0 = 2.0 * math.pi * hz / rate_hz
    return math.cos(w0), math.sin(w0) / (2.0 * q)


def _section(b0: float, b1: float, b2: float, a0: float, a1: float, a2: float) -> Sos:
    return np.array([[b0 / a0, b1 / a0, b2 / a0, 1.0, a1 / a0, a2 / a0]])
