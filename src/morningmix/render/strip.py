"""One input through its chain: repair, gain, filters, de-esser, gate, compressor; then fader, moves, ride and pan."""

from __future__ import annotations

from types import TracebackType

import numpy as np
from numpy.typing import NDArray

from morningmix.audio.read import open_recording
from morningmix.dsp.control import (
    CompressorCurve,
    GainLine,
    GainRamp,
    ducks_line,
    gate_line,
    loudness_hop_frames,
    move_line,
    step_frames,
    step_peaks,
)
from morningmix.dsp.declip import RepairStage
from morningmix.dsp.filter import FilterStage
from morningmix.laws.filters import butterworth_high_pass
from morningmix.laws.pan import balance, constant_power
from morningmix.laws.track_power import sections
from morningmix.model.plan import DeEsser, TrackPlan
from morningmix.model.recording import Recording
from morningmix.units import Block, db_to_gain


class Strip:
    """Reads one input from the start of a song and renders it block by block; a context manager.

    Blocks must be whole control steps long (`dsp.control.step_frames`), except the last. Raises `RecordingsError` from
    the reader.
    """

    def __init__(self, plan: TrackPlan, recording: Recording, rate_hz: int, start_frame: int, frames: int) -> None:
        self._plan = plan
        self._step = step_frames(rate_hz)
        self._steps_per_second = rate_hz / self._step
        delay = round(plan.delay_s * rate_hz)
        self._silent = max(0, delay - start_frame)
        # A cleaned microphone was mended before anything was learnt from it.
        mends = plan.repair_s and not plan.cleaned
        self._repair = RepairStage(plan.repair_s, rate_hz, recording.channels) if mends else None
        ahead = self._repair.latency_frames if self._repair else 0
        self._reader = open_recording(recording, rate_hz, max(0, start_frame - delay), frames + ahead)
        if self._repair is not None:
            self._repair.process(self._read(ahead))
        self._gain = np.float32(db_to_gain(plan.gain_db) * (-1.0 if plan.flip else 1.0))
        filters = [sections(one, rate_hz) for one in plan.filters]
        self._filter = FilterStage(np.concatenate(filters), recording.channels) if filters else None
        self._de_esser = _DeEsser(plan.de_esser, rate_hz, recording.channels) if plan.de_esser else None
        self._compressor = CompressorCurve(plan.compressor, self._steps_per_second) if plan.compressor else None
        self._ducks = ducks_line(plan.ducked_s) if plan.ducked_s else None
        self._gate = gate_line(plan.gate) if plan.gate is not None else None
        self._moves = [move_line(move) for move in plan.moves]
        if plan.ride:
            self._moves.append(GainLine(plan.ride))
        self._steps = 0
        self._steps_per_hop = loudness_hop_frames(rate_hz) // self._step
        hops = -(-frames // self._step) // self._steps_per_hop if plan.compressor else 0
        self.reduction_db = np.zeros(hops, np.float32)
        """Gain of the compressor, mean per 0.1 s, zero where nothing was rendered yet: ``(hops,)``."""
        self._mending_ramp: GainRamp | None = None
        self._dynamics_ramp: GainRamp | None = None
        self._moves_ramp: GainRamp | None = None
        fader = db_to_gain(plan.fader_db)
        left, right = constant_power(plan.pan) if recording.channels == 1 else balance(plan.pan)
        self._to_left, self._to_right = np.float32(fader * left), np.float32(fader * right)

    def process(self, frames: int) -> Block:
        """The next frames, cleaned and at working level, before fader and moves: ``(channels, frames)``."""
        block = self._read(frames)
        if self._repair is not None:
            block = self._repair.process(block)
        block *= self._gain
        self._mend(block)
        if self._filter is not None:
            block = self._filter.process(block)
        if self._de_esser is not None:
            block = self._de_esser.process(block)
        if self._gate is None and self._compressor is None:
            self._steps += -(-frames // self._step)
            return block
        times_s = self._times_s(frames)
        curve_db = np.zeros(len(times_s)) if self._gate is None else self._gate.at(times_s)
        if self._compressor is not None:
            heard = step_peaks(block, self._step)
            if self._gate is not None:
                heard = (heard * 10.0 ** (curve_db / 20.0)).astype(np.float32)
            reduction_db = self._compressor.process(heard)
            curve_db += reduction_db
            hops = len(reduction_db) // self._steps_per_hop * self._steps_per_hop
            means_db = reduction_db[:hops].reshape(-1, self._steps_per_hop).mean(axis=1)
            first = self._steps // self._steps_per_hop
            self.reduction_db[first : first + len(means_db)] = means_db
        if self._dynamics_ramp is None:
            self._dynamics_ramp = GainRamp(self._step, float(curve_db[0]))
        block *= self._dynamics_ramp.process(curve_db, frames)
        self._steps += len(times_s)
        return block

    def place(self, track: Block) -> Block:
        """What `process` just gave, at its fader and place between left and right: ``(2, frames)``."""
        if self._moves:
            frames = track.shape[1]
            steps = -(-frames // self._step)
            times_s = (self._steps - steps + np.arange(steps)) / self._steps_per_second
            curve_db = np.sum([line.at(times_s) for line in self._moves], axis=0)
            if self._moves_ramp is None:
                self._moves_ramp = GainRamp(self._step, float(curve_db[0]))
            track = track * self._moves_ramp.process(curve_db, frames)
        placed = np.empty((2, track.shape[1]), np.float32)
        np.multiply(track[0], self._to_left, out=placed[0])
        np.multiply(track[-1], self._to_right, out=placed[1])
        return placed

    def _mend(self, block: Block) -> None:
        """Bring back a gain that was turned, and turn pops down, before anything else hears the input."""
        plan = self._plan
        if plan.gain_step is None and self._ducks is None:
            return
        times_s = self._times_s(block.shape[1])
        curve_db = np.zeros(len(times_s))
        if plan.gain_step is not None:
            curve_db += np.where(times_s >= plan.gain_step[0], plan.gain_step[1], 0.0)
        if self._ducks is not None:
            curve_db += self._ducks.at(times_s)
        if self._mending_ramp is None:
            self._mending_ramp = GainRamp(self._step, float(curve_db[0]))
        block *= self._mending_ramp.process(curve_db, block.shape[1])

    def _times_s(self, frames: int) -> NDArray[np.float64]:
        times: NDArray[np.float64] = (self._steps + np.arange(-(-frames // self._step))) / self._steps_per_second
        return times

    def _read(self, frames: int) -> Block:
        lead = min(self._silent, frames)
        if not lead:
            return self._reader.read(frames)
        self._silent -= lead
        block = np.zeros((self._reader.channels, frames), np.float32)
        block[:, lead:] = self._reader.read(frames - lead)
        return block

    def __enter__(self) -> Strip:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._reader.close()


class _DeEsser:
    """A shelf of first order, which turns the phase least; what moves it hears the steeper second order."""

    def __init__(self, plan: DeEsser, rate_hz: int, channels: int) -> None:
        self._heard = FilterStage(butterworth_high_pass(plan.corner_hz, rate_hz), channels)
        self._above = FilterStage(butterworth_high_pass(plan.corner_hz, rate_hz, 1), channels)
        self._step = step_frames(rate_hz)
        self._curve = CompressorCurve(plan.compressor, rate_hz / self._step)
        self._ramp = GainRamp(self._step)

    def process(self, block: Block) -> Block:
        heard = step_peaks(self._heard.process(block), self._step)
        gain = self._ramp.process(self._curve.process(heard), block.shape[1])
        return block - (np.float32(1.0) - gain) * self._above.process(block)
