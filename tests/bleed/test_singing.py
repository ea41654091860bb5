"""Gate decisions from the level over predicted bleed."""

from __future__ import annotations

import re
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.typing import NDArray

from morningmix.bleed.opening import HOLD_S, LOOK_AHEAD_S
from morningmix.bleed.singing import holds_own_sound, measure_cleaned_singing, measure_singing
from morningmix.laws.track_power import mask_to_spans, spans_to_mask
from morningmix.model.measured import BleedFacts, Cleaned, Spans
from morningmix.model.recording import Recording
from synthetic import slots_of

HOP_S = 0.02


def facts(over_bleed_db: NDArray[np.float32], of_instruments_db: NDArray[np.float32] | None = None) -> BleedFacts:
    return BleedFacts(
        hop_s=HOP_S,
        over_bleed_db=over_bleed_db.astype(np.float32),
        over_instrument_bleed_db=(over_bleed_db if of_instruments_db is None else of_instruments_db).astype(np.float32),
    )


def noise_floor(hops: int, seed: int = 1, spread_db: float = 0.4) -> NDArray[np.float32]:
    """Level over bleed of an unused microphone: about 0 dB with some spread."""
    return (spread_db * np.random.default_rng(seed).standard_normal(hops)).astype(np.float32)


def with_lines(
    over_bleed_db: NDArray[np.float32], lines: list[tuple[int, int]], above_db: float
) -> NDArray[np.float32]:
    sung = over_bleed_db.copy()
    for start, stop in lines:
        sung[start:stop] += above_db
    return sung


def assert_in_order(spans: Spans, length_s: float) -> None:
    assert all(0.0 <= start < end <= length_s + 1e-6 for start, end in spans)
    assert all(end < start for (_, end), (start, _) in pairwise(spans))


LINES = [(200, 300), (500, 520), (700, 900)]


def test_the_gate_opens_early_and_closes_late() -> None:
    singing = measure_singing(facts(with_lines(noise_floor(1000), LINES, 8.0)))
    assert singing is not None
    # Every line is clearly above the noise floor, so both edges are known to the hop.
    expected = tuple((start * HOP_S - LOOK_AHEAD_S, stop * HOP_S + HOLD_S) for start, stop in LINES)
    np.testing.assert_allclose(singing.open_s, expected, atol=1e-6)
    assert re.match(r"open \d+ % of the time, ", singing.because)


@pytest.mark.parametrize("above_db", [2.5, 4.0, 8.0, 14.0])
def test_quiet_and_loud_singers_open_the_gate(above_db: float) -> None:
    singing = measure_singing(facts(with_lines(noise_floor(1000), LINES, above_db)))
    assert singing is not None
    sung = spans_to_mask(tuple((a * HOP_S, b * HOP_S) for a, b in LINES), 1000, HOP_S)
    opened = spans_to_mask(singing.open_s, 1000, HOP_S)
    assert opened[sung].mean() == 1.0
    assert opened[~sung].mean() < 0.2
    # Singing only counts where the gate is open or next to it.
    sings = spans_to_mask(singing.sings_s, 1000, HOP_S)
    assert sings[sung].mean() > 0.95
    assert sings[~sung].mean() < 0.2


def test_a_dip_within_a_line_does_not_close_it() -> None:
    level_db = with_lines(noise_floor(1000), [(200, 400)], 8.0)
    level_db[300:303] = 0.0
    singing = measure_singing(facts(level_db))
    assert singing is not None
    assert singing.open_s[0] == (200 * HOP_S - LOOK_AHEAD_S, 400 * HOP_S + HOLD_S)


def test_the_instruments_decide_where_all_inputs_explain_everything() -> None:
    singing = measure_singing(facts(np.full(1000, -3.0, np.float32), with_lines(noise_floor(1000), LINES, 6.0)))
    assert singing is not None
    assert "the instruments" in singing.because
    assert len(singing.open_s) == len(LINES)


def test_the_gate_stays_open_if_in_doubt() -> None:
    assert measure_singing(None) is None
    assert measure_singing(facts(noise_floor(9))) is None
    # Constant level: no noise-floor mode with a tail, so the gate stays open.
    assert measure_singing(facts(np.zeros(1000, np.float32))) is None


@settings(max_examples=150, deadline=None)
@given(
    level_db=arrays(
        np.float32,
        st.integers(0, 400),
        elements=st.one_of(st.floats(-3.0, 15.0, width=32), st.floats(-1000.0, 1000.0, width=32)),
        fill=st.floats(-3.0, 15.0, width=32),
    ),
    of_instruments_db=st.floats(-3.0, 15.0, width=32),
)
def test_any_level_over_bleed_gives_valid_stretches(level_db: NDArray[np.float32], of_instruments_db: float) -> None:
    level_db.flags.writeable = False
    singing = measure_singing(facts(level_db, np.full(len(level_db), of_instruments_db)))
    if singing is not None:
        length_s = len(level_db) * HOP_S
        assert_in_order(singing.open_s, length_s)
        assert_in_order(singing.sings_s, length_s)
        assert measure_singing(facts(level_db, np.full(len(level_db), of_instruments_db))) == singing


@settings(max_examples=50, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), shift_db=st.floats(-1.5, 4.0), above_db=st.floats(3.0, 8.0))
def test_thresholds_follow_the_track(seed: int, shift_db: float, above_db: float) -> None:
    # The same level with an offset opens in the same places, up to the width of a histogram bin.
    plain = with_lines(noise_floor(1000, seed), LINES, above_db)
    one = measure_singing(facts(plain))
    other = measure_singing(facts(plain + np.float32(round(shift_db, 1))))
    assert one is not None
    assert other is not None
    differing = spans_to_mask(one.open_s, 1000, HOP_S) != spans_to_mask(other.open_s, 1000, HOP_S)
    assert differing.mean() < 0.15


@settings(max_examples=60, deadline=None)
@given(mask=arrays(np.bool_, st.integers(0, 200)), step_s=st.sampled_from([0.02, 0.1, 0.5]))
def test_spans_and_masks_are_inverse(mask: NDArray[np.bool_], step_s: float) -> None:
    spans = mask_to_spans(mask, step_s)
    np.testing.assert_array_equal(spans_to_mask(spans, len(mask), step_s), mask)
    assert_in_order(spans, len(mask) * step_s)


# ---------------------------------------------------------------- cleaned microphones


def cleaned(clear_db: NDArray[np.float32]) -> Cleaned:
    return Cleaned(
        sounds=(((0.0, 40.0), Recording(lanes=())),),
        subtracted=True,
        bleed_sources=(),
        slots=slots_of(np.zeros((0, 0), np.float32), np.zeros(0, np.float32)),
        hop_s=HOP_S,
        clear_db=clear_db.astype(np.float32),
    )


@pytest.mark.parametrize("above_db", [0.6, 2.0, 6.0])
@pytest.mark.parametrize("hops", [60, 1200])
def test_a_cleaned_microphone_opens_for_a_voice(above_db: float, hops: int) -> None:
    """A loud or quiet voice, in one line or half of the time."""
    rest = np.random.default_rng(2).exponential(0.01, 2000)
    sung = rest.copy()
    sung[300 : 300 + hops] += above_db
    heard = measure_cleaned_singing(cleaned(sung))
    assert heard is not None
    expected = (300 * HOP_S - LOOK_AHEAD_S, (300 + hops) * HOP_S + HOLD_S)
    np.testing.assert_allclose(heard.open_s, [expected], atol=1e-6)


def test_a_cleaned_microphone_stays_closed_without_a_voice() -> None:
    nobody = measure_cleaned_singing(cleaned(np.random.default_rng(2).exponential(0.01, 2000)))
    assert nobody is not None
    assert nobody.open_s == ()


def test_a_voice_sings_where_it_is_clear_and_not_where_the_gate_waits_for_it() -> None:
    """Soft ends of a line count, a twenty-fourth of the reach and more; the gate is open longer."""
    clear_db = np.zeros(2_000)
    clear_db[300:360] = 5.0
    clear_db[360:380] = 0.9
    clear_db[380:390] = 0.2
    heard = measure_cleaned_singing(cleaned(clear_db))
    assert heard is not None
    np.testing.assert_allclose(heard.sings_s, [(300 * HOP_S, 380 * HOP_S)], atol=1e-6)
    np.testing.assert_allclose(heard.open_s, [(295 * HOP_S, 388 * HOP_S)], atol=1e-6)


def test_an_instrument_that_stays_over_the_bleed_for_a_moment_was_played() -> None:
    """0.3 s over 2 dB; bleed alone rises that far for a hop or two."""
    only_bleed = noise_floor(2_000, spread_db=0.5)
    only_bleed[400:414] = 2.5
    assert not holds_own_sound(facts(only_bleed))
    played = only_bleed.copy()
    played[900:915] = 2.5
    assert holds_own_sound(facts(played))
    # Too little to tell by, or nothing to predict from: it stays.
    assert holds_own_sound(facts(only_bleed[:900]))
    assert holds_own_sound(None)


def test_what_sings_before_cleaning_stands_two_spreads_over_the_noise_floor() -> None:
    level_db = with_lines(noise_floor(1000, spread_db=0.4), [(200, 400)], 8.0)
    level_db[600:660] = 0.4
    level_db[700:760] = 1.6
    heard = measure_singing(facts(level_db))
    assert heard is not None
    sings = spans_to_mask(heard.sings_s, 1000, HOP_S)
    assert sings[200:400].all()
    assert not sings[605:655].any()
    assert sings[705:755].all()
