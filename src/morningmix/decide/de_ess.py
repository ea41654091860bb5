"""De-ess vocals whose sibilants are far louder than the rest, gently."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from morningmix.laws.track_power import filter_gain_db
from morningmix.model.input import Input
from morningmix.model.measured import Measurements, TrackFacts
from morningmix.model.plan import Compressor, DeEsser, Filter, Reason
from morningmix.units import powers_db

CORNER_HZ = 5000.0
"""Sibilants lie above this (common practice, no source)."""
MOST_DB = 4.0
SHARP_DB = -13.0
"""A vocal is de-essed if its loudest hundredth above the corner comes nearer to its mean level than this (design
choice: dry vocals of three songs read -13 to -11 on their sibilants)."""
_PEAK_OVER_DB = 8.0
"""Peak of a sibilant over its mean level (measured on the same vocals)."""


def cymbals_rest(drums: Sequence[TrackFacts], plays: NDArray[np.bool_], measured: Measurements) -> NDArray[np.bool_]:
    """Slots in which the drums are no louder above the corner than in half of those in `plays`.

    What a vocal microphone hears of cymbals would pass for sibilants (measured in four modelled rooms: the loudest
    hundredth above the corner read 5 to 18 dB too high in all slots, and within 6 dB in these).
    """
    above = np.where(measured.band_centres_hz > CORNER_HZ, 1.0, 0.0)
    powers = np.sum([track.slots.weighted(above) for track in drums], axis=0) if drums else np.zeros(len(plays))
    rest: NDArray[np.bool_] = powers <= (np.median(powers[plays]) if plays.any() else 0.0)
    return rest


def decide_de_esser(
    input_: Input,
    gain_db: float,
    plays: NDArray[np.bool_],
    filters: Sequence[Filter],
    measured: Measurements,
) -> tuple[DeEsser | None, tuple[Reason, ...]]:
    """The de-esser of a vocal at its working level, before its compressor; None where none is needed."""
    if input_.preset.family != "vocals" or not plays.any() or measured.rate_hz < 2.5 * CORNER_HZ:
        return None, ()
    if input_.wish.eq == "off":
        return None, ()
    centres = measured.band_centres_hz
    weights = 10.0 ** ((filter_gain_db(filters, centres, measured.rate_hz) + gain_db) / 10.0)
    slots = input_.facts.slots
    mean_db = float(powers_db(np.array([slots.weighted(weights)[plays].mean()]))[0])
    sharp = slots.weighted(np.where(centres > CORNER_HZ, weights, 0.0))[plays]
    sharp_db = float(np.percentile(powers_db(sharp), 99)) - mean_db
    if sharp_db <= SHARP_DB:
        return None, ()
    threshold_db = round(mean_db + SHARP_DB + _PEAK_OVER_DB, 1)
    return (
        DeEsser(
            corner_hz=CORNER_HZ,
            compressor=Compressor(
                threshold_db=threshold_db,
                ratio=3.0,
                knee_db=6.0,
                attack_s=0.001,
                release_s=0.06,
                max_reduction_db=MOST_DB,
            ),
        ),
        (
            Reason(
                what="de_esser",
                because=f"the loudest one is only {-sharp_db:.0f} dB below the voice; up to {MOST_DB:.0f} dB less",
                source="design choice",
            ),
        ),
    )
