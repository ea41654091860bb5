"""A drum's own microphone and one further away: found late, moved, and in step afterwards."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile  # noqa: TID251 - an outside writer of the files under test
from scipy import signal

from decide.made import STEADY, an_input, bump, facts_of
from lanes import lane_here
from morningmix.audio.takes import find_take
from morningmix.decide.align import decide_alignment
from morningmix.measure.alignment import HITS, SPEAKS_HZ, align, loudest_hits, measure_alignments
from morningmix.measure.take import measure_take
from morningmix.model.input import Input
from morningmix.model.plan import TrackPlan
from morningmix.model.recording import Recording
from morningmix.render.strip import open_strip
from morningmix.units import Block

RATE_HZ, SECONDS = 48_000, 5
HITS_S = tuple(0.25 + 0.5 * beat for beat in range(9))


def kick(seed: int) -> Block:
    """A kick's hits in its own microphone, ``(1, frames)``."""
    rng = np.random.default_rng(seed)
    t = np.arange(RATE_HZ // 10) / RATE_HZ
    hit = np.exp(-t / 0.03) * (np.sin(2.0 * np.pi * 60.0 * t) + 0.6 * rng.standard_normal(len(t)))
    train = np.zeros(SECONDS * RATE_HZ)
    train[[round(hit_s * RATE_HZ) for hit_s in HITS_S]] = 0.5
    return np.asarray(signal.fftconvolve(train, hit)[None, : len(train)], np.float32)


def recorded(folder: Path, close: Block, far: Block) -> tuple[Recording, Recording]:
    for name, sound in (("close", close), ("far", far)):
        soundfile.write(folder / f"{name}.wav", 0.5 * sound.T, RATE_HZ, subtype="FLOAT")
    first, second = find_take(folder).recordings
    return first, second


def measured(close: Recording, far: Recording) -> Input:
    """The kick with what was measured of it against the overhead."""
    facts = align(close, far, RATE_HZ, HITS_S, SPEAKS_HZ["kick"], "overhead")
    assert facts is not None
    return replace(an_input("kick", facts_of(bump(60.0, 1.0), STEADY)), alignment=facts)


@pytest.mark.parametrize("polarity", [1.0, -1.0])
@pytest.mark.parametrize("late_frames", [96, 240, -96])
def test_a_drum_and_its_overhead_are_in_step_and_in_phase_afterwards(
    tmp_path: Path, late_frames: int, polarity: float
) -> None:
    """The close microphone is moved to where the far one hears it: within 2 samples, as the source has it."""
    sound = kick(1)
    close, far = recorded(tmp_path, sound, polarity * np.roll(sound, late_frames, axis=1))
    flip, delay_s, reasons = decide_alignment(measured(close, far))
    moved_frames = round(delay_s * RATE_HZ)
    assert abs(moved_frames - late_frames) <= 2
    assert flip == (polarity < 0.0)
    assert any(f"{1000.0 * delay_s:.1f} ms later" in reason.because for reason in reasons)
    plan = TrackPlan(
        files=("close.wav",), name="kick", role="kick", role_is_guess=False, family="drums",
        flip=flip, delay_s=delay_s,
    )  # fmt: skip
    with open_strip(plan, close, RATE_HZ, 0, SECONDS * RATE_HZ) as strip:
        moved = strip.to_level.process(strip.source.read(SECONDS * RATE_HZ))
    inside = slice(4_800, -4_800)
    np.testing.assert_allclose(moved[0, inside], 0.5 * polarity * np.roll(sound[0], moved_frames)[inside], atol=1e-6)


def test_an_overhead_with_other_sound_aligns_nothing(tmp_path: Path) -> None:
    noise = np.random.default_rng(7).standard_normal((1, SECONDS * RATE_HZ)).astype(np.float32)
    one = measured(*recorded(tmp_path, kick(1), 0.1 * noise))
    flip, delay_s, (reason,) = decide_alignment(one)
    assert (flip, delay_s) == (False, 0.0)
    assert "overhead hardly picks it up" in reason.because


def test_too_few_hits_say_nothing(tmp_path: Path) -> None:
    close, far = recorded(tmp_path, kick(1), kick(1))
    assert align(close, far, RATE_HZ, HITS_S[:4], SPEAKS_HZ["kick"], "overhead") is None


def test_what_the_recipe_says_wins(tmp_path: Path) -> None:
    sound = kick(1)
    one = measured(*recorded(tmp_path, sound, -np.roll(sound, 96, axis=1)))
    assert decide_alignment(replace(one, wish=replace(one.wish, align="off")))[:2] == (False, 0.0)
    wished = replace(one, wish=replace(one.wish, flip=False, delay_ms=-1.5))
    assert decide_alignment(wished)[:2] == (False, -0.0015)


def test_the_loudest_hits_are_taken_a_quarter_of_a_second_apart() -> None:
    peaks = np.zeros(100, np.float32)
    peaks[[10, 12, 14, 40, 43, 90]] = (0.5, 0.9, 0.4, 0.3, 0.2, 0.8)
    # 1.0 and 1.4 s are too near to the louder one at 1.2 s.
    assert loudest_hits(peaks, 0.1) == pytest.approx((1.2, 4.0, 4.3, 9.0))
    assert loudest_hits(np.zeros(100, np.float32), 0.1) == ()


def test_what_lies_between_the_hits_is_none() -> None:
    """Twelve hits of different strength, their ring, a noise floor, and bleed of another drum 16 dB under them."""
    peaks = np.full(600, 0.004, np.float32)
    hits = np.arange(20, 600, 50)
    for at, peak in zip(hits, np.linspace(0.3, 0.9, len(hits)), strict=True):
        peaks[at : at + 4] = peak * np.array([1.0, 0.8, 0.6, 0.4])
        peaks[at + 20] = 0.08
    assert loudest_hits(peaks, 0.1) == pytest.approx(tuple(0.1 * hits))


def test_one_pop_does_not_hide_the_hits() -> None:
    peaks = np.full(600, 0.001, np.float32)
    peaks[::40] = 0.05
    peaks[333] = 1.0
    assert len(loudest_hits(peaks, 0.1)) == 16


def test_a_drum_that_is_hit_twelve_times_is_aligned(tmp_path: Path) -> None:
    """Frames without a hit hold what the two microphones do not share, and spoilt the mean."""
    rng = np.random.default_rng(8)
    seconds, late_frames = 30, 200
    train = np.zeros(seconds * RATE_HZ)
    train[np.arange(12) * round(2.5 * RATE_HZ) + RATE_HZ // 3] = 0.5
    t = np.arange(RATE_HZ // 10) / RATE_HZ
    hit = np.exp(-t / 0.03) * (np.sin(2.0 * np.pi * 60.0 * t) + 0.6 * rng.standard_normal(len(t)))
    sound = signal.fftconvolve(train, hit)[: len(train)]
    noise = 0.003 * rng.standard_normal((2, len(sound)))
    recorded(
        tmp_path,
        (sound + noise[0])[None].astype(np.float32),
        (0.3 * np.roll(sound, late_frames) + noise[1])[None].astype(np.float32),
    )
    take = find_take(tmp_path)
    facts, _ = measure_take(take, tmp_path / "cache", lane_here())
    found = measure_alignments(take, facts, [(0, 1, "kick", "the overhead")])[0]
    assert found.correlation > 0.6
    assert found.delay_s * RATE_HZ == pytest.approx(late_frames, abs=2)


def test_of_many_hits_the_forty_loudest_are_taken() -> None:
    peaks = np.zeros(1_000, np.float32)
    peaks[::10] = np.linspace(0.1, 1.0, 100)
    assert loudest_hits(peaks, 0.1) == pytest.approx(tuple(float(at) for at in range(100 - HITS, 100)))


def test_a_correlation_is_one_for_a_copy_and_shows_on_the_side_of_its_polarity(tmp_path: Path) -> None:
    """The phase transform of a pure delay is an impulse of height 1 (Knapp, Carter, IEEE TASSP 24(4) 1976)."""
    sound = kick(1)
    for polarity in (1.0, -1.0):
        folder = tmp_path / str(polarity)
        folder.mkdir()
        close, far = recorded(folder, sound, polarity * np.roll(sound, 240, axis=1))
        facts = align(close, far, RATE_HZ, HITS_S, SPEAKS_HZ["kick"], "overhead")
        assert facts is not None
        same, opposite = facts.correlation, facts.flipped_correlation
        there, other = (same, opposite) if polarity > 0.0 else (opposite, same)
        # A window of 85 ms cuts a little of what is 5 ms late.
        assert 0.9 < there <= 1.001
        assert other < 0.7 * there
        assert (facts.delay_s if polarity > 0.0 else facts.flipped_delay_s) == pytest.approx(0.005, abs=1e-4)
        assert facts.other == "overhead"


@pytest.mark.parametrize("late_frames", [560, -560, 700])
def test_more_than_twelve_milliseconds_are_not_looked_at(tmp_path: Path, late_frames: int) -> None:
    """560 frames are 11.7 ms, 700 are 14.6: no stage puts an overhead five metres from its kit."""
    noise = np.random.default_rng(3).standard_normal((1, SECONDS * RATE_HZ)).astype(np.float32)
    hits = np.zeros_like(noise)
    for hit_s in HITS_S:
        hits[:, round(hit_s * RATE_HZ) : round(hit_s * RATE_HZ) + 3_000] = 0.1
    sound = noise * hits
    close, far = recorded(tmp_path, sound, np.roll(sound, late_frames, axis=1))
    facts = align(close, far, RATE_HZ, HITS_S, (100.0, 8_000.0), "overhead")
    assert facts is not None
    assert abs(facts.delay_s) <= 0.012 + 1e-6
    assert (facts.delay_s == pytest.approx(late_frames / RATE_HZ, abs=1e-4)) == (abs(late_frames) < 600)


@pytest.mark.parametrize(("role", "fits"), [("kick", True), ("snare", False)])
def test_a_drum_is_compared_where_it_speaks(tmp_path: Path, role: str, fits: bool) -> None:
    """Two microphones that share only what lies between 40 and 140 Hz."""
    rng = np.random.default_rng(4)
    low = signal.butter(4, 140.0, fs=RATE_HZ, output="sos")
    high = signal.butter(4, 140.0, "highpass", fs=RATE_HZ, output="sos")
    shape = (1, SECONDS * RATE_HZ)
    shared = 10.0 * signal.sosfilt(low, rng.standard_normal(shape))
    own = [0.3 * signal.sosfilt(high, rng.standard_normal(shape)) for _ in range(2)]
    close, far = recorded(tmp_path, 0.02 * (shared + own[0]), 0.02 * (shared + own[1]))
    facts = align(close, far, RATE_HZ, HITS_S, SPEAKS_HZ[role], "overhead")
    assert facts is not None
    assert (facts.correlation > 0.4) == fits


def test_each_pair_is_measured_at_the_hits_of_its_close_microphone(tmp_path: Path) -> None:
    sound = kick(1)
    folder = tmp_path / "take"
    folder.mkdir()
    recorded(folder, sound, np.roll(sound, 96, axis=1))
    take = find_take(folder)
    facts, _ = measure_take(take, tmp_path / "cache", lane_here())
    found = measure_alignments(take, facts, [(0, 1, "kick", "overhead")])
    assert list(found) == [0]
    assert found[0].delay_s == pytest.approx(0.002, abs=5e-5)
    # The other way round the far one is early.
    assert measure_alignments(take, facts, [(1, 0, "kick", "kick")])[1].delay_s == pytest.approx(-0.002, abs=5e-5)
    silent = replace(facts.tracks[0], slots=facts.tracks[0].slots.scaled(np.zeros(facts.slots, np.float32)))
    assert measure_alignments(take, replace(facts, tracks=(silent, facts.tracks[1])), [(0, 1, "kick", "o")]) == {}
