"""Find where a vocal or brass microphone picks up its target source.

The gate opens where the level stands above the predicted bleed (`bleed.excess`). The threshold comes from the track
itself: the level over bleed has a noise-floor mode where nobody sings, whose spread is measured below it where no voice
reaches, and a tail where somebody does. The further the tail reaches, the higher the threshold; a quiet singer in loud
bleed gets one close to the noise floor. If in doubt the gate stays open: bleed is a nuisance, a missing line ruins a
song.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from morningmix.bleed.opening import clear_reach_db, convincing_runs, opened, opens_at_db, where_clear, widen
from morningmix.laws.grid import on_grid_db
from morningmix.laws.track_power import mask_to_spans
from morningmix.model.measured import BleedFacts, Cleaned, Singing

LOWEST_OVER_BLEED_DB = -8.0
_BIN_DB = 0.1
_LEAST_FRACTION = 0.01
_OPEN, _OPEN_RANGE = 0.40, (1.0, 2.8)
_CLOSE, _CLOSE_RANGE = 0.25, (0.6, 1.4)
_SINGS = 2.0
_OWN_DB, _OWN_S, _LEAST_S = 2.0, 0.3, 20.0


@dataclass(frozen=True, slots=True)
class _NoiseFloor:
    """Level over predicted bleed where nobody sings: its mode and spread, and how far the loud part reaches."""

    mode_db: float
    spread_db: float
    reach: float
    """92nd percentile above the mode, in spreads."""
    fraction_clear: float
    """Fraction of hops more than three spreads above the mode."""


def measure_singing(bleed: BleedFacts | None) -> Singing | None:
    """Stretches of direct sound; None if they cannot be told from bleed, so that the gate must stay open."""
    if bleed is None or len(bleed.over_bleed_db) < 10:
        return None
    for over_db, against in (
        (bleed.over_bleed_db, "all other inputs"),
        (bleed.over_instrument_bleed_db, "the instruments"),
    ):
        floor = _noise_floor(over_db)
        if floor is not None and floor.reach > 0.0 and floor.fraction_clear >= _LEAST_FRACTION:
            return _singing(over_db, bleed.hop_s, floor, against)
    return None


def holds_own_sound(bleed: BleedFacts | None) -> bool:
    """Whether an instrument's input ever stands clear of the bleed; True where that cannot be told.

    It does if it stays over the predicted bleed for a moment. Where only the others were in it, that lasted 0.04 s, and
    a second or more where it was played (measured on 12 inputs).
    """
    if bleed is None or len(bleed.over_bleed_db) * bleed.hop_s < _LEAST_S:
        return True
    longest_s = max(
        (end_s - start_s for start_s, end_s in mask_to_spans(bleed.over_bleed_db > _OWN_DB, bleed.hop_s)), default=0.0
    )
    return longest_s >= _OWN_S


def measure_cleaned_singing(cleaned: Cleaned) -> Singing | None:
    """Stretches of direct sound in a cleaned microphone; None if it is too short to tell.

    The level over residual bleed is close to zero where nobody sings. The gate opens at a fraction of its highest
    level, and stays closed if there never is any.
    """
    kept, hop_s = cleaned.clear_db >= 0.0, cleaned.hop_s
    if np.count_nonzero(kept) < 10:
        return None
    clear_db = np.maximum(cleaned.clear_db, np.float32(0.0))
    reach_db = clear_reach_db(clear_db[kept])
    if reach_db is None:
        return Singing(open_s=(), sings_s=(), because="nobody sings into it")
    sings = where_clear(clear_db, reach_db)
    is_open = opened(sings, hop_s)
    return Singing(
        open_s=mask_to_spans(is_open, hop_s),
        sings_s=mask_to_spans(sings, hop_s),
        because=f"open {100 * is_open[kept].mean():.0f} % of the time, when its own sound is "
        f"{opens_at_db(reach_db):.1f} dB above the remaining bleed",
    )


def _noise_floor(over_bleed_db: NDArray[np.float32]) -> _NoiseFloor | None:
    edges = np.arange(LOWEST_OVER_BLEED_DB, 15.0 + _BIN_DB, _BIN_DB)
    counts, _ = np.histogram(over_bleed_db, edges)
    window = np.hanning(11)[1:-1]
    smooth = np.convolve(counts, window / window.sum(), "same")
    mode = float(edges[int(np.argmax(smooth))] + _BIN_DB / 2.0)
    below = over_bleed_db[over_bleed_db <= mode]
    if len(below) < 10:
        return None
    spread = max(0.3, float(np.sqrt(np.mean((below - mode) ** 2, dtype=np.float64))))
    reach = (float(np.quantile(over_bleed_db, 0.92)) - mode) / spread
    clear = float(np.mean(over_bleed_db > mode + 3.0 * spread))
    return _NoiseFloor(mode, spread, reach, clear)


def _singing(over_bleed_db: NDArray[np.float32], hop_s: float, floor: _NoiseFloor, against: str) -> Singing:
    opens = on_grid_db(floor.mode_db + floor.spread_db * float(np.clip(_OPEN * floor.reach, *_OPEN_RANGE)))
    closes = on_grid_db(floor.mode_db + floor.spread_db * float(np.clip(_CLOSE * floor.reach, *_CLOSE_RANGE)))
    is_open = opened(convincing_runs(over_bleed_db, opens, closes), hop_s)
    sings = over_bleed_db > on_grid_db(floor.mode_db + floor.spread_db * _SINGS)
    return Singing(
        open_s=mask_to_spans(is_open, hop_s),
        sings_s=mask_to_spans(widen(sings, 2, 2), hop_s),
        because=f"open {100 * is_open.mean():.0f} % of the time, when it is {opens:.1f} dB louder than the bleed "
        f"predicted from {against}",
    )
