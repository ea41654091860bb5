"""How loud each family becomes: the solver of gains."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from morningmix.decide.balance import FILLERS, solve_gains
from morningmix.model.plan import FAMILIES

SLOTS = 40
EVERYWHERE = np.ones(SLOTS, np.bool_)


def test_every_family_may_stay_where_it_is() -> None:
    assert sorted(FILLERS) == sorted(FAMILIES)


def level_lu(gram: NDArray[np.float64], gains_db: dict[str, float], family: str, where: NDArray[np.bool_]) -> float:
    """Loudness of one family re the mix of all at these gains, over some slots."""
    gains = 10.0 ** (np.array(list(gains_db.values())) / 20.0)
    whole = np.einsum("i,sij,j->s", gains, gram, gains)[where].mean()
    index = list(gains_db).index(family)
    return float(10.0 * np.log10(gains[index] ** 2 * gram[where, index, index].mean() / whole))


@settings(max_examples=50, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    goals=st.fixed_dictionaries(
        {"drums": st.floats(-12.0, -5.0), "bass": st.floats(-16.0, -8.0), "vocals": st.floats(-12.0, -4.0)}
    ),
    spread_db=st.floats(0.0, 20.0),
)
def test_goals_are_met_where_families_are_independent(seed: int, goals: dict[str, float], spread_db: float) -> None:
    # Shares of at most 0.32 + 0.16 + 0.40 leave something for the guitars, so a solution exists.
    rng = np.random.default_rng(seed)
    families = ("drums", "bass", "guitars", "vocals")
    gram = np.zeros((SLOTS, 4, 4))
    gram[:, range(4), range(4)] = 10.0 ** (rng.uniform(-spread_db, spread_db, 4) / 10.0) * rng.uniform(
        0.5, 2.0, (SLOTS, 4)
    )
    where = dict.fromkeys(families, EVERYWHERE)
    gains_db = solve_gains(gram, families, {**goals, "guitars": None}, where)
    assert list(gains_db) == list(families)
    assert gains_db["guitars"] == 0.0
    for family, goal in goals.items():
        assert level_lu(gram, gains_db, family, EVERYWHERE) == pytest.approx(goal, abs=0.05)


@settings(max_examples=50, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), correlation=st.floats(0.0, 0.5))
def test_goals_are_met_with_cross_terms_and_where_each_family_plays(seed: int, correlation: float) -> None:
    rng = np.random.default_rng(seed)
    families = ("drums", "guitars", "vocals")
    mixing = np.eye(3) + correlation * rng.uniform(-1.0, 1.0, (3, 3))
    sound = mixing @ rng.standard_normal((SLOTS, 3, 64))
    gram = sound @ sound.transpose(0, 2, 1) / 64.0
    where = {"drums": EVERYWHERE, "guitars": EVERYWHERE, "vocals": np.arange(SLOTS) % 4 < 2}
    # Goals that some gains reach: those of these gains.
    wanted = dict(zip(families, (float(rng.uniform(-4.0, 4.0)), 0.0, float(rng.uniform(-4.0, 4.0))), strict=True))
    goals: dict[str, float | None] = {
        family: level_lu(gram, wanted, family, where[family]) for family in ("drums", "vocals")
    }
    # Families that cancel each other can take more than all of the power; such goals are not the solver's to meet.
    assume(sum(10.0 ** (goal / 10.0) for goal in goals.values() if goal is not None) < 0.8)
    gains_db = solve_gains(gram, families, goals, where)
    assert gains_db["guitars"] == 0.0
    for family, goal in goals.items():
        assert level_lu(gram, gains_db, family, where[family]) == pytest.approx(goal, abs=0.05)


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    most_db=st.floats(0.5, 6.0),
    goals=st.lists(st.one_of(st.none(), st.floats(-30.0, 5.0)), min_size=4, max_size=4),
)
def test_gains_stay_in_their_limits_whatever_is_asked(seed: int, most_db: float, goals: list[float | None]) -> None:
    rng = np.random.default_rng(seed)
    families = ("drums", "bass", "guitars", "vocals")
    sound = rng.standard_normal((SLOTS, 4, 8)) * 10.0 ** rng.uniform(-3.0, 1.0, (1, 4, 1))
    gram = sound @ sound.transpose(0, 2, 1)
    gains_db = solve_gains(
        gram, families, dict(zip(families, goals, strict=True)), dict.fromkeys(families, EVERYWHERE), most_db
    )
    assert all(abs(gain) <= most_db + 0.005 for gain in gains_db.values())
    assert all(gains_db[family] == 0.0 for family, goal in zip(families, goals, strict=True) if goal is None)
    assert 0.0 in gains_db.values()


def test_a_goal_out_of_reach_ends_at_the_limit() -> None:
    gram = np.tile(np.diag([1.0, 1.0]), (SLOTS, 1, 1))
    where = dict.fromkeys(("guitars", "vocals"), EVERYWHERE)
    assert solve_gains(gram, ("guitars", "vocals"), {"vocals": -40.0}, where, 3.0) == {"guitars": 0.0, "vocals": -3.0}


@pytest.mark.parametrize("silent", ["drums", "vocals", "guitars"])
def test_silence_is_left_alone(silent: str) -> None:
    families = ("drums", "guitars", "vocals")
    gram = np.tile(np.diag([0.0 if family == silent else 1.0 for family in families]), (SLOTS, 1, 1))
    gains_db = solve_gains(gram, families, {"drums": -6.0, "vocals": -6.0}, dict.fromkeys(families, EVERYWHERE), 12.0)
    assert gains_db[silent] == 0.0
    assert all(np.isfinite(gain) for gain in gains_db.values())


def test_all_silent_and_none_at_all() -> None:
    families = ("drums", "vocals")
    where = dict.fromkeys(families, EVERYWHERE)
    assert solve_gains(np.zeros((SLOTS, 2, 2)), families, {"vocals": -6.0}, where) == {"drums": 0.0, "vocals": 0.0}
    assert solve_gains(np.zeros((SLOTS, 0, 0)), (), {}, {}) == {}


def test_a_family_that_hardly_plays_has_no_goal() -> None:
    gram = np.tile(np.eye(2), (SLOTS, 1, 1))
    families = ("guitars", "vocals")
    for slots, moved in ((9, False), (10, True)):
        where = {"guitars": EVERYWHERE, "vocals": np.arange(SLOTS) < slots}
        assert (solve_gains(gram, families, {"vocals": -9.0}, where)["vocals"] != 0.0) == moved


def test_where_everybody_has_a_goal_one_stays() -> None:
    families = ("drums", "bass", "vocals")
    gram = np.tile(np.eye(3), (SLOTS, 1, 1))
    goals: dict[str, float | None] = {"drums": -6.0, "bass": -9.0, "vocals": -4.0}
    gains_db = solve_gains(gram, families, goals, dict.fromkeys(families, EVERYWHERE))
    stays = next(family for family in FILLERS if family in families)
    assert gains_db[stays] == 0.0
    for family in set(families) - {stays}:
        assert level_lu(gram, gains_db, family, EVERYWHERE) == pytest.approx(goals[family], abs=0.05)


def test_goals_are_met_at_any_common_level() -> None:
    families = ("guitars", "vocals")
    where = dict.fromkeys(families, EVERYWHERE)
    loud = np.tile(np.diag([0.5, 0.1]), (SLOTS, 1, 1))
    gains_db = solve_gains(loud, families, {"vocals": -4.0}, where)
    assert level_lu(loud, gains_db, "vocals", EVERYWHERE) == pytest.approx(-4.0, abs=0.05)
    assert solve_gains(1e-5 * loud, families, {"vocals": -4.0}, where) == gains_db


def test_a_quiet_rehearsal_is_balanced_as_a_loud_one() -> None:
    families = ("guitars", "vocals")
    loud = np.tile(np.diag([1e-2, 1e-3]), (SLOTS, 1, 1))
    where = dict.fromkeys(families, EVERYWHERE)
    goals = {"guitars": None, "vocals": -4.0}
    gains_db = solve_gains(loud, families, goals, where)
    assert level_lu(loud, gains_db, "vocals", EVERYWHERE) == pytest.approx(-4.0, abs=0.05)
    assert solve_gains(1e-7 * loud, families, goals, where) == gains_db
