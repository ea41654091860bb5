"""Which microphones have a gate, and where it opens in a song."""

from __future__ import annotations

import pytest

from decide.made import STEADY, an_input, bump, facts_of
from morningmix.decide.gate import decide_gate
from morningmix.files.presets import load_roles
from morningmix.model.measured import Singing

SUNG = Singing(open_s=((1.0, 3.0), (5.0, 9.0), (20.0, 21.0)), sings_s=((1.5, 2.5),), because="the lead stands out")
FACTS = facts_of(bump(500.0, 1.0), STEADY)


def test_a_gate_opens_where_the_song_is_sung() -> None:
    gate, why = decide_gate(an_input("lead vocal", FACTS), SUNG, 2.0, 8.0)
    floor = load_roles()["lead vocal"].gate_floor_db
    assert gate is not None
    assert floor is not None
    assert gate.open_s == ((0.0, 1.0), (3.0, 6.0))
    assert (gate.floor_db, gate.ramp_s) == (floor.value, 0.06)
    assert (why.because, why.source) == (SUNG.because, floor.source)


@pytest.mark.parametrize(
    ("role", "sung", "bleed", "gated"),
    [
        ("lead vocal", True, "full", True),
        ("lead vocal", True, "gate", True),
        ("lead vocal", True, "off", False),
        ("lead vocal", False, "full", False),
        ("kick", True, "full", False),
    ],
)
def test_a_microphone_has_a_gate_or_stays_open(role: str, sung: bool, bleed: str, gated: bool) -> None:
    gate, _ = decide_gate(an_input(role, FACTS, bleed=bleed), SUNG if sung else None, 0.0, 30.0)
    assert (gate is not None) is gated
