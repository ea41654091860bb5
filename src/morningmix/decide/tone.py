"""Small broad cuts that make room: for the lead, and for bass and kick side by side.

A cut is made where one input masks another in a band that is essential to the other and not to the first (Hafezi,
Reiss, JAES 63(5) 2015; from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from morningmix.decide.family_levels import Strip
from morningmix.laws.track_power import filter_gain_db
from morningmix.model.measured import Measurements
from morningmix.model.plan import Filter, Reason
from morningmix.units import db_to_gain, powers_db

Array = NDArray[np.float64]

MOST_CUT_DB = 3.0
_VOICE_HZ = np.array([500.0, 1000.0, 2000.0, 4000.0])
_LOW_HZ = np.array([47.0, 70.0, 94.0, 117.0, 140.0, 175.0])
_VOICE_Q, _LOW_Q = 1.0, 1.4
_PRESENCE_DB = 4.5
"""Weight per octave added to a vocal's upper bands, which carry the words (design choice)."""
_LIVES_BY = 2
"""Number of an input's strongest bands that count as essential to it."""
_SOURCE = "Hafezi, Reiss, JAES 63(5) 2015 (from memory)"

Cut = tuple[Filter, Reason]


def room_for(masked: Strip, masker: Strip, here: Measurements, levels_db: tuple[float, float]) -> Cut | None:
    """The cut in `masker` that lets `masked` through while it plays; None where nothing is masked.

    `levels_db` are the faders of the two, masked first.
    """
    low = masked.input.role == "kick"
    centres, q = (_LOW_HZ, _LOW_Q) if low else (_VOICE_HZ, _VOICE_Q)
    over = _bands(masker, here, masked.plays, centres, levels_db[1])
    under = _bands(masked, here, masked.plays, centres, levels_db[0])
    covers_db = over - under
    # The upper bands make a vocal intelligible, weak as they are; a kick is felt where it is strongest.
    needed = under if low else np.where(centres >= 1000.0, under + _PRESENCE_DB * np.log2(centres), -np.inf)
    candidates = _strongest(needed, _LIVES_BY) & ~_strongest(over, 1 if low else _LIVES_BY) & (covers_db > 0.0)
    if not candidates.any():
        return None
    band = int(np.argmax(np.where(candidates, covers_db, -np.inf)))
    cut_db = round(float(min(MOST_CUT_DB, covers_db[band] / 2.0)), 1)
    if cut_db < 0.5:
        return None
    return Filter(kind="peak", corner_hz=float(centres[band]), gain_db=-cut_db, q=q), Reason(
        what="peak_hz",
        because=f"it masks {masked.input.name} there by {covers_db[band]:.0f} dB, and does not need that range itself",
        source=_SOURCE,
    )


def _strongest(levels_db: Array, count: int) -> NDArray[np.bool_]:
    return np.isin(np.arange(len(levels_db)), np.argsort(levels_db)[-count:])


def _bands(strip: Strip, here: Measurements, where: NDArray[np.bool_], centres: Array, level_db: float) -> Array:
    """Level around each centre while something else plays, dB, over at least half an octave."""
    powers = spectrum(strip, here, where) * db_to_gain(level_db) ** 2
    log_hz = np.log2(here.band_centres_hz)
    widths = np.abs(log_hz[None, :] - np.log2(centres)[:, None])
    reach = np.maximum(np.median(np.diff(np.log2(centres))) / 2.0, widths.min(axis=1, keepdims=True) + 1e-9)
    return powers_db((powers[None, :] * (widths <= reach)).sum(axis=1))


def spectrum(strip: Strip, here: Measurements, where: NDArray[np.bool_]) -> Array:
    """Mean power per band over those slots, after filters, gate and compressor: ``(bands,)``."""
    if not where.any():
        return np.zeros(len(here.band_centres_hz))
    gains = np.where(where, 10.0 ** (strip.dynamics_db / 10.0), 0.0)
    mean = strip.input.facts.slots.spectrum(gains) / np.count_nonzero(where)
    filters_db = filter_gain_db(strip.filters, here.band_centres_hz, here.rate_hz)
    return np.asarray(mean * 10.0 ** (filters_db / 10.0) * strip.input.facts.channels)
