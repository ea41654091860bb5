"""Gain that brings every input's direct sound to one working level, before anything else is set."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from morningmix.laws.track_power import Powers, loudness_of
from morningmix.model.measured import TrackFacts
from morningmix.model.plan import Reason
from morningmix.units import amplitude_db

WORKING_LUFS = -23.0
"""Level that matching gives an input's direct sound (design choice: the alignment level of EBU R 128)."""
HEADROOM_DBFS = -3.0
"""Peaks stay below this, so that the tracks can be written without clipping (design choice)."""


def match_gain(track: TrackFacts, powers: Powers, plays: NDArray[np.bool_]) -> tuple[float, Reason]:
    """Gain in dB from the recorded to the working level, and why."""
    own_lufs = loudness_of(powers, plays)
    if own_lufs is None:
        return 0.0, Reason(what="gain_db", because="it never plays", source="design choice")
    by_level = WORKING_LUFS - own_lufs
    # Of what is mixed: in a cleaned microphone the loudest peak of the recording is often a drum.
    peak_dbfs = amplitude_db(float(track.slots.peaks.max(initial=0.0)))
    by_peak = HEADROOM_DBFS - peak_dbfs
    gain_db = round(min(by_level, by_peak), 2)
    side = "above" if peak_dbfs > 0.0 else "below"
    because = f"brings it to a common working level (peaks {abs(peak_dbfs):.1f} dB {side} clipping)"
    if by_peak < by_level:
        because += "; the peaks leave no room for more"
    return gain_db, Reason(
        what="gain_db", because=because, source=f"design choice: {WORKING_LUFS:.0f} LUFS working level"
    )
