"""The small common room as a stream."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from morningmix.dsp.reverb import ReverbStage
from morningmix.plan import Reverb
from morningmix.units import Block

ROOM = Reverb(room=0.45, damping=0.5, low_cut_hz=200.0)
RATE_HZ = 48_000


def noise(frames: int, seed: int = 1) -> Block:
    return (0.1 * np.random.default_rng(seed).standard_normal((2, frames))).astype(np.float32)


@settings(max_examples=15, deadline=None)
@given(
    lengths=st.lists(
        st.one_of(st.integers(3, 40), st.integers(3, 8_192), st.sampled_from([8_191, 8_192, 8_195, 20_000])),
        min_size=1,
        max_size=5,
    ),
    seed=st.integers(0, 2**16),
)
def test_any_cut_gives_the_same_room(lengths: list[int], seed: int) -> None:
    # Both "a larger block clears the state" and "the shorter axis holds the channels" would show here.
    # pedalboard is handed at most 8192 frames at a time; what remains must not be shorter than it can take, either.
    assume(sum(lengths) % 8_192 not in (1, 2))
    block = noise(sum(lengths), seed)
    block.flags.writeable = False
    whole = ReverbStage(ROOM, RATE_HZ).process(block)
    stage = ReverbStage(ROOM, RATE_HZ)
    edges = np.concatenate(([0], np.cumsum(lengths))).tolist()
    parts = [stage.process(np.ascontiguousarray(block[:, start:stop])) for start, stop in pairwise(edges)]
    np.testing.assert_array_equal(np.concatenate(parts, axis=1), whole)


def test_a_larger_block_does_not_cut_the_tail() -> None:
    stage = ReverbStage(ROOM, RATE_HZ)
    stage.process(noise(2_000))
    tail = stage.process(np.zeros((2, 100_000), np.float32))
    assert np.abs(tail[:, :4_000]).max() > 1e-3


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
def test_noise_comes_back_with_its_own_power(rate_hz: int) -> None:
    # What is sent is mono tracks placed between left and right, so the same noise is on both sides.
    sound = np.tile(0.1 * np.random.default_rng(1).standard_normal(6 * rate_hz), (2, 1)).astype(np.float32)
    wet = ReverbStage(ROOM, rate_hz).process(sound)
    settled = slice(2 * rate_hz, None)
    ratio_db = 10.0 * np.log10(np.mean(wet[:, settled] ** 2) / np.mean(sound[:, settled] ** 2))
    assert abs(ratio_db) < 1.0


def test_silence_stays_silent() -> None:
    assert not ReverbStage(ROOM, RATE_HZ).process(np.zeros((2, 30_000), np.float32)).any()


def test_lows_stay_out() -> None:
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
    # About a second to -60 dB is asked for; anything from half to twice of it is a small room.
    assert -120.0 < left_db < -30.0
