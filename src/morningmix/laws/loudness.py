"""Loudness after Recommendation ITU-R BS.1770-5 (11/2023) and loudness range after EBU Tech 3342 v4 (2023).

Powers are mean squares of the K-weighted signal, summed over channels (left, right and mono all weigh 1).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from morningmix.laws.filters import Sos, magnitude_db

OFFSET_DB = -0.691
"""Makes a full-scale 997 Hz sine in one channel read -3.01 LUFS (BS.1770-5, Annex 1)."""

ABSOLUTE_GATE_LUFS = -70.0
RELATIVE_GATE_LU = -10.0
RANGE_RELATIVE_GATE_LU = -20.0

METERS_AGREE_LU = 0.05
"""Two meters that differ by more disagree (design choice)."""

_AT_48_KHZ = np.array(
    [
        [1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585],
        [1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621],
    ]
)


def k_weighting(rate_hz: float) -> Sos:
    """The K-weighting as two sections ``(2, 6)`` for any sample rate.

    At 48 kHz the printed table of BS.1770-5. At other rates the same analogue prototype through the bilinear
    transform, with the parameters that B. De Man ("Evaluation of implementations of the EBU R128 loudness
    measurement", AES 145, 2018; values from memory) derived from the table.
    Raises ValueError if the shelf at 1.7 kHz does not fit under half the rate.
    """
    if rate_hz == 48_000:
        return _AT_48_KHZ.copy()
    return k_weighting_from_prototype(rate_hz)


def k_weighting_from_prototype(rate_hz: float) -> Sos:
    """`k_weighting` by formula, at 48 kHz too, where it meets the table to 1e-6."""
    shelf_hz, shelf_db, shelf_q = 1681.974450955533, 3.999843853973347, 0.7071752369554196
    corner_hz, corner_q = 38.13547087602444, 0.5003270373238773
    if rate_hz <= 2.0 * shelf_hz:
        raise ValueError(f"loudness needs a sample rate above {2.0 * shelf_hz:.0f} Hz, not {rate_hz:g}")
    k = math.tan(math.pi * shelf_hz / rate_hz)
    high = 10.0 ** (shelf_db / 20.0)
    band = high**0.4996667741545416
    a0 = 1.0 + k / shelf_q + k * k
    shelf = [
        (high + band * k / shelf_q + k * k) / a0,
        2.0 * (k * k - high) / a0,
        (high - band * k / shelf_q + k * k) / a0,
        1.0,
        2.0 * (k * k - 1.0) / a0,
        (1.0 - k / shelf_q + k * k) / a0,
    ]
    k = math.tan(math.pi * corner_hz / rate_hz)
    a0 = 1.0 + k / corner_q + k * k
    # The table's numerator 1, -2, 1 lifts everything by a0 at 48 kHz (0.04 dB); that lift belongs to every rate.
    k_48 = math.tan(math.pi * corner_hz / 48_000)
    lift = (1.0 + k_48 / corner_q + k_48 * k_48) / a0
    high_pass = [lift, -2.0 * lift, lift, 1.0, 2.0 * (k * k - 1.0) / a0, (1.0 - k / corner_q + k * k) / a0]
    return np.array([shelf, high_pass])


def k_weight_db(hz: ArrayLike) -> NDArray[np.float64]:
    """Gain of the K-weighting in dB at each frequency (as tabulated for 48 kHz, so under 24 kHz); shape of `hz`."""
    return magnitude_db(_AT_48_KHZ, hz, 48_000)


def loudness_lufs(power: float) -> float:
    """Loudness of a power above 0 (BS.1770-5, Annex 1, eq. 2). Raises ValueError at 0."""
    if not power > 0.0:
        raise ValueError("silence has no loudness")
    return OFFSET_DB + 10.0 * math.log10(power)


def power_of(lufs: float) -> float:
    """Power of a loudness: the inverse of `loudness_lufs`."""
    return float(10.0 ** ((lufs - OFFSET_DB) / 10.0))


def gated_loudness(block_powers: ArrayLike) -> float | None:
    """Integrated loudness in LUFS of 400 ms blocks 100 ms apart (BS.1770-5, Annex 1, eqs. 4 to 7).

    A block counts if it is above -70 LUFS and above the mean of all such blocks less 10 LU.
    `block_powers` is ``(blocks,)``; None if no block counts.
    """
    kept = _above_gates(block_powers, RELATIVE_GATE_LU)
    return loudness_lufs(float(kept.mean())) if kept.size else None


def loudness_range(short_term_powers: ArrayLike) -> float | None:
    """Loudness range in LU of 3 s windows 100 ms apart (Tech 3342): P95 - P10 of those above both gates.

    The gates are -70 LUFS and the mean of all windows above it less 20 LU.
    `short_term_powers` is ``(windows,)``; None if no window counts.
    """
    kept = _above_gates(short_term_powers, RANGE_RELATIVE_GATE_LU)
    if not kept.size:
        return None
    kept.sort()
    # Tech 3342 picks the nearest of the sorted values instead of interpolating between two.
    low, high = (kept[math.floor((kept.size - 1) * share + 0.5)] for share in (0.10, 0.95))
    return 10.0 * math.log10(high / low)


def _above_gates(powers: ArrayLike, relative_gate_lu: float) -> NDArray[np.float64]:
    kept = np.asarray(powers, dtype=np.float64)
    kept = kept[kept > power_of(ABSOLUTE_GATE_LUFS)]
    if kept.size:
        kept = kept[kept > float(kept.mean()) * 10.0 ** (relative_gate_lu / 10.0)]
    return kept
