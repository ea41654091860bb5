"""Which microphones have a gate, and where it opens in a song."""

from __future__ import annotations

from pathlib import Path

import pytest

from decide.made import STEADY, an_input, bump, facts_of
from morningmix.decide.gate import decide_gate
from morningmix.files.presets import load_roles, load_target
from morningmix.model.measured import Singing
from morningmix.model.recipe import Defaults, Recipe

SUNG = Singing(open_s=((1.0, 3.0), (5.0, 9.0), (20.0, 21.0)), sings_s=((1.5, 2.5),), because="the lead stands out")
FACTS = facts_of(bump(500.0, 1.0), STEADY)


def recipe(**defaults: str) -> Recipe:
    return Recipe(path=None, tracks=Path("take"), title="", target=load_target("demo"), defaults=Defaults(**defaults))  # type: ignore[arg-type]


def test_a_gate_opens_where_the_song_is_sung() -> None:
    gate, why = decide_gate(an_input("lead vocal", FACTS), SUNG, 2.0, 8.0, recipe())
    floor = load_roles()["lead vocal"].gate_floor_db
    assert gate is not None
    assert floor is not None
    assert gate.open_s == ((0.0, 1.0), (3.0, 6.0))
    assert (gate.floor_db, gate.ramp_s) == (floor.value, 0.06)
    assert (why.because, why.source) == (SUNG.because, floor.source)


@pytest.mark.parametrize(
    ("role", "sung", "wish", "default"),
    [
        ("lead vocal", True, "off", "full"),
        ("lead vocal", True, None, "off"),
        ("lead vocal", False, None, "full"),
        ("kick", True, None, "full"),
    ],
)
def test_a_microphone_stays_open(role: str, sung: bool, wish: str | None, default: str) -> None:
    one = an_input(role, FACTS, bleed=wish)
    assert decide_gate(one, SUNG if sung else None, 0.0, 30.0, recipe(bleed=default))[0] is None


def test_an_input_that_asks_for_it_is_gated_whatever_the_others_do() -> None:
    one = an_input("lead vocal", FACTS, bleed="gate")
    assert decide_gate(one, SUNG, 0.0, 30.0, recipe(bleed="off"))[0] is not None
