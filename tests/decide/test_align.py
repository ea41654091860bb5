"""Which inputs are compared in time and polarity."""

from __future__ import annotations

from decide.made import STEADY, an_input, bump, facts_of
from morningmix.decide.align import pairs_to_align
from morningmix.model.input import Input


def inputs(*roles: str) -> list[Input]:
    return [an_input(role, facts_of(bump(100.0, 2.0), STEADY), index) for index, role in enumerate(roles)]


def test_kick_and_snare_are_compared_with_the_first_overhead() -> None:
    assert pairs_to_align(inputs("tom", "overhead", "kick", "overhead", "snare", "lead vocal")) == [
        (2, 1, "kick", "the overhead"),
        (4, 1, "snare", "the overhead"),
    ]


def test_without_an_overhead_no_drum_is_compared() -> None:
    assert pairs_to_align(inputs("kick", "snare", "hi-hat")) == []
