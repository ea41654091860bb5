"""Compressors keep to their bounds."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from decide.made import HITS, STEADY, an_input, bump, facts_of, measurements
from morningmix.decide.compress import crest_factor, decide_compressor, low_share
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
@example(role="acoustic guitar", seed=0, crest_db=25.0, gain_db=28.75, spread_db=12.0)
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


def test_a_silent_input_is_not_compressed() -> None:
    one = an_input("kick", facts_of(bump(60.0, 0.7), HITS))
    assert decide_compressor(one, 0.0, np.zeros(100, np.bool_), [2.0], [0.5], 0.5)[0] is None
    playback = an_input("playback", facts_of(bump(60.0, 0.7), HITS))
    assert decide_compressor(playback, 0.0, np.ones(100, np.bool_), [2.0], [0.5], 0.5)[0] is None


def test_crest_and_low_share_are_those_of_the_sound() -> None:
    facts = facts_of(bump(300.0, 0.5) + bump(3_000.0, 0.5), HITS, crest_db=12.0)
    one = an_input("snare", facts)
    assert crest_factor(one, HITS > 1e-3) == pytest.approx(10.0 ** (12.0 / 20.0), rel=1e-3)
    assert crest_factor(one, np.zeros(100, np.bool_)) == 1.0
    assert low_share(one, measurements(facts)) == pytest.approx(0.5, abs=0.02)
    low = facts_of(bump(100.0, 0.3), STEADY)
    assert low_share(an_input("bass", low), measurements(low)) == pytest.approx(1.0)
    assert low_share(an_input("bass", facts_of(bump(100.0, 0.3), 0.0 * STEADY)), measurements(low)) == 0.0


def test_the_formulas_give_ratio_knee_and_threshold() -> None:
    """Ma et al. 2015 by hand: a steady track as percussive as the mean (wp = 1) and as low as it (wf = 1).

    Ratio 1 + 0.54 + 0.764; threshold -11.03 + 0.44 * -14 - 4.987 = -22.18 dB at an RMS level of -14 dB, which takes
    more than the preset allows, so that it is raised until the mean reduction is just that.
    """
    one = an_input("bass", facts_of(bump(100.0, 0.5), STEADY, crest_db=9.0))
    bounds = one.preset.compressor
    assert bounds is not None
    crest = 10.0 ** (9.0 / 20.0)
    everywhere = np.ones(100, np.bool_)
    found, _ = decide_compressor(one, 6.0, everywhere, [crest - 1.0, crest + 1.0], [0.25, 0.75], 0.5)
    assert found is not None
    assert found.ratio == pytest.approx(min(2.30, bounds.ratio_max.value))
    assert found.knee_db == pytest.approx(11.1)
    peak_db = np.array([-20.0 + 6.0 + 9.0])
    taken_db = -float(compressor_gain_db(peak_db, found.threshold_db, found.ratio, found.knee_db)[0])
    assert taken_db == pytest.approx(bounds.mean_reduction_db.value, abs=0.06)
    # Soft enough, the formula's threshold stands as it is: nothing passes it.
    softly, _ = decide_compressor(one, -45.0, everywhere, [crest], [0.5], 0.5)
    assert softly is not None
    assert softly.threshold_db == pytest.approx(-11.03 + 0.44 * -65.0 - 4.987, abs=0.06)


def test_a_compressor_takes_as_much_on_average_as_its_preset_allows_wherever_the_level_is() -> None:
    """Peaks that all stand at one level need one reduction, whatever the gain."""
    facts = facts_of(bump(500.0, 2.0), STEADY, 12.0)
    plays = np.ones(100, np.bool_)
    for role in ("lead vocal", "bass"):
        one = an_input(role, facts)
        bounds = one.preset.compressor
        assert bounds is not None
        for gain_db in (-6.0, 8.0):
            compressor, reason = decide_compressor(one, gain_db, plays, [2.0, 4.0], [0.5, 0.9], 0.7)
            assert compressor is not None
            peak_db = -20.0 + 12.0 + gain_db
            less_db = -float(
                compressor_gain_db(np.array([peak_db]), compressor.threshold_db, compressor.ratio, compressor.knee_db)[
                    0
                ]
            )
            assert less_db == pytest.approx(bounds.mean_reduction_db.value, abs=0.1)
            assert f"{less_db:.1f} dB on average" in reason.because
            assert "12 dB above" in reason.because


def test_only_what_plays_counts_for_a_compressor() -> None:
    """The bleed between two lines neither raises the crest nor lowers the level."""
    loud = np.arange(100) < 40
    level = np.where(loud, 1e-2, 1e-5)
    voice = an_input("lead vocal", facts_of(bump(500.0, 2.0), level, 12.0))
    alone = an_input("lead vocal", facts_of(bump(500.0, 2.0), np.full(100, 1e-2), 12.0))
    features = ([2.0, 4.0], [0.5, 0.9], 0.7)
    sung, _ = decide_compressor(voice, 5.0, loud, *features)
    assert sung == decide_compressor(alone, 5.0, np.ones(100, np.bool_), *features)[0]


def test_a_hit_loses_at_most_4_db_however_rare_hits_are() -> None:
    """Rests between hits pull the mean down, not what a hit loses."""
    level = np.where(np.arange(100) % 10 == 0, 1e-1, 1e-4)
    taken_db = {}
    for role in ("snare", "bass"):
        one = an_input(role, facts_of(bump(500.0, 2.0), level, 12.0))
        found, _ = decide_compressor(one, 0.0, np.ones(100, np.bool_), [2.0, 4.0], [0.5, 0.9], 0.7)
        assert found is not None
        curve = (found.threshold_db, found.ratio, found.knee_db)
        taken_db[role] = -float(compressor_gain_db(np.array([2.0]), *curve)[0])
    assert taken_db["snare"] == pytest.approx(4.0, abs=0.1)
    assert taken_db["bass"] > 5.0
