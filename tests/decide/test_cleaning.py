"""Which microphones are cleaned of bleed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decide.made import STEADY, an_input, bump, facts_of
from morningmix.decide.cleaning import decide_cleaning, stretch_around
from morningmix.model.input import Input


def played(role: str, index: int, **wish: object) -> Input:
    return an_input(role, facts_of(bump(400.0, 1.0), STEADY), index, **wish)


@pytest.mark.parametrize(
    ("bleed", "targets"), [("full", ((1, True),)), ("mask", ((1, False),)), ("gate", None), ("off", None)]
)
def test_the_recipe_says_how_much_of_it(bleed: str, targets: tuple[tuple[int, bool], ...] | None) -> None:
    cleaning = decide_cleaning([played("bass", 0), played("lead vocal", 1, bleed=bleed)], {})
    assert (cleaning.targets if cleaning else None) == targets


@pytest.mark.parametrize(("bleed", "kit"), [("full", (0,)), ("mask", None), ("gate", None), ("off", None)])
def test_drums_are_cleaned_only_by_subtraction(bleed: str, kit: tuple[int, ...] | None) -> None:
    cleaning = decide_cleaning([played("snare", 0, bleed=bleed), played("bass", 1)], {})
    assert (cleaning.kit if cleaning else None) == kit


def test_drums_are_cleaned_by_all_that_is_not_the_kit_from_where_it_has_notes_of_its_own() -> None:
    inputs = [
        played(role, index)
        for index, role in enumerate(
            ("kick", "overhead", "bass", "electric guitar", "keys", "lead vocal", "playback", "room")
        )
    ]
    cleaning = decide_cleaning(inputs, {})
    assert cleaning is not None
    assert cleaning.kit == (0, 1, 7)
    assert cleaning.kit_references == ((2, 20.0), (3, 120.0), (4, 20.0), (5, 120.0), (6, 20.0))


def test_a_voice_that_is_not_cleaned_cannot_clean_the_drums_it_is_full_of() -> None:
    cleaning = decide_cleaning([played("snare", 0), played("bass", 1), played("lead vocal", 2, bleed="gate")], {})
    assert cleaning is not None
    assert cleaning.targets == ()
    assert cleaning.kit_references == ((1, 20.0),)


def test_drums_alone_have_nothing_to_be_cleaned_of() -> None:
    assert decide_cleaning([played("snare", 0), played("kick", 1)], {}) is None


def test_the_preset_says_who_is_cleaned_whether_it_is_gated_or_not() -> None:
    kick, voice, horn = played("kick", 0), played("lead vocal", 1), played("brass", 2)
    ungated = replace(voice, preset=replace(voice.preset, gate_floor_db=None))
    left_alone = replace(horn, preset=replace(horn.preset, cleaned=False))
    cleaning = decide_cleaning([kick, ungated, left_alone], {})
    assert cleaning is not None
    assert cleaning.targets == ((1, True),)
    assert cleaning.references == (0, 1, 2)


@given(start_s=st.floats(0.0, 7_000.0), length_s=st.floats(1.0, 900.0), rest_s=st.floats(0.0, 600.0))
def test_a_stretch_covers_the_song_with_a_margin_and_lies_on_the_grid(
    start_s: float, length_s: float, rest_s: float
) -> None:
    end_s = start_s + length_s
    take_s = end_s + rest_s
    first_s, last_s = stretch_around(start_s, end_s, take_s)
    assert 0.0 <= first_s <= max(0.0, start_s - 1.0)
    assert min(end_s + 1.0, take_s) <= last_s < take_s + 10.0
    assert first_s % 10.0 == last_s % 10.0 == 0.0
    assert last_s - first_s <= length_s + 22.0 + 1e-6


def test_a_boundary_that_moves_a_little_mostly_leaves_the_stretch_as_it_is() -> None:
    """Half a second on a grid of ten: nineteen times of twenty."""
    starts_s = np.arange(100.0, 300.0, 0.1)
    same = [stretch_around(at_s, 400.0, 900.0) == stretch_around(at_s + 0.5, 400.0, 900.0) for at_s in starts_s]
    assert np.mean(same) == pytest.approx(0.95, abs=0.01)
    ends_s = np.arange(400.0, 600.0, 0.1)
    same = [stretch_around(100.0, at_s, 900.0) == stretch_around(100.0, at_s + 0.5, 900.0) for at_s in ends_s]
    assert np.mean(same) == pytest.approx(0.95, abs=0.01)


def test_clipped_samples_are_redrawn_before_a_microphone_is_cleaned() -> None:
    clipped = facts_of(bump(400.0, 1.0), STEADY, clipped_runs=3, peak_dbfs=0.0)
    kick, voice, horn = an_input("kick", clipped, 0), an_input("lead vocal", clipped, 1), played("brass", 2)
    cleaning = decide_cleaning([kick, voice, horn], {})
    assert cleaning is not None
    assert [index for index, _ in cleaning.targets] == [1, 2]
    assert cleaning.kit == (0,)
    # Nothing of the horn is clipped.
    assert cleaning.repaired == ((0, 0.001), (1, 0.001))
