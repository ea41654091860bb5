"""How large the room is and what is sent into it."""

from __future__ import annotations

import pytest

from decide.made import STEADY, an_input, bump, facts_of
from morningmix.decide.reverb import DRY_SEND_LU, decide_send, room_offset_db, with_room_db
from morningmix.files.presets import load_roles


@pytest.mark.parametrize(("sent", "offset_db"), [(10.0**-1.37, 0.0), (10.0**-1.57, 2.0), (1e-4, 6.0), (1.0, -6.0)])
def test_a_room_that_would_be_too_small_or_too_large_is_moved(sent: float, offset_db: float) -> None:
    assert room_offset_db(sent, 1.0) == pytest.approx(offset_db, abs=0.06)
    assert room_offset_db(0.0, 1.0) == 0.0
    assert room_offset_db(1.0, 0.0) == 0.0
    # Only what is sent against the dry whole counts.
    assert room_offset_db(10.0 * sent, 10.0) == pytest.approx(offset_db, abs=0.06)


def test_each_role_has_its_send_and_some_stay_dry() -> None:
    facts = facts_of(bump(500.0, 1.0), STEADY)
    for role, preset in load_roles().items():
        send, why = decide_send(an_input(role, facts), 1.5)
        assert send == (None if preset.send_lu is None else pytest.approx(preset.send_lu.value + 1.5))
        assert ("stays dry" in why.because) == (preset.send_lu is None)


@pytest.mark.parametrize("room_db", [-12.0, -2.25, 3.0, 12.0])
def test_a_wish_for_room_moves_the_send_by_exactly_that(room_db: float) -> None:
    facts = facts_of(bump(500.0, 1.0), STEADY)
    for role, preset in load_roles().items():
        usual, _ = decide_send(an_input(role, facts), 1.5)
        send, why = decide_send(an_input(role, facts, room_db=room_db), 1.5)
        if preset.send_lu is not None:
            assert usual is not None
            assert send == usual + room_db
            assert why.because.endswith(f"; {room_db:+g} dB from the recipe")
        elif room_db > 0.0:
            assert send == DRY_SEND_LU + 1.5 + room_db
            assert why.because.startswith(f"{room_db:+g} dB from the recipe; without that ")
            assert why.source == "recipe"
        else:
            assert send is None
            assert why.because.endswith(" stays dry, so there is no reverb to turn down")


def test_an_input_is_louder_with_its_room_than_dry() -> None:
    """What it is sent comes back 1 dB louder, K-weighted: at -1 dB both are as loud."""
    assert with_room_db(None) == 0.0
    assert with_room_db(-1.0) == pytest.approx(3.01, abs=0.01)
    assert with_room_db(-11.0) == pytest.approx(0.414, abs=0.005)


def test_a_send_is_a_number_of_tenths() -> None:
    facts = facts_of(bump(500.0, 1.0), STEADY)
    for role in ("lead vocal", "bass"):
        usual, _ = decide_send(an_input(role, facts, room_db=3.0), 1.5)
        assert decide_send(an_input(role, facts, room_db=3.0), 1.53)[0] == usual


def test_a_dry_role_becomes_as_wet_as_a_voice_at_most() -> None:
    facts = facts_of(bump(500.0, 1.0), STEADY)
    assert (
        decide_send(an_input("bass", facts, room_db=12.0), 0.0)[0] == decide_send(an_input("lead vocal", facts), 0.0)[0]
    )
