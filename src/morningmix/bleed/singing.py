"""When a microphone in front of a person is open.

It is open where it stands above what the other inputs predict as bleed (`bleed.excess`). The threshold comes from the
track itself: its excess has one heap where nobody sings (its mode, and the spread of the half below it, which no voice
can reach) and a tail where somebody does. How far above the heap the gate opens depends on how far the tail reaches: a
quiet singer among loud bleed gets a threshold close to the heap. A gate that cannot tell stays open: bleed is a
nuisance, a missing line is a ruined song.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from morningmix.bleed.opening import clear_reach_db, convincing_runs, open_where_clear, opened, opens_at_db, widen
from morningmix.laws.grid import on_grid_db
from morningmix.laws.track_power import mask_to_spans
from morningmix.model.measured import BleedFacts, Cleaned, Singing

LOWEST_EXCESS_DB = -8.0
_BIN_DB = 0.1
_LEAST_SHARE = 0.01
_OPEN, _OPEN_RANGE = 0.40, (1.0, 2.8)
_CLOSE, _CLOSE_RANGE = 0.25, (0.6, 1.4)
_SINGS = 2.0
_CLEANED_SINGS = 0.2


@dataclass(frozen=True, slots=True)
class _Heap:
    """The excess where nobody sings: its mode and the spread below it, and how far the loudest excess reaches."""

    mode_db: float
    spread_db: float
    reach: float
    """92nd percentile of the excess above the mode, in spreads."""
    share_clear: float
    """Share of hops more than three spreads above the mode."""


def hear_singing(bleed: BleedFacts | None) -> Singing | None:
    """Stretches of own sound; None if they cannot be told from bleed, so that the gate must stay open."""
    if bleed is None or len(bleed.excess_db) < 10:
        return None
    for excess, against in (
        (bleed.excess_db, "all other inputs"),
        (bleed.excess_of_instruments_db, "the instruments"),
    ):
        heap = _heap(excess)
        if heap is not None and heap.reach > 0.0 and heap.share_clear >= _LEAST_SHARE:
            return _singing(excess, bleed.hop_s, heap, against)
    return None


def hear_cleaned_singing(cleaned: Cleaned) -> Singing | None:
    """Stretches of own sound in a microphone whose bleed was taken out; None if it has nothing to tell.

    How far it stands clear of the bleed is next to nothing where nobody sings; the gate opens at a share of how far it
    goes in its clearest moments. Where it never does, nobody sings, and the gate rests.
    """
    clear_db, hop_s = cleaned.clear_db, cleaned.hop_s
    if len(clear_db) < 10:
        return None
    reach_db = clear_reach_db(clear_db)
    if reach_db is None:
        return Singing(open_s=(), sings_s=(), because="nobody sings into it")
    is_open = open_where_clear(clear_db, reach_db, hop_s)
    sings = widen(clear_db > _CLEANED_SINGS * reach_db, 2, 2)
    return Singing(
        open_s=mask_to_spans(is_open, hop_s),
        sings_s=mask_to_spans(sings & is_open, hop_s),
        because=f"open {100 * is_open.mean():.0f} % of the time, where the voice stands {opens_at_db(reach_db):.1f} dB "
        "above what is left of the bleed",
    )


def _heap(excess_db: NDArray[np.float32]) -> _Heap | None:
    edges = np.arange(LOWEST_EXCESS_DB, 15.0 + _BIN_DB, _BIN_DB)
    counts, _ = np.histogram(excess_db, edges)
    window = np.hanning(11)[1:-1]
    smooth = np.convolve(counts, window / window.sum(), "same")
    mode = float(edges[int(np.argmax(smooth))] + _BIN_DB / 2.0)
    below = excess_db[excess_db <= mode]
    if len(below) < 10:
        return None
    spread = max(0.3, float(np.sqrt(np.mean((below - mode) ** 2, dtype=np.float64))))
    reach = (float(np.quantile(excess_db, 0.92)) - mode) / spread
    clear = float(np.mean(excess_db > mode + 3.0 * spread))
    return _Heap(mode, spread, reach, clear)


def _singing(excess_db: NDArray[np.float32], hop_s: float, heap: _Heap, against: str) -> Singing:
    opens = on_grid_db(heap.mode_db + heap.spread_db * float(np.clip(_OPEN * heap.reach, *_OPEN_RANGE)))
    closes = on_grid_db(heap.mode_db + heap.spread_db * float(np.clip(_CLOSE * heap.reach, *_CLOSE_RANGE)))
    is_open = opened(convincing_runs(excess_db, opens, closes), hop_s)
    sings = excess_db > on_grid_db(heap.mode_db + heap.spread_db * _SINGS)
    return Singing(
        open_s=mask_to_spans(is_open, hop_s),
        sings_s=mask_to_spans(widen(sings, 2, 2), hop_s),
        because=f"open {100 * is_open.mean():.0f} % of the time, where it is {opens:.1f} dB louder than the bleed "
        f"that {against} predict",
    )
