"""De-ess vocals whose sibilants are far louder than the rest, gently."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from morningmix.decide.cymbals import CORNER_HZ
from morningmix.laws.track_power import filter_gain_db
from morningmix.model.input import Input
from morningmix.model.measured import Measurements
from morningmix.model.plan import Compressor, DeEsser, Filter, Reason
from morningmix.units import powers_db

MOST_DB = 4.0
SHARP_DB = -13.0
"""A vocal is de-essed if its loudest hundredth above the corner comes nearer to its mean level than this (design
choice: dry vocals of three songs read -13 to -11 on their sibilants)."""
_PEAK_OVER_DB = 8.0
"""Peak of a sibilant over its mean level (measured on the same vocals)."""


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
