"""A chain of stages is a stage: neither cuts nor nesting show, and latency adds up."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from morningmix.dsp.chain import Chain, Stage
from morningmix.dsp.control import GainLine, StepLine, gate_line, step_frames
from morningmix.dsp.declip import RepairStage
from morningmix.dsp.dynamics import CompressorStage, DeEsserStage
from morningmix.dsp.filter import FilterStage, LowsInTheMiddle
from morningmix.dsp.gain import LineGain, Pan, SteadyGain
from morningmix.laws.filters import butterworth_high_pass
from morningmix.model.plan import Compressor, DeEsser, Gate
from morningmix.units import Block

RATE_HZ = 48_000
FRAMES = 12_000
STEP = step_frames(RATE_HZ)
COMPRESSOR = Compressor(threshold_db=-30.0, ratio=3.0, knee_db=6.0, attack_s=0.006, release_s=0.1, max_reduction_db=8.0)
GATE = gate_line(Gate(open_s=((0.05, 0.1), (0.15, 0.2)), floor_db=-20.0, ramp_s=0.02))

AT_ANY_FRAME: Mapping[str, Callable[[], Stage]] = {
    "gain": lambda: SteadyGain(-1.3),
    "lines": lambda: LineGain([StepLine(0.11, -4.0), GainLine([(0.02, 0.0), (0.2, 5.0)])], RATE_HZ),
    "filter": lambda: FilterStage(butterworth_high_pass(120.0, RATE_HZ), 2),
    "repair": lambda: RepairStage(0.001, RATE_HZ, 2),
    "pan": lambda: Pan(0.3, 0.9),
    "lows": lambda: LowsInTheMiddle(120.0, RATE_HZ),
}
AT_STEPS: Mapping[str, Callable[[], Stage]] = {
    **AT_ANY_FRAME,
    "compressor": lambda: CompressorStage(COMPRESSOR, None, RATE_HZ, FRAMES),
    "gated": lambda: CompressorStage(COMPRESSOR, GATE, RATE_HZ, FRAMES),
    "de-esser": lambda: DeEsserStage(DeEsser(corner_hz=5_000.0, compressor=COMPRESSOR), RATE_HZ, 2),
}


def sound() -> Block:
    """Noise with short runs at full scale."""
    noise = 0.5 * np.random.default_rng(1).standard_normal((2, FRAMES))
    noise[:, 700::1_000] = noise[:, 701::1_000] = noise[:, 702::1_000] = 1.5
    return np.clip(noise, -1.0, 1.0).astype(np.float32)


def nested(stages: Sequence[Stage], pairs: Sequence[tuple[int, int]]) -> Chain:
    """A chain of the stages, with stretches of it wrapped up as chains of their own, one after the other."""
    parts = list(stages)
    for at, count in pairs:
        first = at % (len(parts) + 1)
        parts[first : first + count] = [Chain(*parts[first : first + count])]
    return Chain(*parts)


def cut(stage: Stage, lengths: Sequence[int]) -> Block:
    whole = sound()
    whole.flags.writeable = False
    blocks, start = [], 0
    for length in [*lengths, FRAMES]:
        blocks.append(stage.process(whole[:, start : start + length]))
        start = min(start + length, FRAMES)
        if start == FRAMES:
            break
    return np.concatenate(blocks, axis=1)


def agree(names: Sequence[str], pairs: Sequence[tuple[int, int]], lengths: Sequence[int]) -> None:
    one_by_one = sound()
    for name in names:
        one_by_one = AT_STEPS[name]().process(one_by_one)
    chain = nested([AT_STEPS[name]() for name in names], pairs)
    np.testing.assert_array_equal(cut(chain, lengths), one_by_one)
    assert chain.latency_frames == sum(AT_STEPS[name]().latency_frames for name in names)


PAIRS = st.lists(st.tuples(st.integers(0, 8), st.integers(0, 5)), max_size=4)


@settings(max_examples=40, deadline=None)
@given(
    names=st.lists(st.sampled_from(sorted(AT_ANY_FRAME)), max_size=5),
    pairs=PAIRS,
    lengths=st.lists(st.integers(1, 5_000), max_size=6),
)
def test_any_cut_and_any_nesting_give_the_same(
    names: list[str], pairs: list[tuple[int, int]], lengths: list[int]
) -> None:
    agree(names, pairs, lengths)


@settings(max_examples=40, deadline=None)
@given(
    names=st.lists(st.sampled_from(sorted(AT_STEPS)), max_size=5),
    pairs=PAIRS,
    steps=st.lists(st.integers(1, 100), max_size=6),
)
def test_with_dynamics_any_cut_at_control_steps_gives_the_same(
    names: list[str], pairs: list[tuple[int, int]], steps: list[int]
) -> None:
    agree(names, pairs, [count * STEP for count in steps])


@pytest.mark.parametrize("repairs", [0, 1, 3])
def test_a_chain_is_as_late_as_it_says(repairs: int) -> None:
    click = np.zeros((2, FRAMES), np.float32)
    click[:, 5] = 0.25
    chain = Chain(SteadyGain(2.0), *(RepairStage(0.001, RATE_HZ, 2) for _ in range(repairs)))
    out = chain.process(click)
    assert np.flatnonzero(out[0]).tolist() == [5 + chain.latency_frames]
    assert out[0].max() == 0.5
