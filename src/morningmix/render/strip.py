"""One input on its way to its family: a source that reads it, and the chains that the plan asks for."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from morningmix.audio.read import RecordingReader, open_recording
from morningmix.dsp.chain import Chain, Stage
from morningmix.dsp.control import GainLine, Line, StepLine, ducks_line, gate_line, move_line
from morningmix.dsp.declip import RepairStage
from morningmix.dsp.dynamics import CompressorStage, DeEsserStage
from morningmix.dsp.filter import FilterStage
from morningmix.dsp.gain import LineGain, Pan, SteadyGain
from morningmix.laws.pan import balance, constant_power
from morningmix.laws.track_power import sections
from morningmix.model.plan import Filter, TrackPlan
from morningmix.model.recording import Recording
from morningmix.units import Block, db_to_gain


class Source:
    """Reads an input that may start late, through a stage whose latency is compensated."""

    def __init__(self, reader: RecordingReader, late_frames: int, stage: Stage) -> None:
        self._reader = reader
        self._silent = late_frames
        self._stage = stage
        if stage.latency_frames:
            stage.process(self._read(stage.latency_frames))

    def read(self, frames: int) -> Block:
        """The next frames: ``(channels, frames)``."""
        return self._stage.process(self._read(frames))

    def _read(self, frames: int) -> Block:
        lead = min(self._silent, frames)
        if not lead:
            return self._reader.read(frames)
        self._silent -= lead
        block = np.zeros((self._reader.channels, frames), np.float32)
        block[:, lead:] = self._reader.read(frames - lead)
        return block


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """One input of a song, as a source and two stages. Blocks are whole control steps long, except the last."""

    source: Source
    to_level: Stage
    """Repaired sound to working level, before shelves, fader and moves."""
    to_family: Stage
    """Working level to left and right: ``(2, frames)``."""
    reduction_db: NDArray[np.float32]
    """Gain of the compressor, mean per 0.1 s, filled in while the song is processed; empty without one."""


@contextmanager
def open_strip(plan: TrackPlan, recording: Recording, rate_hz: int, start_frame: int, frames: int) -> Iterator[Strip]:
    """The strip of a track, over `frames` of the take from `start_frame` on.

    Raises `RecordingsError`, also while it is read.
    """
    channels = recording.channels
    first_frame = start_frame - round(plan.delay_s * rate_hz)
    repair = Chain(*_repair(plan, rate_hz, channels))
    dynamics = _dynamics(plan, rate_hz, frames)
    with open_recording(recording, rate_hz, max(0, first_frame), frames + repair.latency_frames) as reader:
        yield Strip(
            source=Source(reader, max(0, -first_frame), repair),
            to_level=Chain(*_before_dynamics(plan, rate_hz, channels), *dynamics),
            to_family=Chain(*_after_dynamics(plan, rate_hz, channels)),
            reduction_db=next(
                (stage.reduction_db for stage in dynamics if isinstance(stage, CompressorStage)),
                np.zeros(0, np.float32),
            ),
        )


def _repair(plan: TrackPlan, rate_hz: int, channels: int) -> list[Stage]:
    # A cleaned microphone was repaired before its bleed was learnt.
    return [RepairStage(plan.repair_s, rate_hz, channels)] if plan.repair_s and not plan.cleaned else []


def _before_dynamics(plan: TrackPlan, rate_hz: int, channels: int) -> list[Stage]:
    """Gain, what makes up for faults, filters and de-esser."""
    stages: list[Stage] = [SteadyGain(db_to_gain(plan.gain_db) * (-1.0 if plan.flip else 1.0))]
    faults: list[Line] = []
    if plan.gain_step is not None:
        faults.append(StepLine(*plan.gain_step))
    if plan.ducked_s:
        faults.append(ducks_line(plan.ducked_s))
    if faults:
        stages.append(LineGain(faults, rate_hz))
    stages += _filters([each for each in plan.filters if not each.is_shelf], rate_hz, channels)
    if plan.de_esser is not None:
        stages.append(DeEsserStage(plan.de_esser, rate_hz, channels))
    return stages


def _filters(filters: Sequence[Filter], rate_hz: int, channels: int) -> list[Stage]:
    return [FilterStage(np.concatenate([sections(each, rate_hz) for each in filters]), channels)] if filters else []


def _dynamics(plan: TrackPlan, rate_hz: int, frames: int) -> list[CompressorStage | LineGain]:
    """Gate and compressor."""
    gate = None if plan.gate is None else gate_line(plan.gate)
    if plan.compressor is not None:
        return [CompressorStage(plan.compressor, gate, rate_hz, frames)]
    return [] if gate is None else [LineGain([gate], rate_hz)]


def _after_dynamics(plan: TrackPlan, rate_hz: int, channels: int) -> list[Stage]:
    """Shelves, moves and ride, fader and pan."""
    shelves = _filters([each for each in plan.filters if each.is_shelf], rate_hz, channels)
    lines = [move_line(move) for move in plan.moves]
    if plan.ride:
        lines.append(GainLine(plan.ride))
    fader = db_to_gain(plan.fader_db)
    left, right = constant_power(plan.pan) if channels == 1 else balance(plan.pan)
    return [*shelves, *([LineGain(lines, rate_hz)] if lines else []), Pan(fader * left, fader * right)]
