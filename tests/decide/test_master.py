"""Trims, gain and drum peaks of the sum."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from morningmix.decide.master import (
    decide_master,
    decide_trims,
    mix_loudness,
    reachable_lufs,
)
from morningmix.laws.loudness import OFFSET_DB
from morningmix.model.measured import SumFacts
from morningmix.model.plan import Goal, MasterPlan, SongPlan, Trims


@pytest.mark.parametrize("seed", range(6))
def test_a_millionth_decides_nothing_about_the_sum(seed: int) -> None:
    rng = np.random.default_rng(seed)
    names = ("drums", "guitars", "vocals")
    plan = a_song(goal("drums", -7.5), goal("guitars", None), goal("vocals", -4.0))
    gram = gram_of(-21.0, -20.0, -22.7) * rng.uniform(0.5, 1.5, (100, 1, 1))
    peaks_db = rng.normal(-20.0, 4.0, 10_000).astype(np.float32)
    powers = rng.exponential(0.02, 10_000).astype(np.float32)

    def master(off: float) -> MasterPlan:
        def near(array: NDArray[Any]) -> NDArray[Any]:
            return array * (1.0 + off * np.random.default_rng(1).uniform(-1.0, 1.0, array.shape)).astype(array.dtype)

        trims = decide_trims(plan, names, near(gram), near(peaks_db))
        facts = SumFacts(step_s=0.001, steps_per_hop=100, sidechain_db=near(peaks_db) + 17, powers=near(powers))
        return decide_master(plan, trims, facts, min(plan.target_lufs, reachable_lufs(plan, trims, facts)))

    assert master(1e-6) == master(0.0)


def a_song(*goals: Goal, **changes: object) -> SongPlan:
    plan = SongPlan(
        title="S",
        start_s=0.0,
        end_s=10.0,
        rate_hz=48_000,
        tracks=(),
        reverb=None,
        target_lufs=-16.0,
        ceiling_dbtp=-1.0,
        max_limiting_db=3.0,
        goals=goals,
    )
    return replace(plan, **changes)  # type: ignore[arg-type]


def goal(family: str, level_lu: float | None, wishes_db: float = 0.0) -> Goal:
    return Goal(family=family, level_lu=level_lu, where_s=((0.0, 10.0),), wishes_db=wishes_db, because="b", source="s")


def gram_of(*levels_db: float) -> NDArray[np.float64]:
    return np.tile(np.diag(10.0 ** (np.array(levels_db) / 10.0)), (100, 1, 1))


def test_trims_reach_goals_within_three_decibels() -> None:
    # The vocals are 6 dB under the guitars: 20 % of the power, and -4 LU is 40 %.
    plan = a_song(goal("guitars", None), goal("vocals", -4.0))
    trims = decide_trims(plan, ("guitars", "vocals"), gram_of(-20.0, -21.0), None)
    got = dict(trims.trims_db)
    assert got["guitars"] == 0.0
    power = 10.0 ** ((got["vocals"] - 21.0) / 10.0)
    assert 10.0 * np.log10(power / (power + 1e-2)) == pytest.approx(-4.0, abs=0.05)
    far = decide_trims(plan, ("guitars", "vocals"), gram_of(-20.0, -40.0), None)
    assert dict(far.trims_db)["vocals"] == 3.0
    assert any("is the most" in reason.because for reason in far.reasons)


def test_a_trim_is_judged_where_the_goal_says() -> None:
    """In the first five seconds of ten the vocals are as loud as they should be; later they are far louder."""
    first = replace(goal("vocals", -4.0), where_s=((0.0, 5.0),))
    power = 10.0**-0.4 / (1.0 - 10.0**-0.4)
    gram = gram_of(0.0, 10.0 * float(np.log10(power)))
    gram[50:, 1, 1] *= 10.0
    trims = decide_trims(a_song(goal("guitars", None), first), ("guitars", "vocals"), gram, None)
    assert dict(trims.trims_db)["vocals"] == pytest.approx(0.0, abs=0.02)


def test_a_trim_never_undoes_a_wish() -> None:
    names = ("guitars", "vocals")
    plain = decide_trims(a_song(goal("guitars", None), goal("vocals", -4.0)), names, gram_of(-20.0, -21.0), None)
    turned = decide_trims(
        a_song(goal("guitars", None), goal("vocals", -4.0, wishes_db=5.0)), names, gram_of(-20.0, -16.0), None
    )
    assert turned.trims_db == plain.trims_db
    assert [reason.because.endswith("; plus +5.0 dB that you asked for") for reason in turned.reasons] == [True]
    assert "recipe" not in plain.reasons[0].because


def test_the_gain_before_limiting_is_what_is_missing() -> None:
    plan = a_song(goal("guitars", None), goal("vocals", -4.0))
    gram = gram_of(-30.0, -31.0)
    trims = decide_trims(plan, ("guitars", "vocals"), gram, None)
    gains = 10.0 ** (np.array([gain for _, gain in trims.trims_db]) / 20.0)
    loudness = mix_loudness(gram, gains)
    assert loudness is not None
    assert trims.gain_db == pytest.approx(-16.0 - loudness, abs=0.0051)
    assert mix_loudness(gram[:3], gains) is None


@pytest.mark.parametrize(("highest_db", "usual_db", "held_db"), [(-1.0, -20.0, -4.0), (-1.0, -2.0, -2.0)])
def test_only_the_highest_drum_peaks_are_held(highest_db: float, usual_db: float, held_db: float) -> None:
    """By at most 3 dB."""
    peaks = np.full(1000, usual_db, np.float32)
    peaks[500] = highest_db
    plan = a_song(goal("drums", None))
    assert decide_trims(plan, ("drums",), gram_of(-20.0), peaks).drum_peak_dbfs == pytest.approx(held_db, abs=0.01)
    silent = decide_trims(plan, ("drums",), gram_of(-20.0), np.full(1000, -120.0, np.float32))
    assert silent.drum_peak_dbfs is None
    assert decide_trims(plan, ("drums",), gram_of(-20.0), None).drum_peak_dbfs is None
    assert (silent.drum_lookahead_s, silent.drum_release_s) == (0.002, 0.06)


def even_sum(key_db: float) -> SumFacts:
    """Ten seconds at -20.69 LUFS whose peaks all lie at one level."""
    peaks, powers = np.full(10_000, key_db, np.float32), np.full(10_000, 0.01, np.float32)
    return SumFacts(step_s=0.001, steps_per_hop=100, sidechain_db=peaks, powers=powers)


def test_the_master_brings_the_sum_to_its_target_under_its_ceiling() -> None:
    plan = a_song()
    trims = decide_trims(plan, (), np.zeros((100, 0, 0)), None)
    master = decide_master(plan, trims, even_sum(-30.0), -18.0)
    assert master.gain_db == pytest.approx(20.69 - 18.0, abs=0.011)
    assert master.ceiling_dbfs == pytest.approx(plan.ceiling_dbtp - 0.2)
    assert (master.lookahead_s, master.release_s, master.target_lufs) == (0.003, 0.12, -18.0)
    assert reachable_lufs(plan, trims, even_sum(-30.0)) == plan.target_lufs


def test_where_every_peak_meets_the_ceiling_the_target_is_the_highest_that_can_be_reached() -> None:
    """Peaks 8 dB over the loudness in LUFS: the ceiling less 8 dB, rounded down to a tenth."""
    plan = replace(a_song(), target_lufs=-7.0, ceiling_dbtp=-1.0)
    trims = replace(decide_trims(plan, (), np.zeros((100, 0, 0)), None), gain_db=13.7)
    assert reachable_lufs(plan, trims, even_sum(-12.691)) == pytest.approx(-9.2)


def test_silence_has_a_master_too() -> None:
    trims = decide_trims(a_song(), (), np.zeros((100, 0, 0)), None)
    assert trims.gain_db == 0.0
    facts = SumFacts(
        step_s=0.001,
        steps_per_hop=100,
        sidechain_db=np.full(10_000, -120.0, np.float32),
        powers=np.zeros(10_000, np.float32),
    )
    master = decide_master(a_song(), trims, facts, -16.0)
    assert np.isfinite(master.gain_db)
    assert isinstance(master.trims, Trims)


def sum_of(powers: NDArray[np.float64], peaks_db: float = -30.0) -> SumFacts:
    """A sum with these powers, one each 0.1 s, spread evenly over its steps of 1 ms."""
    steps = np.repeat(powers, 100).astype(np.float32)
    return SumFacts(
        step_s=0.001, steps_per_hop=100, sidechain_db=np.full(len(steps), peaks_db, np.float32), powers=steps
    )


def no_trims(gain_db: float = 0.0) -> Trims:
    return Trims(trims_db=(), drum_peak_dbfs=None, drum_lookahead_s=0.002, drum_release_s=0.06, gain_db=gain_db)


def test_a_gain_brings_the_loud_part_of_a_song_to_the_target() -> None:
    """BS.1770-5: what is more than 10 LU under the rest does not count. Ten seconds are loud, ten 20 dB softer."""
    loud_lufs = OFFSET_DB + 10.0 * np.log10(1e-3)
    halves = np.repeat([1e-3, 1e-5], 100)
    for powers in (halves, halves[::-1]):
        master = decide_master(a_song(), no_trims(-16.0 - loud_lufs), sum_of(powers), -16.0)
        # Three of the hundred blocks lie across the change.
        assert master.gain_db == pytest.approx(-16.0 - loud_lufs, abs=0.1)
    # Five dB softer counts: the mean of 1 and 0.316 is 1.8 dB under the louder.
    both = decide_master(a_song(), no_trims(), sum_of(np.repeat([1e-3, 1e-3 / 10.0**0.5], 100)), -16.0)
    assert both.gain_db == pytest.approx(-16.0 - loud_lufs + 1.82, abs=0.05)


def test_a_song_that_aims_lower_is_mixed_as_much_softer() -> None:
    loud = sum_of(np.full(100, 1e-3))
    first, lower = (decide_master(a_song(), no_trims(), loud, target) for target in (-16.0, -19.5))
    assert first.gain_db - lower.gain_db == pytest.approx(3.5, abs=0.01)
    assert (first.target_lufs, lower.target_lufs) == (-16.0, -19.5)
    assert first.ceiling_dbfs == pytest.approx(-1.2)
    assert [reason.what for reason in lower.reasons if reason.what == "target_lufs"] == ["target_lufs"]
    assert not [reason for reason in first.reasons if reason.what == "target_lufs"]


def test_what_the_limiter_takes_is_made_up_for_and_told() -> None:
    """A hit every half second, 10 dB over everything else."""
    quiet = decide_master(a_song(), no_trims(), sum_of(np.full(100, 1e-3), -30.0), -16.0)
    assert "no peaks" in quiet.reasons[-1].because
    facts = sum_of(np.full(100, 1e-3), -20.0)
    hits = facts.sidechain_db.copy()
    hits[::500] = -10.0
    # A long rest before the song does not make the limiter's work look small.
    hits[:6_000] = -90.0
    squeezed = decide_master(a_song(), no_trims(), replace(facts, sidechain_db=hits), -16.0)
    # Each hit costs some loudness, which the gain gives back.
    assert squeezed.gain_db > quiet.gain_db + 0.3
    over_db = -10.0 + squeezed.gain_db + 1.2
    (took_db,) = re.findall(r"limiting takes (\d+\.\d) dB", squeezed.reasons[-1].because)
    assert over_db > 5.0
    assert float(took_db) == pytest.approx(over_db, abs=0.5)


def test_less_than_four_tenths_of_a_second_has_no_loudness() -> None:
    """A block of BS.1770 is 0.4 s long."""
    assert mix_loudness(np.full((3, 1, 1), 1e-3), np.ones(1)) is None
    assert mix_loudness(np.full((4, 1, 1), 1e-3), np.ones(1)) == pytest.approx(OFFSET_DB - 30.0, abs=1e-6)
    short = decide_master(a_song(), no_trims(2.5), sum_of(np.full(3, 1e-3)), -16.0)
    assert short.gain_db == 2.5
