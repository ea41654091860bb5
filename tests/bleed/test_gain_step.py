"""A microphone's gain that somebody changes in mid-take: found in its bleed, and made up for."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile  # noqa: TID251 - an outside writer of the files under test
from numpy.typing import NDArray

from decide.made import STEADY, bump, facts_of
from morningmix.audio.takes import find_take
from morningmix.bleed.gain_step import detect_gain_step, find_gain_step, refine_gain_step, undo_gain_step
from morningmix.bleed.subtract import Sounds, apply_gain_step
from morningmix.model.measured import BleedFacts, GainStep

HOP_S = 0.02


def over_bleed_db(step_db: float, at_s: float = 20.5, seconds: float = 40.0, seed: int = 1) -> NDArray[np.float32]:
    """Over the predicted bleed: narrow at rest, moved by a step; every third second somebody sings on top of it."""
    rng = np.random.default_rng(seed)
    times_s = np.arange(round(seconds / HOP_S)) * HOP_S
    resting = rng.normal(0.0, 0.4, len(times_s))
    sung = np.where(times_s % 3.0 < 1.0, rng.uniform(4.0, 12.0, len(times_s)), 0.0)
    start_db = 0.0 if step_db >= 0.0 else -step_db
    return np.clip(start_db + resting + sung + np.where(times_s >= at_s, step_db, 0.0), -3.0, 15.0).astype(np.float32)


def bleed_of(over_db: NDArray[np.float32]) -> BleedFacts:
    return BleedFacts(hop_s=HOP_S, over_bleed_db=over_db, over_instrument_bleed_db=over_db)


@pytest.mark.parametrize("step_db", [6.0, 3.0, -4.0])
@pytest.mark.parametrize("at_s", [13.5, 20.5, 26.0])
def test_a_gain_step_is_found_with_its_time_and_size(step_db: float, at_s: float) -> None:
    found = detect_gain_step(bleed_of(over_bleed_db(step_db, at_s)))
    assert found is not None
    assert found.at_s == pytest.approx(at_s, abs=0.3)
    assert found.step_db == pytest.approx(step_db, abs=0.3)


@pytest.mark.parametrize("step_db", [0.0, 1.5, -1.5])
def test_what_stays_or_moves_little_is_no_gain_step(step_db: float) -> None:
    assert find_gain_step(over_bleed_db(step_db), HOP_S) is None


@pytest.mark.parametrize(("lasts_s", "steps"), [(10.0, False), (25.0, True)])
def test_a_step_that_lasts_for_a_twelfth_of_a_take_or_less_is_none(lasts_s: float, steps: bool) -> None:
    level_db = over_bleed_db(6.0, at_s=150.0 - lasts_s, seconds=150.0)
    assert (find_gain_step(level_db, HOP_S) is not None) == steps


def test_a_step_too_near_an_end_or_in_too_short_a_take_says_nothing() -> None:
    assert find_gain_step(over_bleed_db(6.0, at_s=4.0, seconds=19.0), HOP_S) is None
    assert detect_gain_step(None) is None


def test_a_step_that_only_the_instruments_show_is_found() -> None:
    bleed = BleedFacts(hop_s=HOP_S, over_bleed_db=over_bleed_db(0.0), over_instrument_bleed_db=over_bleed_db(6.0))
    found = detect_gain_step(bleed)
    assert found is not None
    assert found.step_db == pytest.approx(6.0, abs=0.3)


def test_what_is_still_missing_is_added() -> None:
    first = GainStep(at_s=20.5, step_db=4.0)
    better = refine_gain_step(first, bleed_of(over_bleed_db(2.0)))
    assert better.at_s == 20.5
    assert better.step_db == pytest.approx(6.0, abs=0.3)
    assert refine_gain_step(first, None) == first


def test_levels_are_brought_back_from_the_step_on() -> None:
    facts = facts_of(bump(500.0, 1.0), STEADY)
    back = undo_gain_step(facts, GainStep(at_s=4.0, step_db=6.0), 0.1)
    np.testing.assert_allclose(back.slots.powers[:40], facts.slots.powers[:40])
    np.testing.assert_allclose(back.slots.powers[40:], facts.slots.powers[40:] * 10.0**-0.6, rtol=1e-5)
    np.testing.assert_allclose(back.slots.peaks[40:], facts.slots.peaks[40:] * 10.0**-0.3, rtol=1e-5)
    assert undo_gain_step(facts, None, 0.1) == facts


def test_the_sound_that_bleed_is_learnt_from_has_one_gain(tmp_path: Path) -> None:
    """What was recorded 6 dB louder from 0.5 s on is read as if it had not been, wherever a stretch begins."""
    rate_hz = 8_000
    even = (0.1 * np.random.default_rng(1).standard_normal((1, rate_hz))).astype(np.float32)
    stepped = even.copy()
    stepped[:, rate_hz // 2 :] *= 10.0**0.3
    soundfile.write(tmp_path / "a.wav", stepped.T, rate_hz, subtype="FLOAT")
    sounds = Sounds(
        take=find_take(tmp_path),
        first_frame=0,
        frames=rate_hz,
        gain_steps=((0, GainStep(at_s=0.5, step_db=6.0)),),
    )
    for start, stop in ((0, rate_hz), (3_000, 5_000), (6_000, 7_000)):
        np.testing.assert_allclose(sounds.read(0, start, stop), even[:, start:stop], rtol=1e-5)
    again = sounds.read(0, 3_000, 5_000)
    apply_gain_step(again, 3_000, GainStep(at_s=0.5, step_db=6.0), rate_hz, undo=False)
    np.testing.assert_allclose(again, stepped[:, 3_000:5_000], rtol=1e-5)
