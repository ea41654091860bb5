"""Whoever asks for a setting is named: the recipe, or what is usual for the band, with its line."""

from __future__ import annotations

import pytest

from decide.made import STEADY, an_input, bump, facts_of, measurements, recordings
from morningmix.decide.asked import added_db, asked
from morningmix.decide.declip import decide_repair
from morningmix.decide.roles import GUESSED, identify
from morningmix.decide.take_setup import left_out
from morningmix.decide.wishes import decide_shelves, with_added
from morningmix.files.presets import load_roles
from morningmix.model.band import Usual
from morningmix.model.recipe import FamilyWish, InputWish, SongInputWish


def usual(key: str, value: float | str | bool, whose: str = "this input", line: int = 12) -> Usual:
    return Usual(key=key, value=value, whose=whose, file="band.toml", line=line)


def test_what_the_recipe_sets_is_the_recipes() -> None:
    reason = asked(InputWish(files=("a.wav",), pan=0.5), "pan").reason("pan")
    assert (reason.because, reason.source, reason.place) == ("as the recipe says", "recipe", None)
    assert reason.in_full == "as the recipe says"
    assert asked(InputWish(files=("a.wav",)), "mute", "muted").says == "muted in the recipe"


def test_what_is_usual_has_its_line() -> None:
    wish = InputWish(files=("a.wav",), pan=0.5, mute=True, usual=(usual("pan", 0.5), usual("mute", True, line=3)))
    reason = asked(wish, "pan").reason("pan")
    assert (reason.source, reason.in_full) == ("band.toml", "usual for this input (band.toml, line 12)")
    assert asked(wish, "mute", "muted").reason("mute").in_full == "muted, usual for this input (band.toml, line 3)"
    assert asked(wish, "flip").place is None
    assert reason == asked(InputWish(files=("a.wav",), usual=(usual("pan", 0.5, line=99),)), "pan").reason("pan")


@pytest.mark.parametrize(
    ("level_db", "known", "says", "source", "place"),
    [
        (0.0, [], "", "recipe", None),
        (1.5, [], "+1.5 dB from the recipe", "recipe", None),
        (2.0, [usual("level_db", 2.0)], "+2 dB, usual for this input", "band.toml", "band.toml, line 12"),
        (0.0, [usual("level_db", 0.0)], "", "recipe", None),
        (
            -0.9,
            [usual("level_db", 2.0), usual("level_db", -3.0, "the drums", 30), usual("low_db", 9.0)],
            "+0.1 dB from the recipe; +2 dB, usual for this input; -3 dB, usual for the drums",
            "recipe",
            "band.toml, lines 12 and 30",
        ),
    ],
)
def test_what_adds_up_is_said_part_by_part(
    level_db: float, known: list[Usual], says: str, source: str, place: str | None
) -> None:
    found = added_db(InputWish(files=("a.wav",), level_db=level_db, usual=tuple(known)), "level_db")
    assert (found.says, found.source, found.place) == (says, source, place)


def test_what_is_usual_for_a_family_goes_with_its_inputs() -> None:
    kick = an_input("kick", facts_of(bump(60.0, 1.0), STEADY), low_db=1.0, usual=(usual("low_db", 1.0),))
    family = FamilyWish(name="drums", low_db=2.0, high_db=-1.0, usual=(usual("low_db", 2.0, "the drums", 40),))
    both = with_added(kick, [SongInputWish(name="kick 0", low_db=0.5), family])
    shelves = {reason.what: reason.in_full for reason in decide_shelves(both, 48_000)[1]}
    assert shelves == {
        "low_shelf_hz": "+0.5 dB from the recipe; +1 dB, usual for this input; +2 dB, usual for the drums "
        "(band.toml, lines 12 and 40)",
        "high_shelf_hz": "as the recipe says",
    }


def test_repair_that_is_usually_off() -> None:
    facts = facts_of(bump(60.0, 1.0), STEADY, clipped_runs=2, peak_dbfs=0.0)
    (reason,) = decide_repair(an_input("kick", facts, repair="off", usual=(usual("repair", "off"),)))[1]
    assert reason.in_full == "2 clipped runs; repair is turned off, usual for this input (band.toml, line 12)"


def test_an_input_that_is_usually_muted() -> None:
    reason = left_out(an_input("kick", facts_of(bump(60.0, 1.0), STEADY), mute=True, usual=(usual("mute", True),)), 0.1)
    assert reason is not None
    assert reason.in_full == "muted, usual for this input (band.toml, line 12)"


@pytest.mark.parametrize(("guess", "says"), [(False, "usual for this input"), (True, "nobody has confirmed it yet")])
def test_a_role_that_is_usual(guess: bool, says: str) -> None:
    wish = InputWish(files=("TRK01.wav",), role="keys", role_is_guess=guess, usual=(usual("role", "keys"),))
    facts = facts_of(bump(90.0, 1.0), STEADY, files=wish.files)
    (input_,) = identify(recordings("TRK01"), measurements(facts), {wish.files: wish}, load_roles(), lambda _: None)
    assert (input_.role, input_.role_because, input_.role_place) == ("keys", says, "band.toml, line 12")
    assert input_.role_source == (GUESSED if guess else "band.toml")
