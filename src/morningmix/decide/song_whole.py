"""Tell whole songs from false starts and songs that broke off. All thresholds are design choices."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import scipy
from numpy.typing import NDArray

from morningmix.decide.count_in import find_count_in
from morningmix.decide.playing import (
    COUNTED,
    DRUMS,
    HELD_S,
    HELD_TALKING_S,
    OWN_DB,
    PLAYS_WITHIN_DB,
    SONG_S,
    VOICES,
    Band,
)
from morningmix.model.measured import Activity
from morningmix.units import powers_db

SHORT_S = 50.0
"""A shorter stretch counts as a song only if its form shows that it is whole."""
BROKEN_S = 120.0
"""A longer stretch always counts as a song."""
PASSAGE_S = 6.0
"""Length of the passages that are compared."""
OFTEN = 0.4
"""Fraction of a song that an instrument must play in to be compared."""
ALIKE, ABOUT = 0.6, 0.1
"""Correlation from which two passages are the same music, and the difference that still counts as equal."""
AGAIN = 0.58
"""The beginning came again where the correlation reaches this fraction of that of the last passage."""


def _instruments(activity: Activity, families: Sequence[str], first: int, last: int) -> NDArray[np.float64]:
    """What drums and instruments sound like from frame `first` to `last`: ``(lanes, frames)``, dB.

    A lane for each input and broad band; what plays in a few places only is left out.
    """
    plays = np.mean(activity.over_bleed_db[:, :, first:last].mean(axis=1) > OWN_DB, axis=1) > OFTEN
    chosen = [
        family == DRUMS or (family not in ("", VOICES) and bool(often))
        for family, often in zip(families, plays, strict=True)
    ]
    level_db = powers_db(activity.powers[chosen, :, first:last])
    level_db = np.maximum(level_db - np.percentile(level_db, 95, axis=2, keepdims=True), -PLAYS_WITHIN_DB)
    lanes: NDArray[np.float64] = scipy.ndimage.uniform_filter1d(level_db.reshape(-1, last - first), 3, axis=1)
    return lanes


def why_not(activity: Activity, families: Sequence[str], band: Band, first: int, last: int) -> tuple[str | None, bool]:
    """Why frames `first` to `last` are no whole song (None: they are one), and whether the music shows it."""
    seconds = (last - first) * band.frame_s
    if seconds < SONG_S:
        return f"false start: the band stops after {seconds:.0f} s", True
    if seconds > BROKEN_S:
        return None, True
    # What rings after the last beat is in every ending, but not in the middle of a song; nor are clicks.
    beats = (band.hits_s / activity.hop_s).round().astype(int) // activity.hops_in_frame
    beats = beats[(beats >= first) & (beats < last)]
    counted = find_count_in(band, first * band.frame_s, 0.0)
    clicks = min(counted.clicks, COUNTED) if counted else 0
    begins = round((counted.first_s + clicks * counted.period_s) / band.frame_s) if counted else first
    stops = int(beats[-1]) if len(beats) else last
    whole = _whole(_instruments(activity, families, begins, stops), band.frame_s) if stops > begins else None
    if whole is False:
        return f"broke off: the band stops after {seconds:.0f} s, at a point where it went on the time before", True
    if whole is None and seconds < SHORT_S:
        return f"broke off: the band stops after {seconds:.0f} s", False
    return None, whole is not None


def _whole(instruments: NDArray[np.float64], frame_s: float) -> bool | None:
    """Whether the song's beginning follows an earlier copy of its last passage; None if there is no such copy.

    Songs are made of repeated parts. One that is played through stops at the end of a part, so where its last passage
    occurred before, another part began after it (perhaps after a pause). `instruments` is ``(lanes, frames)``.
    """
    length = round(PASSAGE_S / frame_s)
    frames = instruments.shape[1]
    spread_db = instruments.std(axis=1, keepdims=True) + 1.0
    lanes = (instruments - instruments.mean(axis=1, keepdims=True)) / spread_db
    correlation = _correlation(lanes[:, -length:], lanes[:, : frames - length])
    if not len(correlation):
        return None
    alike = float(correlation.max())
    if alike < ALIKE:
        return None
    again = -1.0
    for twin in np.flatnonzero(correlation >= alike - ABOUT).tolist():
        early = max(0, twin + length - round(HELD_TALKING_S / frame_s))
        near = lanes[:, early : twin + length + round(HELD_S / frame_s) + length]
        again = max(again, float(_correlation(lanes[:, :length], near).max(initial=-1.0)))
    return again >= AGAIN * alike


def _correlation(passage: NDArray[np.float64], lanes: NDArray[np.float64]) -> NDArray[np.float64]:
    """Correlation of a passage with every stretch of the same length: ``(places,)``."""
    places = lanes.shape[1] - passage.shape[1] + 1
    if places < 1:
        return np.zeros(0)
    stretches = np.lib.stride_tricks.sliding_window_view(lanes, passage.shape[1], axis=1)
    products = np.einsum("lpf,lf->p", stretches, passage)
    energies = np.einsum("lpf,lpf->p", stretches, stretches) * np.sum(passage**2)
    return np.asarray(products / np.sqrt(np.maximum(energies, 1e-12)))
