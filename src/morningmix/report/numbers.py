"""What the pictures show, computed from the measurements: levels, who plays when, octave bands, how loud in the mix.

Slots, bands and powers are those of `model.measured.Measurements`; levels are dB re full scale unless a name says
otherwise."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from morningmix.laws.loudness import OFFSET_DB
from morningmix.laws.track_power import k_powers, loud_mask, spans_to_mask
from morningmix.model.input import Input
from morningmix.model.measured import Measurements, Singing, SongFacts, Spans
from morningmix.model.plan import SongPlan, TrackPlan
from morningmix.report.contents import Mixed
from morningmix.units import powers_db

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

MOST_COLUMNS = 600
"""No picture has more points than this from left to right."""

SLOPE_DB_PER_OCTAVE = -2.0
"""Octave-band levels of 772 number-one singles fall about so from 100 Hz to 4 kHz: 5 dB per octave in spectral
density, less the 3 dB by which an octave band is wider than the one below (Pestana et al., AES 135, 2013)."""

SLOPE_FROM_HZ, SLOPE_TO_HZ = 100.0, 4000.0
OCTAVES_HZ = (63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
"""Nominal middles of the octave bands (IEC 61260-1)."""
_COVERED = 0.75

RIDGES = ("everything", "drums and bass", "vocals")
RHYTHM, VOCALS = ("drums", "bass"), ("vocals",)
"""Families of the second and the third ridge."""
_RIDGE_COLUMNS = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """How loud one input was recorded; the levels are None where it never plays."""

    peak_dbfs: float
    quiet_dbfs: float | None
    typical_dbfs: float | None
    loud_dbfs: float | None
    """10th, 50th and 90th percentile of the mean (RMS) level of the slots in which it plays."""


def plays(input_: Input, singing: Singing | None, measured: Measurements) -> Mask:
    """Slots of the take in which the input itself plays, as far as is known: ``(slots,)``."""
    if input_.facts.silent:
        return np.zeros(measured.slots, np.bool_)
    if singing is not None:
        return spans_to_mask(singing.sings_s, measured.slots, measured.slot_s)
    return loud_mask(k_powers(input_.facts, measured, ()), measured.slot_s)


def level_of(input_: Input, playing: Mask) -> Level:
    """Recorded levels of one input."""
    power = input_.facts.slots.powers[playing].astype(np.float64)
    quiet, typical, loud = np.percentile(powers_db(power), [10, 50, 90]) if len(power) else (None, None, None)
    return Level(
        peak_dbfs=input_.facts.peak_dbfs,
        quiet_dbfs=None if quiet is None else float(quiet),
        typical_dbfs=None if typical is None else float(typical),
        loud_dbfs=None if loud is None else float(loud),
    )


def covered(spans: Spans, edges_s: Array) -> Array:
    """Share of each column between `edges_s` that the spans cover, 0..1: ``(columns,)``."""
    if not spans:
        return np.zeros(len(edges_s) - 1)
    points = np.array(spans, np.float64)
    total = np.concatenate(([0.0], np.repeat(np.cumsum(points[:, 1] - points[:, 0]), 2)[:-1]))
    share: Array = np.diff(np.interp(edges_s, points.ravel(), total)) / np.diff(edges_s)
    return np.clip(share, 0.0, 1.0)


def columns(values: ArrayLike, most: int = MOST_COLUMNS, *, lowest: bool = False) -> Array:
    """`values` in at most `most` columns, each the mean (or the lowest) of what falls into it."""
    values = np.asarray(values, np.float64)
    if len(values) <= most:
        return values
    starts = np.arange(most) * len(values) // most
    if lowest:
        return np.asarray(np.minimum.reduceat(values, starts))
    return np.asarray(np.add.reduceat(values, starts) / np.diff(starts, append=len(values)))


def ridges(powers: Sequence[Array], *, fine: bool = False) -> list[tuple[str, Array]]:
    """Loudness over time of everything, of drums and bass, and of the vocals, as (name, heights 0..1).

    `powers` are theirs in this order, per slot; a group without slots is left out. All share one scale of 36 dB.
    `fine`: three times as many points, hardly smoothed, to see where something begins and ends.
    """
    most = MOST_COLUMNS if fine else _RIDGE_COLUMNS
    sums = [(name, columns(power, most)) for name, power in zip(RIDGES, powers, strict=True) if len(power)]
    if not sums or not sums[0][1].any():
        return []
    top_db = float(powers_db(sums[0][1]).max())
    window = np.hanning(5 if fine else 9)[1:-1]
    window /= window.sum()
    return [
        (name, np.convolve(np.clip((powers_db(power) - top_db + 36.0) / 38.0, 0.0, 1.0), window, "same"))
        for name, power in sums
    ]


def octave_levels(song: SongFacts) -> tuple[tuple[float, float], ...]:
    """(middle in Hz, level in dBFS) of each octave band that the measured bands cover by three quarters.

    The power of a measured band is taken as spread evenly over its hertz.
    """
    powers = 10.0 ** (song.spectrum_db.astype(np.float64) / 10.0)
    low, high = song.band_hz[:-1], song.band_hz[1:]
    levels = []
    for centre in OCTAVES_HZ:
        bottom, top = centre / 2**0.5, centre * 2**0.5
        inside = np.clip(np.minimum(high, top) - np.maximum(low, bottom), 0.0, None)
        if inside.sum() >= _COVERED * (top - bottom):
            levels.append((centre, float(powers_db(np.array([np.sum(powers * inside / (high - low))]))[0])))
    return tuple(levels)


def slope_levels(octaves: Sequence[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    """The published slope through the mean of the octaves it is known for: (middle in Hz, level in dBFS)."""
    known = [(hz, level) for hz, level in octaves if SLOPE_FROM_HZ <= hz <= SLOPE_TO_HZ]
    if len(known) < 2:
        return ()
    places = np.log2([hz for hz, _ in known])
    middle = float(np.mean([level for _, level in known])) - SLOPE_DB_PER_OCTAVE * float(places.mean())
    return tuple(
        (hz, middle + SLOPE_DB_PER_OCTAVE * float(place)) for (hz, _), place in zip(known, places, strict=True)
    )


def loudness_in_mix_lu(
    input_: Input, track: TrackPlan, playing: Mask, measured: Measurements, mixed: Mixed
) -> float | None:
    """Estimated loudness of one input re the whole mix while it plays in this song, LU; None if it does not
    or the mix is silent.

    From the measured bands through filters, compressor, fader, the family's trim and the master's gain; the limiter
    and the drums' own peak control, which hardly change loudness, are left out.
    """
    plan, master = mixed.plan, mixed.master
    first = int(plan.start_s / measured.slot_s)
    last = max(int(np.ceil(plan.end_s / measured.slot_s)), first + 1)
    here = playing[first:last]
    if mixed.loudness_lufs is None or not (track.sounds and here.any()):
        return None
    gain_db = np.full(len(here), track.gain_db + track.fader_db + master.gain_db)
    gain_db += dict(master.trims.trims_db).get(track.family, 0.0)
    reduction = dict(mixed.reduction_db).get(track.name)
    if reduction is not None and len(reduction):
        middles = (np.arange(len(here)) + 0.5) * measured.slot_s
        gain_db += np.interp(middles, (np.arange(len(reduction)) + 0.5) * mixed.hop_s, reduction.astype(np.float64))
    power = float((k_powers(input_.facts, measured, track.filters)[first:last] * 10.0 ** (gain_db / 10.0))[here].mean())
    return OFFSET_DB + 10.0 * float(np.log10(power)) - mixed.loudness_lufs if power > 0.0 else None


def levels_in_mix_lu(
    inputs: Sequence[Input], playing: Sequence[Mask], measured: Measurements, mixed: Mixed
) -> tuple[float | None, ...]:
    """`loudness_in_mix_lu` of every track of a song's plan, by the take's inputs and the slots in which each plays."""
    known = {input_.facts.files: (input_, slots) for input_, slots in zip(inputs, playing, strict=True)}
    levels = []
    for track in mixed.plan.tracks:
        input_, slots = known[track.files]
        level = loudness_in_mix_lu(input_, track, slots, measured, mixed)
        levels.append(None if level is None else round(level, 1))
    return tuple(levels)


def bleed_rise_db(
    reduction_db: NDArray[np.float32], hop_s: float, playing: Mask, measured: Measurements, plan: SongPlan
) -> float | None:
    """By how much a compressor raises bleed between an input's notes against the notes; None if the song has only one
    of them.
    """
    middles_s = plan.start_s + (np.arange(len(reduction_db)) + 0.5) * hop_s
    plays_then = playing[np.minimum((middles_s / measured.slot_s).astype(np.intp), len(playing) - 1)]
    if plays_then.all() or not plays_then.any():
        return None
    return float(reduction_db[~plays_then].mean() - reduction_db[plays_then].mean())


def own_share(input_: Input) -> float:
    """Share of the power that a cleaned microphone recorded which is still there, 0..1."""
    if input_.recorded is None:
        return 1.0
    recorded = float(input_.recorded.powers.sum(dtype=np.float64))
    return min(1.0, float(input_.facts.slots.powers.sum(dtype=np.float64)) / recorded) if recorded > 0.0 else 1.0
