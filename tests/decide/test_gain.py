"""Gain towards the working level, bounded by the peak."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decide.made import STEADY, bump, facts_of
from morningmix.decide.gain import match_gain
from morningmix.laws.loudness import power_of


@settings(max_examples=40, deadline=None)
@given(lufs=st.floats(-60.0, -5.0), peak_dbfs=st.floats(-40.0, 0.0))
def test_gain_is_bounded_by_the_peak(lufs: float, peak_dbfs: float) -> None:
    powers = np.full(50, power_of(lufs))
    facts = facts_of(bump(500.0, 1.0), STEADY, crest_db=peak_dbfs + 20.0)
    gain, reason = match_gain(facts, powers, np.ones(50, np.bool_))
    assert gain == pytest.approx(min(-23.0 - lufs, -3.0 - peak_dbfs), abs=0.006)
    assert ("leave no room" in reason.because) == (-3.0 - peak_dbfs < -23.0 - lufs)


@pytest.mark.parametrize(("peak_dbfs", "words"), [(-6.0, "peaks 6.0 dB below"), (0.4, "peaks 0.4 dB above")])
def test_the_peaks_of_a_float_file_may_lie_above_clipping(peak_dbfs: float, words: str) -> None:
    facts = facts_of(bump(500.0, 1.0), STEADY, crest_db=peak_dbfs + 20.0)
    _, reason = match_gain(facts, np.full(50, power_of(-30.0)), np.ones(50, np.bool_))
    assert f"{words} clipping" in reason.because


def test_the_peaks_that_count_are_those_that_are_mixed() -> None:
    """A drum in a vocal microphone peaks 12 dB over the voice, and is cleaned away."""
    facts = facts_of(bump(500.0, 1.0), STEADY, crest_db=0.0, peak_dbfs=-8.0)
    gain, _ = match_gain(facts, np.full(50, power_of(-36.0)), np.ones(50, np.bool_))
    assert gain == pytest.approx(13.0, abs=0.006)


def test_nothing_played_no_gain() -> None:
    gain, reason = match_gain(facts_of(bump(500.0, 1.0), STEADY), np.full(50, 1e-2), np.zeros(50, np.bool_))
    assert gain == 0.0
    assert reason.because
