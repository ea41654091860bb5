"""Which microphones are cleaned of bleed."""

from __future__ import annotations

from dataclasses import replace

import pytest

from decide.made import STEADY, an_input, bump, facts_of
from morningmix.decide.cleaning import decide_cleaning
from morningmix.model.input import Input


def played(role: str, index: int, **wish: object) -> Input:
    return an_input(role, facts_of(bump(400.0, 1.0), STEADY), index, **wish)


@pytest.mark.parametrize(
    ("bleed", "targets"), [("full", ((1, True),)), ("mask", ((1, False),)), ("gate", None), ("off", None)]
)
def test_the_recipe_says_how_much_of_it(bleed: str, targets: tuple[tuple[int, bool], ...] | None) -> None:
    cleaning = decide_cleaning([played("kick", 0), played("lead vocal", 1, bleed=bleed)], {})
    assert (cleaning.targets if cleaning else None) == targets


def test_the_preset_says_who_is_cleaned_whether_it_is_gated_or_not() -> None:
    kick, voice, horn = played("kick", 0), played("lead vocal", 1), played("brass", 2)
    ungated = replace(voice, preset=replace(voice.preset, gate_floor_db=None))
    left_alone = replace(horn, preset=replace(horn.preset, cleaned=False))
    cleaning = decide_cleaning([kick, ungated, left_alone], {})
    assert cleaning is not None
    assert cleaning.targets == ((1, True),)
    assert cleaning.references == (0, 1, 2)
