"""Static curves and published formulas of dynamics and reverb level.

Sources: Giannoulis, Massberg, Reiss, "Digital dynamic range compressor design", JAES 60(6), 2012.
Ma, De Man, Pestana, Black, Reiss, "Intelligent multitrack dynamic range compression", JAES 63(6), 2015, eqs. 15-22.
De Man, McNally, Reiss, "Perceptual evaluation and analysis of reverberation in multitrack music production",
JAES 65(1/2), 2017.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray


def gain_db(level_db: ArrayLike, threshold_db: float, ratio: float, knee_db: float) -> NDArray[np.float64]:
    """Gain (0 or less) of a compressor at each level: Giannoulis et al. 2012, eq. 4, less its input; shape of input.

    Raises ValueError unless ratio >= 1 and knee_db >= 0.
    """
    if not (ratio >= 1.0 and knee_db >= 0.0):
        raise ValueError(f"a compressor needs ratio >= 1 and knee >= 0 dB, not {ratio:g} and {knee_db:g}")
    over = np.asarray(level_db, dtype=np.float64) - threshold_db
    bent = over
    if knee_db > 0.0:
        inside = np.clip(over + knee_db / 2.0, 0.0, knee_db)
        bent = np.where(over < knee_db / 2.0, inside * (inside / knee_db) / 2.0, over)
    return np.asarray((1.0 / ratio - 1.0) * np.maximum(bent, 0.0), dtype=np.float64)


def one_pole(tau_s: float, rate_hz: float) -> float:
    """Coefficient alpha of y = alpha y + (1 - alpha) x: 63.2 % of a step after `tau_s`; 0 for no smoothing."""
    return math.exp(-1.0 / (tau_s * rate_hz)) if tau_s > 0.0 else 0.0


def percussivity_weight(crest: float, mean_crest: float) -> float:
    """wp in 0..2 from a track's crest factor (peak / RMS, linear) against the mean of all tracks (Ma et al. 2015)."""
    distance = crest - mean_crest
    bell = math.exp(-(distance**2) / (2.0 * 2.0**2))
    return bell if distance <= 0.0 else 2.0 - bell


def compressor_ratio(wp: float, wf: float) -> float:
    """Ratio from percussivity weight and low-frequency weight (Ma et al. 2015)."""
    return 1.0 + 0.54 * wp + 0.764 * wf


def compressor_threshold_db(rms_db: float, wp: float) -> float:
    """Threshold from the track's RMS level and percussivity weight (Ma et al. 2015)."""
    return -11.03 + 0.44 * rms_db - 4.987 * wp


def compressor_knee_db(threshold_db: float) -> float:
    """Knee width: half the threshold's distance from full scale (Ma et al. 2015)."""
    return abs(threshold_db) / 2.0


def compressor_attack_s(crest: float) -> float:
    """Attack from the crest factor (peak / RMS, linear, > 0): twice 80 ms over its square (Ma et al. 2015)."""
    return 2.0 * 0.080 / crest**2


def compressor_release_s(crest: float) -> float:
    """Release from the crest factor (peak / RMS, linear, > 0): twice 1 s over its square (Ma et al. 2015)."""
    return 2.0 * 1.0 / crest**2


def too_wet_probability(rrl_lu: float, edt_s: float) -> float:
    """Fraction of listeners who find a mix too wet, by relative reverb loudness and early decay time (De Man 2017)."""
    return 1.0 / (1.0 + math.exp(-(6.7767 + 0.4866 * rrl_lu + 2.5619 * math.log10(edt_s))))


def reverb_loudness_lu(too_wet: float, edt_s: float) -> float:
    """Relative reverb loudness that a fraction `too_wet` of listeners (0 to 1) finds too wet.

    The inverse of `too_wet_probability`.
    """
    return (math.log(too_wet / (1.0 - too_wet)) - 6.7767 - 2.5619 * math.log10(edt_s)) / 0.4866
