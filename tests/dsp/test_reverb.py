"""The reverb as a stage."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pedalboard  # noqa: TID251 - the room is compared with the original
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from morningmix.dsp.reverb import ReverbStage
from morningmix.model.plan import Reverb
from morningmix.units import Block

ROOM = Reverb(room=0.45, damping=0.5, low_cut_hz=200.0)
RATE_HZ = 48_000
HOP = 4_800


def noise(frames: int, seed: int = 1) -> Block:
    return (0.1 * np.random.default_rng(seed).standard_normal((2, frames))).astype(np.float32)


@settings(max_examples=15, deadline=None)
@given(
    hops=st.lists(st.integers(1, 30), max_size=4),
    rest=st.integers(1, 10_000),
    seed=st.integers(0, 2**16),
)
def test_any_cut_into_whole_hops_gives_the_same(hops: list[int], rest: int, seed: int) -> None:
    block = noise(sum(hops) * HOP + rest, seed)
    block.flags.writeable = False
    whole = ReverbStage(ROOM, RATE_HZ).process(block)
    stage = ReverbStage(ROOM, RATE_HZ)
    edges = np.concatenate(([0], np.cumsum([*(HOP * hop for hop in hops), rest]))).tolist()
    parts = [stage.process(np.ascontiguousarray(block[:, start:stop])) for start, stop in pairwise(edges)]
    np.testing.assert_array_equal(np.concatenate(parts, axis=1), whole)


def test_it_matches_the_reverb_of_pedalboard() -> None:
    sound = noise(2 * RATE_HZ)
    wet = ReverbStage(ROOM, RATE_HZ).process(sound)
    low_cut = signal.butter(2, ROOM.low_cut_hz, "highpass", fs=RATE_HZ, output="sos")
    theirs = pedalboard.Reverb(room_size=ROOM.room, damping=ROOM.damping, wet_level=1.0, dry_level=0.0, width=1.0)
    expected = theirs(signal.sosfilt(low_cut, sound, axis=1).astype(np.float32), RATE_HZ)
    gain = np.vdot(expected, wet) / np.vdot(expected, expected)
    left = wet - np.float32(gain) * expected
    assert 10.0 * np.log10(np.vdot(left, left) / np.vdot(wet, wet)) < -60.0


def test_a_larger_block_does_not_cut_the_tail() -> None:
    stage = ReverbStage(ROOM, RATE_HZ)
    stage.process(noise(HOP))
    tail = stage.process(np.zeros((2, 100_000), np.float32))
    assert np.abs(tail[:, :4_000]).max() > 1e-3


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
def test_noise_keeps_its_power(rate_hz: int) -> None:
    # Sends are panned mono tracks, so the same noise is on both sides.
    sound = np.tile(0.1 * np.random.default_rng(1).standard_normal(6 * rate_hz), (2, 1)).astype(np.float32)
    wet = ReverbStage(ROOM, rate_hz).process(sound)
    settled = slice(2 * rate_hz, None)
    ratio_db = 10.0 * np.log10(np.mean(wet[:, settled] ** 2) / np.mean(sound[:, settled] ** 2))
    assert abs(ratio_db) < 1.0


def test_silence_stays_silent() -> None:
    assert not ReverbStage(ROOM, RATE_HZ).process(np.zeros((2, 30_000), np.float32)).any()


def test_lows_are_filtered_out() -> None:
    t = np.arange(2 * RATE_HZ) / RATE_HZ
    low, high = (
        float(
            np.mean(
                ReverbStage(ROOM, RATE_HZ).process(np.tile(np.sin(2 * np.pi * hz * t), (2, 1)).astype(np.float32)) ** 2
            )
        )
        for hz in (40.0, 800.0)
    )
    assert 10.0 * np.log10(low / high) < -15.0


def test_it_has_no_latency_and_decays() -> None:
    stage = ReverbStage(ROOM, RATE_HZ)
    assert stage.latency_frames == 0
    stage.process(noise(RATE_HZ))
    tail = stage.process(np.zeros((2, 3 * RATE_HZ), np.float32))
    power = (tail.astype(np.float64) ** 2).sum(axis=0)
    left_db = 10.0 * np.log10(power[RATE_HZ : RATE_HZ + 4_800].sum() / power[:4_800].sum())
    # The plan asks for about a second to -60 dB; half to twice of that is a small room.
    assert -120.0 < left_db < -30.0
