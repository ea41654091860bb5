"""Compressors keep to their bounds."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from decide.made import HITS, an_input, bump, facts_of
from morningmix.decide.compress import decide_compressor
from morningmix.files.presets import load_roles
from morningmix.laws.curves import gain_db as compressor_gain_db
from morningmix.units import powers_db


@settings(max_examples=40, deadline=None)
@given(
    role=st.sampled_from(sorted(role for role, preset in load_roles().items() if preset.compressor)),
    seed=st.integers(0, 2**32 - 1),
    crest_db=st.floats(3.0, 25.0),
    gain_db=st.floats(-20.0, 30.0),
    spread_db=st.floats(0.0, 15.0),
)
def test_compressors_keep_to_their_bounds(
    role: str, seed: int, crest_db: float, gain_db: float, spread_db: float
) -> None:
    rng = np.random.default_rng(seed)
    level = 10.0 ** ((-30.0 + rng.uniform(-spread_db, spread_db, 100)) / 10.0)
    one = an_input(role, facts_of(bump(500.0, 2.0), level, crest_db))
    plays = rng.random(100) < 0.8
    plays[0] = True
    compressor, reason = decide_compressor(one, gain_db, plays, [2.0, 4.0, 6.0], [0.5, 0.9], 0.7)
    bounds = one.preset.compressor
    assert bounds is not None
    assert compressor is not None
    assert 1.0 <= compressor.ratio <= bounds.ratio_max.value
    assert 0.0 <= compressor.knee_db <= 12.0
    assert (compressor.attack_s, compressor.release_s) == (bounds.attack_s.value, bounds.release_s.value)
    assert compressor.max_reduction_db == bounds.max_reduction_db.value
    peaks_db = powers_db(one.facts.slots.peaks[plays].astype(np.float64) ** 2) + gain_db
    mean_db = -float(compressor_gain_db(peaks_db, compressor.threshold_db, compressor.ratio, compressor.knee_db).mean())
    # The threshold is rounded to a tenth of a decibel, and so is what it takes at most.
    assert mean_db <= bounds.mean_reduction_db.value + 0.05
    assert "dB" in reason.because


def test_who_plays_nothing_is_not_compressed() -> None:
    one = an_input("kick", facts_of(bump(60.0, 0.7), HITS))
    assert decide_compressor(one, 0.0, np.zeros(100, np.bool_), [2.0], [0.5], 0.5)[0] is None
    playback = an_input("playback", facts_of(bump(60.0, 0.7), HITS))
    assert decide_compressor(playback, 0.0, np.ones(100, np.bool_), [2.0], [0.5], 0.5)[0] is None
