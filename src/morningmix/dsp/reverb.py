"""The one door to pedalboard: a small common room."""

from __future__ import annotations

import numpy as np
import pedalboard  # noqa: TID251 - this room is its door

from morningmix.dsp.filter import FilterStage
from morningmix.laws.filters import butterworth_high_pass
from morningmix.plan import Reverb
from morningmix.units import Block

_BUFFER_FRAMES = 8192


class ReverbStage:
    """Wet sound only, stereo, of unity power for noise-like sound. Latency 0.

    pedalboard clears an effect's state without a word when a block is larger than any before, and takes the shorter
    axis for the channels; so each effect is primed once with a full-size silent block, and never gets a larger one.
    """

    latency_frames = 0

    def __init__(self, plan: Reverb, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._low_cut = FilterStage(butterworth_high_pass(plan.low_cut_hz, rate_hz), 1)
        self._plan = plan
        self._gain = _unity_gain(plan, rate_hz)
        self._effect = _effect(plan, rate_hz)

    def process(self, block: Block) -> Block:
        """The room's answer to ``(2, frames)``."""
        # The effect adds its two inputs before anything else; so they are added here, and filtered as one.
        low_cut = np.repeat(self._low_cut.process((block[:1] + block[1:]) * np.float32(0.5)), 2, axis=0)
        wet = np.empty_like(low_cut)
        start = 0
        while start < block.shape[1]:
            left = block.shape[1] - start
            # No piece of one or two frames is left over.
            stop = start + (
                _BUFFER_FRAMES - 3 if _BUFFER_FRAMES < left < _BUFFER_FRAMES + 3 else min(left, _BUFFER_FRAMES)
            )
            wet[:, start:stop] = _run(self._effect, low_cut[:, start:stop], self._rate_hz)
            start = stop
        wet *= self._gain
        return wet


def _effect(plan: Reverb, rate_hz: int) -> pedalboard.Reverb:
    effect = pedalboard.Reverb(room_size=plan.room, damping=plan.damping, wet_level=1.0, dry_level=0.0, width=1.0)
    _run(effect, np.zeros((2, _BUFFER_FRAMES), np.float32), rate_hz)
    return effect


def _run(effect: pedalboard.Reverb, block: Block, rate_hz: int) -> Block:
    if block.shape[1] < 3:  # too short for the guess which axis holds the channels
        return np.concatenate([_run(effect, np.pad(block, ((0, 0), (0, 3))), rate_hz)[:, : block.shape[1]]], axis=1)
    answer: Block = effect.process(np.ascontiguousarray(block), rate_hz, buffer_size=_BUFFER_FRAMES, reset=False)
    return answer


def _unity_gain(plan: Reverb, rate_hz: int) -> np.float32:
    """What makes the energy of the room's answer to a click in both channels that of the click."""
    buffers = max(1, 4 * rate_hz // _BUFFER_FRAMES)
    click = np.zeros((2, buffers * _BUFFER_FRAMES), np.float32)
    click[:, 0] = 1.0
    effect = _effect(plan, rate_hz)
    energy = 0.0
    for start in range(0, click.shape[1], _BUFFER_FRAMES):
        answer = _run(effect, click[:, start : start + _BUFFER_FRAMES], rate_hz)
        energy += float(np.vdot(answer, answer))
    return np.float32(np.sqrt(2.0 / energy))
