"""Only a voice with a sharp S is de-essed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from decide.made import STEADY, an_input, bump, facts_of, measurements
from morningmix.decide.cymbals import cymbals_rest
from morningmix.decide.de_ess import decide_de_esser
from morningmix.laws.curves import gain_db
from morningmix.model.measured import TrackFacts
from morningmix.model.plan import Filter
from synthetic import slots_of


def with_an_s(sharp_db: float, every: int = 20) -> TrackFacts:
    """A voice at -20 dB with an S every two seconds, so much under it."""
    facts = facts_of(bump(400.0, 1.0), STEADY)
    sharp = bump(8_000.0, 0.4)
    bands = facts.slots.spectra.copy()
    sung = STEADY[::every] * 10.0 ** (sharp_db / 10.0)
    bands[:, ::every] += np.outer(sharp / sharp.sum(), sung).astype(np.float32)
    return replace(facts, slots=slots_of(bands, facts.slots.peaks))


@pytest.mark.parametrize(
    ("role", "sharp_db", "eq", "softened"),
    [
        ("lead vocal", -9.0, "auto", True),
        ("backing vocal", -9.0, "auto", True),
        ("lead vocal", -16.0, "auto", False),
        ("lead vocal", -9.0, "off", False),
        ("electric guitar", -9.0, "auto", False),
    ],
)
def test_only_a_voice_with_a_sharp_s_is_de_essed(role: str, sharp_db: float, eq: str, softened: bool) -> None:
    facts = with_an_s(sharp_db)
    one = an_input(role, facts, eq=eq)
    plays = np.ones(len(STEADY), np.bool_)
    found, reasons = decide_de_esser(one, 6.4, plays, (), measurements(facts))
    assert (found is not None) == bool(reasons) == softened
    if found is not None:
        # The mean level at the desk is -20 + 6.4 dB, and 0.03 dB more by its s; an s is held from 13 dB under it, as
        # peaks 8 dB higher.
        assert found.compressor.threshold_db == pytest.approx(-13.57 - 13.0 + 8.0, abs=0.06)
        assert (found.compressor.ratio, found.compressor.knee_db) == (3.0, 6.0)
        assert found.compressor.max_reduction_db == 4.0


@pytest.mark.parametrize(("count", "softened"), [(1, False), (2, True)])
def test_one_s_in_ten_seconds_is_not_worth_it(count: int, softened: bool) -> None:
    """The loudest hundredth of what is sung counts."""
    facts = with_an_s(-9.0, every=100 // count)
    plays = np.ones(len(STEADY), np.bool_)
    found, _ = decide_de_esser(an_input("lead vocal", facts), 0.0, plays, (), measurements(facts))
    assert (found is not None) == softened


def test_a_voice_recorded_at_a_low_rate_has_no_s_to_soften() -> None:
    facts = with_an_s(-9.0)
    plays = np.ones(len(STEADY), np.bool_)
    for rate_hz, softened in ((11_025, False), (12_500, True), (16_000, True)):
        measured = replace(measurements(facts), rate_hz=rate_hz)
        found, _ = decide_de_esser(an_input("lead vocal", facts), 0.0, plays, (), measured)
        assert (found is not None) == softened


def test_an_s_counts_only_where_the_voice_sings() -> None:
    facts = with_an_s(-9.0)
    between = np.arange(len(STEADY)) % 20 != 0
    assert decide_de_esser(an_input("lead vocal", facts), 0.0, between, (), measurements(facts)) == (None, ())
    nobody = np.zeros(len(STEADY), np.bool_)
    assert decide_de_esser(an_input("lead vocal", facts), 0.0, nobody, (), measurements(facts)) == (None, ())


def test_an_s_is_judged_after_the_filters() -> None:
    """A voice whose highs are filtered out is not dull and sharp at once."""
    facts = with_an_s(-9.0)
    plays = np.ones(len(STEADY), np.bool_)
    dull = (Filter(kind="low_pass", corner_hz=4_000.0),)
    assert decide_de_esser(an_input("lead vocal", facts), 0.0, plays, dull, measurements(facts)) == (None, ())


@pytest.mark.parametrize(("sharp_db", "softer_db"), [(-10.0, 2.0), (-9.0, 2.67), (-5.0, 4.0)])
def test_an_s_is_softened_by_two_thirds_of_what_it_is_too_sharp_and_by_four_at_most(
    sharp_db: float, softer_db: float
) -> None:
    """The limit is 13 dB under the voice; its peaks stand 8 dB over its level."""
    facts = with_an_s(sharp_db)
    plays = np.ones(len(STEADY), np.bool_)
    found, _ = decide_de_esser(an_input("lead vocal", facts), 0.0, plays, (), measurements(facts))
    assert found is not None
    curve = found.compressor
    peak_db = -20.0 + sharp_db + 8.0
    less_db = -float(gain_db(np.array([peak_db]), curve.threshold_db, curve.ratio, curve.knee_db)[0])
    assert min(less_db, curve.max_reduction_db) == pytest.approx(softer_db, abs=0.25)
    # Fast enough for a consonant, and gone before the next vowel.
    assert (curve.attack_s, curve.release_s) == (0.001, 0.06)
    assert found.corner_hz == 5_000.0


def test_cymbals_in_the_microphone_are_no_sibilants() -> None:
    """A voice without a sharp S whose microphone hears a crash every second: half of the slots are free of it."""
    facts = with_an_s(-9.0)
    crash = bump(9_000.0, 0.5)
    power = np.where(np.arange(len(STEADY)) % 20 == 0, 1e-1, 1e-4) + 1e-6 * np.arange(len(STEADY))
    cymbals = facts_of(crash, power)
    plays = np.ones(len(STEADY), np.bool_)
    rest = cymbals_rest([cymbals], plays, measurements(facts, cymbals))
    assert np.count_nonzero(rest) == len(STEADY) // 2
    assert not rest[::20].any()
    assert decide_de_esser(an_input("lead vocal", facts), 0.0, plays & rest, (), measurements(facts)) == (None, ())
