"""Detect and undo a gain step: a preamp turned in mid-take, after which everything is louder or softer by that much.

A gain step shows in the bleed. Where nobody sings, the level over predicted bleed has a narrow noise-floor mode; with a
gain step it has two, one before and one after. (A singer coming in makes no narrow mode.)
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from morningmix.model.measured import BleedFacts, GainStep, TrackFacts
from morningmix.model.slots import Slots

LEAST_STEP_DB = 2.0
_SIDE_S = 10.0
_NEAR_DB, _LEAST_MASS, _MOST_SPREAD_DB = 1.0, 0.12, 1.6
_GAIN_IN_MASS = 0.08
_LOW_DB, _TENTHS = -3.0, 180
"""The level over predicted bleed is clipped to -3 to 15 dB."""


def find_gain_step(over_bleed_db: NDArray[np.float32], hop_s: float) -> GainStep | None:
    """The point at which the noise-floor mode moves by 2 dB or more and stays there; None if there is none."""
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
    for side_db, mode in ((over_bleed_db[:split], before), (over_bleed_db[split:], after)):
        below = mode - side_db[side_db <= mode]
        spread = 1.48 * float(np.median(below)) if len(below) else np.inf
        if _near(side_db, mode) < _LEAST_MASS * len(side_db) or spread > _MOST_SPREAD_DB:
            return None
    left = np.cumsum(np.abs(over_bleed_db - before) < _NEAR_DB)
    right = np.cumsum((np.abs(over_bleed_db - after) < _NEAR_DB)[::-1])[::-1]
    around = slice(max(1, split - 2 * step), min(hops, split + 2 * step))
    held_at = left[around.start - 1 : around.stop - 1] + right[around]
    at = around.start + int(np.argmax(held_at))
    return GainStep(at_s=round(at * hop_s, 3), step_db=mode_step_db(over_bleed_db, at))


def mode_step_db(over_bleed_db: NDArray[np.float32], at: int) -> float:
    """Difference of the lower quartiles from hop `at` on and before it, dB."""
    low, high = (float(np.quantile(side_db, 0.25)) for side_db in (over_bleed_db[:at], over_bleed_db[at:]))
    return round(high - low, 2)


def _counts(over_bleed_db: NDArray[np.float32], step: int) -> NDArray[np.int64]:
    """Histograms in tenths of a decibel, one for every `step` hops: ``(steps, tenths)``."""
    tenth = np.clip(((over_bleed_db - _LOW_DB) * 10.0).astype(np.int64), 0, _TENTHS - 1)
    steps = -(-len(over_bleed_db) // step)
    place = np.arange(len(over_bleed_db)) // step
    return np.bincount(place * _TENTHS + tenth, minlength=steps * _TENTHS).reshape(steps, _TENTHS)


def _modes(counts: NDArray[np.int64]) -> NDArray[np.float64]:
    """Noise-floor mode of each histogram, dB."""
    modes: NDArray[np.float64] = _LOW_DB + 0.2 * _peak_bins(counts).astype(np.float64) + 0.1
    return modes


def _peak_bins(counts: NDArray[np.int64]) -> NDArray[np.int64]:
    pairs = counts.reshape(len(counts), -1, 2).sum(axis=2)
    padded = np.pad(pairs, ((0, 0), (1, 1)))
    smooth = 0.25 * padded[:, :-2] + 0.5 * pairs + 0.25 * padded[:, 2:]
    # Of two modes the lower is bleed; a mode counts if it is at least half as high as the highest.
    peak: NDArray[np.int64] = np.argmax(smooth >= 0.5 * smooth.max(axis=1, keepdims=True), axis=1)
    rows = np.arange(len(smooth))
    while True:
        next_one = np.minimum(peak + 1, smooth.shape[1] - 1)
        climbs = smooth[rows, next_one] > smooth[rows, peak]
        if not climbs.any():
            return peak
        peak = np.where(climbs, next_one, peak)


def _held(counts: NDArray[np.int64]) -> NDArray[np.int64]:
    """Number of hops within 1 dB of each histogram's mode."""
    below = np.pad(np.cumsum(counts, axis=1), ((0, 0), (1, 0)))
    middle = 2 * _peak_bins(counts) + 1
    rows = np.arange(len(counts))
    return below[rows, np.minimum(middle + 10, _TENTHS)] - below[rows, np.maximum(middle - 10, 0)]


def _near(over_bleed_db: NDArray[np.float32], mode_db: float) -> int:
    return int(np.count_nonzero(np.abs(over_bleed_db - mode_db) < _NEAR_DB))


def detect_gain_step(bleed: BleedFacts | None) -> GainStep | None:
    """The gain step that shows in a microphone's bleed; None if there is none."""
    if bleed is None:
        return None
    return find_gain_step(bleed.over_bleed_db, bleed.hop_s) or find_gain_step(
        bleed.over_instrument_bleed_db, bleed.hop_s
    )


def refine_gain_step(gain_step: GainStep, bleed: BleedFacts | None) -> GainStep:
    """The gain step corrected by what is still left of it, now that the bleed is learnt at one gain."""
    if bleed is None:
        return gain_step
    rest_db = mode_step_db(bleed.over_bleed_db, round(gain_step.at_s / bleed.hop_s))
    return replace(gain_step, step_db=round(gain_step.step_db + rest_db, 1))


def undo_gain_step(facts: TrackFacts, gain_step: GainStep | None, slot_s: float) -> TrackFacts:
    """Measurements with the gain step undone in the slots; peak and clipping stay as recorded."""
    return replace(facts, slots=slots_without_step(facts.slots, gain_step, slot_s))


def slots_without_step(slots: Slots, gain_step: GainStep | None, slot_s: float, first_slot: int = 0) -> Slots:
    """Slots, the first of them `first_slot` of the take, with the gain step undone."""
    if gain_step is None:
        return slots
    gain = np.ones(len(slots), np.float32)
    gain[max(0, round(gain_step.at_s / slot_s) - first_slot) :] = 10.0 ** (-gain_step.step_db / 20.0)
    return slots.scaled(gain)
