"""Only feedback in microphones of voices and brass is turned down, unless the recipe says otherwise."""

from __future__ import annotations

from dataclasses import replace

import pytest

from decide.made import STEADY, an_input, bump, facts_of
from morningmix.decide.acoustic_feedback import with_feedback
from morningmix.model.measured import AcousticFeedback

TONE = AcousticFeedback(start_s=10.0, end_s=12.0, hz=900.0, rise_db=30.0)
FED_BACK = facts_of(bump(500.0, 1.0), STEADY, feedback=(TONE,))


@pytest.mark.parametrize(
    ("role", "switch", "kept"),
    [
        ("lead vocal", "auto", True),
        ("backing vocal", "auto", True),
        ("brass", "auto", True),
        ("electric guitar", "auto", False),
        ("keys", "auto", False),
        ("lead vocal", "off", False),
    ],
)
def test_feedback_is_kept_for_microphones_of_people(role: str, switch: str, kept: bool) -> None:
    (found,) = with_feedback([an_input(role, FED_BACK, feedback=switch)])
    assert found.facts.feedback == ((TONE,) if kept else ())


@pytest.mark.parametrize(
    ("start_s", "end_s", "hz", "also_in"),
    [
        (10.5, 11.0, 900.5, 1),
        (10.5, 11.0, 904.0, 0),
        (12.5, 13.0, 900.0, 0),
        (9.0, 10.5, 898.5, 1),
    ],
    ids=["the same", "another pitch", "later", "before and into it"],
)
def test_the_same_tone_in_other_inputs_is_counted(start_s: float, end_s: float, hz: float, also_in: int) -> None:
    other = replace(TONE, start_s=start_s, end_s=end_s, hz=hz)
    guitar = an_input("electric guitar", replace(FED_BACK, feedback=(other, replace(other, start_s=start_s + 0.1))), 1)
    found = with_feedback([an_input("lead vocal", FED_BACK), guitar])
    assert found[0].facts.feedback == (replace(TONE, also_in=also_in),)
    assert found[1].facts.feedback == ()
