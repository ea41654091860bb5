"""What the recipe asks for on top of the balance."""

from __future__ import annotations

import numpy as np
import pytest

from decide.made import CENTRES_HZ, STEADY, an_input, bump, facts_of, measurements
from morningmix.decide.family_levels import Strip
from morningmix.decide.wishes import HIGH_SHELF_HZ, LOW_SHELF_HZ, as_wished, decide_shelves, with_added
from morningmix.laws.filters import high_shelf, low_shelf, magnitude_db
from morningmix.laws.track_power import k_powers
from morningmix.model.input import Input
from morningmix.model.measured import Measurements
from morningmix.model.recipe import FamilyWish, SongInputWish

FACTS = facts_of(bump(500.0, 1.0), STEADY)


def test_settings_of_song_and_family_are_added() -> None:
    input_ = an_input("keys", FACTS, level_db=1.0, low_db=-1.0, pan=0.5)
    song = SongInputWish(name="keys", level_db=0.5, room_db=3.0, pan=0.1)
    both = with_added(input_, [song, FamilyWish(name="keys", low_db=4.0, room_db=-1.0, high_db=2.0)])
    wish = both.wish
    assert (wish.level_db, wish.low_db, wish.high_db, wish.room_db) == (1.5, 3.0, 2.0, 2.0)
    assert wish.pan == 0.5
    assert with_added(input_, []) == input_


def test_shelves_are_as_the_recipe_says() -> None:
    filters, reasons = decide_shelves(an_input("keys", FACTS, low_db=-2.0, high_db=3.5), 48_000)
    assert [(each.kind, each.corner_hz, each.gain_db) for each in filters] == [
        ("low_shelf", 200.0, -2.0),
        ("high_shelf", 4000.0, 3.5),
    ]
    assert [(why.what, why.source) for why in reasons] == [("low_shelf_hz", "recipe"), ("high_shelf_hz", "recipe")]
    assert decide_shelves(an_input("keys", FACTS), 48_000) == ((), ())


def test_a_recording_without_highs_keeps_them_and_says_so() -> None:
    filters, reasons = decide_shelves(an_input("keys", FACTS, low_db=1.0, high_db=3.5), 8_000)
    assert [each.kind for each in filters] == ["low_shelf"]
    assert reasons[1].because == "a recording at 8000 Hz has no highs that could be turned"


def a_strip(centre_hz: float, **wish: float) -> tuple[Strip, Measurements]:
    facts = facts_of(bump(centre_hz, 0.05), STEADY)
    here = measurements(facts)
    input_: Input = an_input("lead vocal", facts, **wish)
    dynamics_db = np.linspace(-3.0, 0.0, len(STEADY))
    return Strip(
        input=input_,
        gain_db=0.0,
        plays=np.ones(len(STEADY), np.bool_),
        clear=True,
        powers=k_powers(facts, here, ()) * 10.0 ** (dynamics_db / 10.0),
        filters=(),
        dynamics_db=dynamics_db,
    ), here


@pytest.mark.parametrize("centre_hz", [60.0, 200.0, 1000.0, 8000.0])
def test_shelves_change_the_level_as_far_as_the_sound_lies_there(centre_hz: float) -> None:
    nearest_hz = CENTRES_HZ[np.abs(np.log(CENTRES_HZ / centre_hz)).argmin()]
    strip, here = a_strip(nearest_hz, low_db=6.0, high_db=-4.0)
    wished = as_wished(strip, here, 0.0).wished
    assert wished is not None
    shelves = np.concatenate([low_shelf(LOW_SHELF_HZ, 6.0, 48_000), high_shelf(HIGH_SHELF_HZ, -4.0, 48_000)])
    expected_db = float(magnitude_db(shelves, nearest_hz, 48_000))
    np.testing.assert_allclose(10.0 * np.log10(wished / strip.powers), expected_db, atol=0.01)


def test_more_room_makes_an_input_louder_and_nothing_wished_leaves_it() -> None:
    strip, here = a_strip(500.0)
    np.testing.assert_array_equal(as_wished(strip, here, 2.0).wished, strip.powers)
    strip, here = a_strip(500.0, room_db=8.0)
    wished = as_wished(strip, here, 2.0).wished
    assert wished is not None
    # A voice sends -12 dB, here +2 as all do; the room returns 1 dB more.
    expected = (1.0 + 10.0**-0.1) / (1.0 + 10.0**-0.9)
    np.testing.assert_allclose(wished / strip.powers, expected, rtol=1e-9)
