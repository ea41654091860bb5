"""Faders within a family, and what a family is to be in the whole."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from decide.made import STEADY, an_input, bump, facts_of
from morningmix.decide.family_levels import Strip, own_level_db, set_goals, solve_families, whole_lufs, with_levels
from morningmix.files.presets import load_roles
from morningmix.laws.loudness import power_of

SLOTS = 100
ALWAYS = np.ones(SLOTS, np.bool_)
ROLES = load_roles()


def strip(
    role: str,
    lufs: float = -20.0,
    plays: NDArray[np.bool_] = ALWAYS,
    *,
    index: int = 0,
    clear: bool = True,
    gain_db: float = 0.0,
    level_db: float = 0.0,
    wish_db: float = 0.0,
) -> Strip:
    return Strip(
        input=an_input(role, facts_of(bump(500.0, 1.0), STEADY), index, level_db=wish_db),
        gain_db=gain_db,
        plays=plays,
        clear=clear,
        powers=np.where(plays, power_of(lufs), 1e-9),
        filters=(),
        dynamics_db=np.zeros(SLOTS),
        level_db=level_db,
    )


def wanted_lu(role: str) -> float:
    level = ROLES[role].level_lu
    assert level is not None
    return level.value


def stretch(start: int, stop: int) -> NDArray[np.bool_]:
    return (np.arange(SLOTS) >= start) & (np.arange(SLOTS) < stop)


def test_a_fader_brings_an_input_to_the_level_of_its_role() -> None:
    assert own_level_db(strip("lead vocal", -25.0)) == pytest.approx(wanted_lu("lead vocal") + 25.0, abs=0.01)
    assert own_level_db(strip("kick", -25.0, stretch(0, 0))) is None
    loud_too = np.where(stretch(0, 50), power_of(-25.0), power_of(-10.0))
    judged = replace(strip("lead vocal"), powers=loud_too, judged=stretch(0, 50))
    assert own_level_db(judged) == pytest.approx(wanted_lu("lead vocal") + 25.0, abs=0.01)
    bare = strip("kick", -25.0)
    bare = replace(bare, input=replace(bare.input, preset=replace(bare.input.preset, level_lu=None)))
    assert own_level_db(bare) == pytest.approx(-12.0 + 25.0, abs=0.01)


@pytest.mark.parametrize(("gain_db", "own_lufs"), [(10.0, -20.0), (2.0, -20.0), (2.0, -5.0)])
def test_a_vocal_mic_without_detectable_singing_stays_six_below_the_others(gain_db: float, own_lufs: float) -> None:
    lead = strip("lead vocal", -20.0, gain_db=8.0)
    unclear = strip("lead vocal", own_lufs, index=1, clear=False, gain_db=gain_db)
    first, second = with_levels([lead, unclear])
    lead_db = wanted_lu("lead vocal") + 20.0
    assert first.level_db == pytest.approx(lead_db, abs=0.01)
    as_the_lead_db, own_db = 8.0 + lead_db - gain_db, wanted_lu("lead vocal") - own_lufs
    assert second.level_db == pytest.approx(min(as_the_lead_db, own_db) - 6.0, abs=0.02)
    (alone,) = with_levels([unclear])
    assert alone.level_db == pytest.approx(own_db - 6.0, abs=0.02)


def test_vocals_are_judged_where_the_lead_sings_alone() -> None:
    lead, backing = strip("lead vocal", plays=stretch(0, 80)), strip("backing vocal", plays=stretch(60, 90), index=1)
    (goal,) = set_goals([lead, backing], 0.1, ROLES)
    assert (goal.where_s, goal.because) == (((0.0, 6.0),), "where the lead sings alone")
    much = strip("backing vocal", plays=stretch(40, 90), index=1)
    (goal,) = set_goals([lead, much], 0.1, ROLES)
    assert (goal.where_s, goal.because) == (((0.0, 8.0),), "where the lead sings")
    (goal,) = set_goals([lead], 0.1, ROLES)
    assert (goal.where_s, goal.because) == (((0.0, 8.0),), "where the lead sings alone")
    (goal,) = set_goals([backing], 0.1, ROLES)
    assert (goal.where_s, goal.because) == (((6.0, 9.0),), "where somebody sings")


def test_drums_are_judged_where_the_overhead_plays() -> None:
    kick, overhead = strip("kick", plays=stretch(0, 50)), strip("overhead", plays=stretch(20, 70), index=1)
    assert set_goals([kick, overhead], 0.1, ROLES)[0].where_s == ((2.0, 7.0),)
    assert set_goals([kick], 0.1, ROLES)[0].where_s == ((0.0, 5.0),)


def test_the_lead_is_as_loud_as_the_rest_in_any_line_up() -> None:
    """-3 LU re the mix is 0 dB re the accompaniment (Gerdes and Siedenburg, JASA-EL 2023, R2)."""
    for other in ("electric guitar", "acoustic guitar"):
        goals = set_goals([strip("lead vocal"), strip(other, index=1)], 0.1, ROLES)
        assert {goal.family: goal.level_lu for goal in goals} == {"vocals": -3.0, "guitars": None}


def test_what_the_recipe_adds_to_one_of_two_moves_their_family_by_less() -> None:
    guitars = [strip("electric guitar", wish_db=6.0206), strip("electric guitar", index=1)]
    assert set_goals(guitars, 0.1, ROLES)[0].wishes_db == pytest.approx(10.0 * np.log10(5.0 / 2.0), abs=0.01)
    softer = [strip("electric guitar", wish_db=6.0206), strip("electric guitar", index=1, level_db=6.0206)]
    assert set_goals(softer, 0.1, ROLES)[0].wishes_db == pytest.approx(10.0 * np.log10(8.0 / 5.0), abs=0.01)


def test_a_kit_is_louder_than_the_powers_of_its_microphones_add_up_to() -> None:
    kick, overhead, guitar = strip("kick"), strip("overhead", index=1), strip("electric guitar", index=2)
    gains_db = {"drums": 1.0, "guitars": 2.0}
    assert whole_lufs([kick, overhead], gains_db, 0.1) == pytest.approx(-20.0 + 3.01 + 1.0 + 2.5, abs=0.02)
    assert whole_lufs([kick], gains_db, 0.1) == pytest.approx(-19.0, abs=0.02)
    assert whole_lufs([guitar, strip("electric guitar", index=3)], gains_db, 0.1) == pytest.approx(-14.99, abs=0.02)
    assert whole_lufs([], {}, 0.1) is None


def test_a_family_meets_its_goal_against_the_rest() -> None:
    voice, guitar = strip("lead vocal", level_db=3.0), strip("electric guitar", index=1)
    goals = set_goals([voice, guitar], 0.1, ROLES)
    gains_db = solve_families([voice, guitar], goals)
    sung = 10.0 ** ((-20.0 + 3.0 + gains_db["vocals"]) / 10.0)
    assert 10.0 * np.log10(sung / (sung + 0.01)) == pytest.approx(wanted_lu("lead vocal"), abs=0.05)
    assert gains_db["guitars"] == 0.0


def test_an_input_that_never_plays_keeps_its_fader() -> None:
    (silent,) = with_levels([strip("kick", plays=stretch(0, 0))])
    assert silent.level_db == 0.0


@pytest.mark.parametrize(("slots", "where"), [(50, "where the lead sings alone"), (49, "where the lead sings")])
def test_five_seconds_alone_are_enough_to_judge_a_voice(slots: int, where: str) -> None:
    lead, backing = strip("lead vocal", plays=stretch(0, 80)), strip("backing vocal", plays=stretch(slots, 90), index=1)
    assert set_goals([lead, backing], 0.1, ROLES)[0].because == where


def test_close_microphones_of_a_kit_count_as_louder_when_the_kit_is_set_against_the_band() -> None:
    """2.5 dB more than their powers add up to, as soon as there is an overhead to add to."""
    guitar = strip("electric guitar", index=2)
    alone = [strip("kick"), guitar]
    kit = [strip("kick", -23.01), strip("overhead", -23.01, index=1), guitar]
    first, second = (solve_families(strips, set_goals(strips, 0.1, ROLES))["drums"] for strips in (alone, kit))
    assert second - first == pytest.approx(-2.5, abs=0.05)


def test_a_family_without_anybody_in_it_has_no_goal() -> None:
    assert [goal.family for goal in set_goals([strip("bass"), strip("kick", index=1)], 0.1, ROLES)] == ["drums", "bass"]
    assert set_goals([], 0.1, ROLES) == ()
    assert solve_families([], ()) == {}
