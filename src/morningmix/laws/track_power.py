"""Predict the K-weighted power of a track per slot, and find where its own source plays.

Every decision on levels uses these powers, so that later decisions take earlier ones, such as filters and gates, into
account.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import scipy
from numpy.typing import NDArray

from morningmix.laws.filters import (
    Sos,
    butterworth_high_pass,
    high_shelf,
    low_pass,
    low_shelf,
    magnitude_db,
    peaking,
)
from morningmix.laws.grid import on_grid_db
from morningmix.laws.loudness import OFFSET_DB, k_weight_db
from morningmix.model.measured import Measurements, Spans, TrackFacts
from morningmix.model.plan import Filter
from morningmix.model.slots import Slots
from morningmix.units import SILENCE_DB, power_db

PLAYS_WITHIN_DB = 20.0
"""An input without a bleed model plays where it is within this of its loud level."""

MOMENTARY_S = 0.4
REST_S = 1.0
"""Longest rest between two drum hits in a bar of a slow song."""

EDGE_S = 0.1
"""Clearly sung stretches begin late and end early by this much (measured: without it leads were 0.4 LU too soft)."""

Powers = NDArray[np.float64]


def sections(planned: Filter, rate_hz: int) -> Sos:
    """A planned filter's second-order sections."""
    if planned.kind == "peak":
        return peaking(planned.corner_hz, planned.gain_db, planned.q, rate_hz)
    if planned.is_shelf:
        shelf = low_shelf if planned.kind == "low_shelf" else high_shelf
        return shelf(planned.corner_hz, planned.gain_db, rate_hz)
    return (butterworth_high_pass if planned.kind == "high_pass" else low_pass)(planned.corner_hz, rate_hz)


def filter_gain_db(filters: Sequence[Filter], hz: NDArray[np.float64], rate_hz: int) -> NDArray[np.float64]:
    """Gain of a track's filters at each frequency, dB, at least -100."""
    gain = np.zeros(len(hz))
    for planned in filters:
        gain += np.maximum(magnitude_db(sections(planned, rate_hz), hz, rate_hz), -100.0)
    return gain


def k_powers(track: TrackFacts, measured: Measurements, filters: Sequence[Filter]) -> Powers:
    """K-weighted power per slot after the filters, both channels of a pair added: ``(slots,)``."""
    centres = measured.band_centres_hz
    weight_db = k_weight_db(np.minimum(centres, 20_000.0)) + filter_gain_db(filters, centres, measured.rate_hz)
    return track.slots.weighted(10.0 ** (weight_db / 10.0)) * track.channels


def filtered(track: TrackFacts, measured: Measurements, filters: Sequence[Filter]) -> Slots:
    """The slots as they are after the filters: each level and peak by the gain on the slot's spectrum."""
    weights = 10.0 ** (filter_gain_db(filters, measured.band_centres_hz, measured.rate_hz) / 10.0)
    before = np.maximum(track.slots.powers.astype(np.float64), 1e-20)
    gain = np.sqrt(track.slots.weighted(weights) / before)
    return track.slots.scaled(gain.astype(np.float32))


def momentary(powers: Powers, slot_s: float) -> Powers:
    """Mean power over the 0.4 s around each slot (a block of BS.1770), which bridges rests between hits."""
    smooth: Powers = scipy.ndimage.uniform_filter1d(powers, max(1, round(MOMENTARY_S / slot_s)), mode="nearest")
    return smooth


def loud_above(powers: Powers) -> float:
    """`PLAYS_WITHIN_DB` under the 95th percentile of all sounding slots; infinite where none sounds."""
    sounding = powers[powers > 10.0 ** (SILENCE_DB / 10.0)]
    if not len(sounding):
        return float("inf")
    loud_db = on_grid_db(power_db(float(np.percentile(sounding, 95))))
    return float(10.0 ** ((loud_db - PLAYS_WITHIN_DB) / 10.0))


def loud_mask(powers: Powers, slot_s: float) -> NDArray[np.bool_]:
    """Slots in which something loud plays, by its own loud level: ``(slots,)``."""
    return plays_over(powers, loud_above(momentary(powers, slot_s)), slot_s)


def plays_over(powers: Powers, above: float, slot_s: float) -> NDArray[np.bool_]:
    """Slots whose `momentary` power is over that, and what lies between two of them less than `REST_S` apart."""
    mask = momentary(powers, slot_s) > above
    rest = round(REST_S / slot_s)
    # Padded, because closing would remove runs at the ends.
    closed = scipy.ndimage.binary_closing(np.pad(mask, rest), np.ones(rest + 1, np.bool_)) if rest else mask
    playing: NDArray[np.bool_] = closed[rest : len(closed) - rest] | mask
    return playing


def loudness_of(powers: Powers, mask: NDArray[np.bool_]) -> float | None:
    """Loudness over the slots of a mask, LUFS; None where it is empty or silent."""
    mean = float(powers[mask].mean()) if mask.any() else 0.0
    return OFFSET_DB + 10.0 * float(np.log10(mean)) if mean > 10.0 ** (SILENCE_DB / 10.0) else None


def spans_to_mask(spans: Spans, slots: int, slot_s: float) -> NDArray[np.bool_]:
    """Slots whose middle lies in a span: ``(slots,)``."""
    if not spans:
        return np.zeros(slots, np.bool_)
    starts, ends = np.array(spans, np.float64).T
    middles = (np.arange(slots) + 0.5) * slot_s
    at = np.searchsorted(starts, middles, side="right") - 1
    mask: NDArray[np.bool_] = (at >= 0) & (middles < ends[np.maximum(at, 0)])
    return mask


def sung_mask(spans: Spans, slots: int, slot_s: float) -> NDArray[np.bool_]:
    """Slots of clear direct sound with its soft starts and ends: as `spans_to_mask`, `EDGE_S` wider: ``(slots,)``."""
    return spans_to_mask(_joined([(start - EDGE_S, end + EDGE_S) for start, end in spans]), slots, slot_s)


def _joined(spans: Sequence[tuple[float, float]]) -> Spans:
    joined: list[tuple[float, float]] = []
    for start, end in spans:
        if joined and start <= joined[-1][1]:
            joined[-1] = (joined[-1][0], end)
        else:
            joined.append((start, end))
    return tuple(joined)


def mask_to_spans(mask: NDArray[np.bool_], step_s: float) -> Spans:
    """Runs of True as stretches in seconds."""
    edges = np.flatnonzero(np.diff(mask.astype(np.int8), prepend=0, append=0))
    return tuple(
        (round(float(start) * step_s, 3), round(float(stop) * step_s, 3))
        for start, stop in zip(edges[::2], edges[1::2], strict=True)
    )


def spans_within(spans: Spans, start_s: float, end_s: float) -> Spans:
    """Spans of the take as spans of the song."""
    return tuple(
        (round(max(a, start_s) - start_s, 3), round(min(b, end_s) - start_s, 3))
        for a, b in spans
        if b > start_s and a < end_s
    )
