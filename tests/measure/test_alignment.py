"""A drum's own microphone and one further away: found late, moved, and in step afterwards."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile  # noqa: TID251 - an outside writer of the files under test
from scipy import signal

from decide.made import STEADY, an_input, bump, facts_of
from morningmix.audio.takes import find_take
from morningmix.decide.align import decide_alignment
from morningmix.measure.alignment import SPEAKS_HZ, align
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


def test_an_overhead_that_hears_something_else_moves_nothing(tmp_path: Path) -> None:
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
