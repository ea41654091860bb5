"""Somebody turned a gain in mid-take: from then on all that a microphone hears is louder or softer by the same amount.

It shows in the bleed. Where nobody sings, the excess over the predicted bleed makes a narrow heap; a turned gain makes
two, one before and one after. (A singer who comes in makes no narrow heap.)
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from morningmix.model.measured import BleedFacts, GainStep, TrackFacts

LEAST_STEP_DB = 2.0
_SIDE_S = 10.0
_NEAR_DB, _LEAST_MASS, _MOST_SPREAD_DB = 1.0, 0.12, 1.6
_GAIN_IN_MASS = 0.08
_LOW_DB, _TENTHS = -3.0, 180
"""Excess is clipped to -3 to 15 dB."""


def find_gain_step(over_bleed_db: NDArray[np.float32], hop_s: float) -> GainStep | None:
    """The one place where the heap of resting hops moves by 2 dB or more and stays; None if there is none."""
    step = round(1.0 / hop_s)
    side = round(_SIDE_S / hop_s)
    hops = len(over_bleed_db)
    if hops < 2 * side:
        return None
    until = np.cumsum(_counts(over_bleed_db, step), axis=0)
    whole = until[-1:]
    splits = np.arange(side, hops - side + 1, step)
    left = until[splits // step - 1]
    right = whole - left
    held = _held(left) + _held(right)
    best = int(np.argmax(held))
    split = int(splits[best])
    before, after = float(_modes(left[best : best + 1])[0]), float(_modes(right[best : best + 1])[0])
    if held[best] < _held(whole)[0] + _GAIN_IN_MASS * hops or abs(after - before) < LEAST_STEP_DB:
        return None
    for part, mode in ((over_bleed_db[:split], before), (over_bleed_db[split:], after)):
        below = mode - part[part <= mode]
        spread = 1.48 * float(np.median(below)) if len(below) else np.inf
        if _near(part, mode) < _LEAST_MASS * len(part) or spread > _MOST_SPREAD_DB:
            return None
    left = np.cumsum(np.abs(over_bleed_db - before) < _NEAR_DB)
    right = np.cumsum((np.abs(over_bleed_db - after) < _NEAR_DB)[::-1])[::-1]
    around = slice(max(1, split - 2 * step), min(hops, split + 2 * step))
    held_at = left[around.start - 1 : around.stop - 1] + right[around]
    at = around.start + int(np.argmax(held_at))
    return GainStep(at_s=round(at * hop_s, 3), step_db=mode_step_db(over_bleed_db, at))


def mode_step_db(over_bleed_db: NDArray[np.float32], at: int) -> float:
    """By how much the resting hops from hop `at` on lie over those before: between their lower thirds."""
    low, high = (float(np.quantile(part, 0.25)) for part in (over_bleed_db[:at], over_bleed_db[at:]))
    return round(high - low, 2)


def _counts(over_bleed_db: NDArray[np.float32], step: int) -> NDArray[np.int64]:
    """How many hops lie in each tenth of a decibel, per `step` of hops: ``(steps, tenths)``."""
    tenth = np.clip(((over_bleed_db - _LOW_DB) * 10.0).astype(np.int64), 0, _TENTHS - 1)
    steps = -(-len(over_bleed_db) // step)
    place = np.arange(len(over_bleed_db)) // step
    return np.bincount(place * _TENTHS + tenth, minlength=steps * _TENTHS).reshape(steps, _TENTHS)


def _modes(counts: NDArray[np.int64]) -> NDArray[np.float64]:
    """Where the heap of each row of counts has its top, dB."""
    modes: NDArray[np.float64] = _LOW_DB + 0.2 * _tops(counts).astype(np.float64) + 0.1
    return modes


def _tops(counts: NDArray[np.int64]) -> NDArray[np.int64]:
    pairs = counts.reshape(len(counts), -1, 2).sum(axis=2)
    padded = np.pad(pairs, ((0, 0), (1, 1)))
    smooth = 0.25 * padded[:, :-2] + 0.5 * pairs + 0.25 * padded[:, 2:]
    # Of two heaps the lower is bleed: a heap counts when it holds half of what the highest does.
    top: NDArray[np.int64] = np.argmax(smooth >= 0.5 * smooth.max(axis=1, keepdims=True), axis=1)
    rows = np.arange(len(smooth))
    while True:
        next_one = np.minimum(top + 1, smooth.shape[1] - 1)
        climbs = smooth[rows, next_one] > smooth[rows, top]
        if not climbs.any():
            return top
        top = np.where(climbs, next_one, top)


def _held(counts: NDArray[np.int64]) -> NDArray[np.int64]:
    """Hops within 1 dB of the top of each row's heap."""
    below = np.pad(np.cumsum(counts, axis=1), ((0, 0), (1, 0)))
    middle = 2 * _tops(counts) + 1
    rows = np.arange(len(counts))
    return below[rows, np.minimum(middle + 10, _TENTHS)] - below[rows, np.maximum(middle - 10, 0)]


def _near(over_bleed_db: NDArray[np.float32], mode_db: float) -> int:
    return int(np.count_nonzero(np.abs(over_bleed_db - mode_db) < _NEAR_DB))


def detect_gain_step(bleed: BleedFacts | None) -> GainStep | None:
    """The gain step that a microphone's bleed shows; None if there is none."""
    if bleed is None:
        return None
    return find_gain_step(bleed.over_bleed_db, bleed.hop_s) or find_gain_step(
        bleed.over_instrument_bleed_db, bleed.hop_s
    )


def refine_gain_step(gain_step: GainStep, bleed: BleedFacts | None) -> GainStep:
    """What was still missing, now that the bleed is learnt from one gain."""
    if bleed is None:
        return gain_step
    rest_db = mode_step_db(bleed.over_bleed_db, round(gain_step.at_s / bleed.hop_s))
    return replace(gain_step, step_db=round(gain_step.step_db + rest_db, 1))


def undo_gain_step(facts: TrackFacts, gain_step: GainStep | None, slot_s: float) -> TrackFacts:
    """Slots as if the gain had never been turned; what was recorded (peak, clipping) stays as it was."""
    if gain_step is None:
        return facts
    gain = np.ones(len(facts.slots), np.float32)
    gain[round(gain_step.at_s / slot_s) :] = 10.0 ** (-gain_step.step_db / 20.0)
    return replace(facts, slots=facts.slots.scaled(gain))
