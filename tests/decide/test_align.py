"""Which inputs are compared in time and polarity, when one is delayed, and when its polarity is inverted."""

from __future__ import annotations

from dataclasses import replace

import pytest

from decide.made import STEADY, an_input, bump, facts_of
from morningmix.decide.align import decide_alignment, flip_margin_db, pairs_to_align
from morningmix.model.input import Input
from morningmix.model.measured import AlignmentFacts


def snare(as_it_is: float, inverted: float) -> Input:
    facts = AlignmentFacts(
        other="overhead", delay_s=0.003, correlation=as_it_is, flipped_delay_s=0.004, flipped_correlation=inverted
    )
    return replace(an_input("snare", facts_of(bump(300.0, 1.0), STEADY)), alignment=facts)


@pytest.mark.parametrize(
    ("as_it_is", "inverted", "flip", "delay_s"),
    [
        (0.9, 0.1, False, 0.003),
        (0.21, 0.0, False, 0.003),
        (0.19, 0.0, False, 0.0),
        (0.1, 0.5, False, 0.0),
        (0.3, 0.8, False, 0.003),
        (0.3, 0.9, True, 0.004),
        (-0.5, 0.45, True, 0.004),
    ],
)
def test_polarity_is_inverted_for_a_clear_gain_and_nothing_is_aligned_without_correlation(
    as_it_is: float, inverted: float, flip: bool, delay_s: float
) -> None:
    assert decide_alignment(snare(as_it_is, inverted))[:2] == (flip, delay_s)


def test_what_the_other_polarity_would_gain() -> None:
    assert flip_margin_db(snare(0.0, 1.0)) == pytest.approx(3.01, abs=0.01)
    assert flip_margin_db(snare(0.5, 0.5)) == 0.0
    assert flip_margin_db(an_input("snare", facts_of(bump(300.0, 1.0), STEADY))) is None


def test_the_switch_turns_it_off() -> None:
    one = snare(0.3, 0.9)
    assert decide_alignment(replace(one, wish=replace(one.wish, align="off")))[:2] == (False, 0.0)


def inputs(*roles: str) -> list[Input]:
    return [an_input(role, facts_of(bump(100.0, 2.0), STEADY), index) for index, role in enumerate(roles)]


def test_kick_and_snare_are_compared_with_the_first_overhead() -> None:
    assert pairs_to_align(inputs("tom", "overhead", "kick", "overhead", "snare", "lead vocal")) == [
        (2, 1, "kick", "the overhead"),
        (4, 1, "snare", "the overhead"),
    ]


def test_without_an_overhead_no_drum_is_compared() -> None:
    assert pairs_to_align(inputs("kick", "snare", "hi-hat")) == []
