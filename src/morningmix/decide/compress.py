"""Gentle compression per track from published feature formulas, bounded by the role's preset."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from morningmix.laws.curves import (
    compressor_knee_db,
    compressor_ratio,
    compressor_threshold_db,
    gain_db,
    percussivity_weight,
)
from morningmix.model.input import Input
from morningmix.model.measured import Measurements
from morningmix.model.names import with_article
from morningmix.model.plan import Compressor, Reason
from morningmix.units import powers_db

_SOURCE = "Ma, De Man, Pestana, Black, Reiss, JAES 63(6) 2015, eqs. 15-22, bounded by the preset"


_HITS, _MOST_AT_HITS_DB = 95.0, 4.0
"""Percentile of the peaks of a drum that are hits, and the most that is taken from them (design choice)."""


def crest_factor(input_: Input, plays: NDArray[np.bool_]) -> float:
    """Crest factor (peak over RMS, linear), median over the slots in which the input plays; 1 where nothing plays."""
    if not plays.any():
        return 1.0
    power, peaks = (each[plays].astype(np.float64) for each in (input_.facts.slots.powers, input_.facts.slots.peaks))
    return float(np.median(peaks / np.sqrt(np.maximum(power, 1e-12))))


def low_share(input_: Input, measured: Measurements) -> float:
    """Fraction of the power below 1 kHz."""
    spectrum = input_.facts.slots.spectrum()
    total = float(spectrum.sum())
    return float(spectrum[measured.band_centres_hz < 1000.0].sum()) / total if total > 0.0 else 0.0


def decide_compressor(
    input_: Input, gain: float, plays: NDArray[np.bool_], crests: Sequence[float], lows: Sequence[float], low: float
) -> tuple[Compressor | None, Reason]:
    """The compressor of one input at its working level.

    `crests` and `lows` are the features of all inputs that take part; `low` is this input's own low fraction. The
    threshold of the formula is raised until the mean reduction over the direct sound (static curve on the peaks of the
    slots) is what the preset allows.
    """
    bounds = input_.preset.compressor
    if bounds is None or not plays.any():
        return None, Reason(
            what="compressor", because=f"{with_article(input_.role)} stays as it was played", source="design choice"
        )
    crest = crest_factor(input_, plays)
    wp = percussivity_weight(crest, float(np.mean(crests)))
    wf = low / max(float(np.mean(lows)), 1e-6)
    mean = float(input_.facts.slots.powers[plays].mean(dtype=np.float64))
    rms_db = float(10.0 * np.log10(max(mean, 1e-12))) + gain
    ratio = round(min(compressor_ratio(wp, wf), bounds.ratio_max.value), 2)
    threshold = compressor_threshold_db(rms_db, wp)
    knee = round(min(compressor_knee_db(threshold), 12.0), 1)
    levels_db = powers_db(input_.facts.slots.peaks[plays].astype(np.float64) ** 2) + gain
    at_hits_db = _MOST_AT_HITS_DB if input_.preset.family == "drums" else math.inf
    most_db = bounds.mean_reduction_db.value, at_hits_db
    threshold = round(_bounded_threshold(levels_db, threshold, ratio, knee, most_db), 1)
    mean_db = -float(gain_db(levels_db, threshold, ratio, knee).mean())
    return (
        Compressor(
            threshold_db=threshold,
            ratio=ratio,
            knee_db=knee,
            attack_s=bounds.attack_s.value,
            release_s=bounds.release_s.value,
            max_reduction_db=bounds.max_reduction_db.value,
        ),
        Reason(
            what="compressor",
            because=f"its peaks are {20 * np.log10(max(crest, 1.0)):.0f} dB above the average level; "
            f"they are turned down by {mean_db:.1f} dB on average",
            source=_SOURCE,
        ),
    )


def _bounded_threshold(
    levels_db: NDArray[np.float64], threshold_db: float, ratio: float, knee_db: float, most_db: tuple[float, float]
) -> float:
    """The formula's threshold, raised until the mean reduction is at most the first of `most_db`, and that of hits the
    second."""

    def too_much(at_db: float) -> bool:
        reductions_db = -gain_db(levels_db, at_db, ratio, knee_db)
        return bool(reductions_db.mean() > most_db[0] or np.percentile(reductions_db, _HITS) > most_db[1])

    if not too_much(threshold_db):
        return threshold_db
    low, high = threshold_db, float(levels_db.max()) + knee_db
    for _ in range(40):
        middle = (low + high) / 2.0
        low, high = (middle, high) if too_much(middle) else (low, middle)
    return high
