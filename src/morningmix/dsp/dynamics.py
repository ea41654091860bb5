"""Stages whose gain follows the level: compressor and de-esser.

Their blocks are whole control steps long (`dsp.control.step_frames`), except the last.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from morningmix.dsp.control import CompressorCurve, GainRamp, Line, loudness_hop_frames, step_frames, step_peaks
from morningmix.dsp.filter import FilterStage
from morningmix.laws.filters import butterworth_high_pass, magnitude_db
from morningmix.model.plan import Compressor, DeEsser
from morningmix.units import Block


class CompressorStage:
    """A compressor, behind a gate if there is one: what the gate turns down does not trigger the compressor.

    Both make one curve, so that the sound passes a single ramp. `frames` is the most that will be processed.
    """

    latency_frames = 0

    def __init__(self, plan: Compressor, gate: Line | None, rate_hz: int, frames: int) -> None:
        self._step = step_frames(rate_hz)
        self._steps_per_second = rate_hz / self._step
        self._steps_per_hop = loudness_hop_frames(rate_hz) // self._step
        self._gate = gate
        self._curve = CompressorCurve(plan, self._steps_per_second)
        self._ramp: GainRamp | None = None
        self._steps = 0
        # Allocated whole, so that memory does not fragment.
        self.reduction_db = np.zeros(-(-frames // self._step) // self._steps_per_hop, np.float32)
        """The compressor's gain, mean per 0.1 s, zero where nothing was processed yet: ``(hops,)``."""

    def process(self, block: Block) -> Block:
        """The block, gated and compressed."""
        peaks = step_peaks(block, self._step)
        curve_db = np.zeros(len(peaks))
        if self._gate is not None:
            curve_db = self._gate.at((self._steps + np.arange(len(peaks))) / self._steps_per_second)
            peaks = (peaks * 10.0 ** (curve_db / 20.0)).astype(np.float32)
        reduction_db = self._curve.process(peaks)
        self._keep(reduction_db)
        self._steps += len(peaks)
        curve_db += reduction_db
        if self._ramp is None:
            self._ramp = GainRamp(self._step, float(curve_db[0]))
        return block * self._ramp.process(curve_db, block.shape[1])

    def _keep(self, reduction_db: NDArray[np.float64]) -> None:
        hops = len(reduction_db) // self._steps_per_hop * self._steps_per_hop
        means_db = reduction_db[:hops].reshape(-1, self._steps_per_hop).mean(axis=1)
        first = self._steps // self._steps_per_hop
        self.reduction_db[first : first + len(means_db)] = means_db


_SPLIT, _EXACT = 0.5, 1.3
"""Where the sibilants are split off and where their reduction is exact, re the corner (design choice)."""


class DeEsserStage:
    """Turns down what lies above a corner when that is loud.

    It is split off by a first-order filter, which shifts phase least, an octave under the corner, and so much of it is
    taken away that at 1.3 times the corner the sound is down by just what the curve asks for. The level is taken behind
    a steeper filter.
    """

    latency_frames = 0

    def __init__(self, plan: DeEsser, rate_hz: int, channels: int) -> None:
        split = butterworth_high_pass(_SPLIT * plan.corner_hz, rate_hz, 1)
        self._sidechain = FilterStage(butterworth_high_pass(plan.corner_hz, rate_hz), channels)
        self._above = FilterStage(split, channels)
        exact_hz = min(_EXACT * plan.corner_hz, 0.49 * rate_hz)
        self._passed = np.float32(10.0 ** (magnitude_db(split, exact_hz, rate_hz) / 10.0))
        self._step = step_frames(rate_hz)
        self._curve = CompressorCurve(plan.compressor, rate_hz / self._step)
        self._ramp = GainRamp(self._step)

    def process(self, block: Block) -> Block:
        """The block with its sibilants turned down."""
        peaks = step_peaks(self._sidechain.process(block), self._step)
        gain = self._ramp.process(self._curve.process(peaks), block.shape[1])
        # A first-order high-pass h has Re h = |h|^2: so |1 - share h| = gain where |h|^2 is what passes there.
        wanted = np.maximum(np.float32(1.0) - (np.float32(1.0) - gain * gain) / self._passed, np.float32(0.0))
        share = np.float32(1.0) - np.sqrt(wanted)
        softened: Block = block - share * self._above.process(block)
        return softened
