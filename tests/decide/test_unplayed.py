"""Which instruments nobody played."""

from __future__ import annotations

import numpy as np

from decide.made import an_input, bump, facts_of
from morningmix.decide.unplayed import unplayed
from morningmix.model.input import Input

RNG = np.random.default_rng(3)
RIFF, HITS = 10.0 ** RNG.uniform(-4.0, -1.0, (2, 300))


def heard(role: str, index: int, level: np.ndarray) -> Input:
    return an_input(role, facts_of(bump(400.0, 1.0), level), index)


def test_an_amplifier_that_nobody_played_is_left_out() -> None:
    """Its microphone holds a little of everything."""
    inputs = [
        heard("kick", 0, HITS),
        heard("electric guitar", 1, RIFF),
        heard("electric guitar", 2, 1e-3 * RIFF + 1e-2 * HITS),
    ]
    assert unplayed(inputs, {2}) == {2}
    assert unplayed(inputs, set()) == frozenset()


def test_two_recordings_of_one_instrument_explain_each_other_and_both_stay() -> None:
    inputs = [heard("bass", 0, RIFF), heard("bass", 1, 0.1 * RIFF + 1e-3 * HITS), heard("kick", 2, HITS)]
    assert unplayed(inputs, {0, 1}) == frozenset()
    assert unplayed(inputs, {1}) == frozenset()


def test_a_steady_level_says_nothing_and_the_input_stays() -> None:
    inputs = [heard("keys", 0, np.full(300, 1e-2)), heard("keys", 1, RIFF)]
    assert unplayed(inputs, {0}) == frozenset()
