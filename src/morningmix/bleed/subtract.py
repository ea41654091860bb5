"""Subtract predicted bleed (`bleed.predict`) from microphones."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import pairwise

import numpy as np

from morningmix.audio.read import read_stretch
from morningmix.bleed.learn import Learnt
from morningmix.bleed.predict import bleed_spectra
from morningmix.bleed.spectra import Targets, Tracks, grid_of
from morningmix.dsp.declip import declipped_stretch
from morningmix.dsp.stft import OVERLAP, Synthesis
from morningmix.model.measured import GainStep
from morningmix.model.recording import Recording, Take
from morningmix.units import Block

_PART_S, _PIECE_S = 300.0, 75.0
"""Longest part that shares one set of filters, and longest piece of it that is processed at a time."""

_SLACK = 0.1
"""A part or piece that is longer by this fraction of the longest is not cut in two."""

LeftAndTaken = tuple[Mapping[int, Block], Mapping[int, Block]]
"""The residual and the subtracted bleed of the next frames, by target."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sounds:
    """Inputs of a stretch of a take, declipped and with gain steps undone."""

    take: Take
    first_frame: int
    """Frame of the take that is frame 0 here."""
    frames: int
    gain_steps: tuple[tuple[int, GainStep], ...] = ()
    repaired: tuple[tuple[int, float], ...] = ()
    cleaned: tuple[tuple[int, Recording], ...] = ()
    """Inputs that are read as they were cleaned before."""

    @property
    def rate_hz(self) -> int:
        """Common sample rate."""
        return self.take.rate_hz

    def channels(self, index: int) -> int:
        """Number of channels of an input."""
        return self.take.recordings[index].channels

    def read(self, index: int, start: int, stop: int) -> Block:
        """Samples `start` to `stop` of the stretch, and beyond it; silence before and after the take."""
        start, stop = start + self.first_frame, stop + self.first_frame
        longest_s = dict(self.repaired).get(index)
        recording = dict(self.cleaned).get(index, self.take.recordings[index])
        if longest_s is not None:
            read = partial(read_stretch, recording, self.rate_hz)
            block = declipped_stretch(read, start, stop, longest_s, self.rate_hz)
        else:
            block = read_stretch(recording, self.rate_hz, start, stop)
        apply_gain_step(block, start, dict(self.gain_steps).get(index), self.rate_hz, undo=True)
        return block


def apply_gain_step(block: Block, start: int, gain_step: GainStep | None, rate_hz: int, *, undo: bool) -> None:
    """Undo a gain step, or apply it again, in a block that begins at frame `start` of the take."""
    if gain_step is not None:
        at = max(0, round(gain_step.at_s * rate_hz) - start)
        block[:, at:] *= np.float32(10.0 ** ((-gain_step.step_db if undo else gain_step.step_db) / 20.0))


@dataclass(frozen=True, slots=True)
class Piece:
    """What is processed at a time, in spectra of the stretch."""

    first: int
    last: int
    start_frame: int
    stop_frame: int


@dataclass(frozen=True, slots=True)
class Part:
    """What shares one set of filters, in spectra of the stretch."""

    first: int
    last: int
    pieces: tuple[Piece, ...]


def parts_of(sounds: Tracks) -> tuple[Part, ...]:
    """The stretch in parts and pieces of about equal length."""
    grid, total = grid_of(sounds), sounds.frames
    per_second = sounds.rate_hz / grid.hop
    end = -(-total // grid.hop)

    def cuts(first: int, last: int, longest_s: float) -> list[int]:
        count = max(1, math.ceil((last - first) / (longest_s * per_second) - _SLACK))
        return [first + round((last - first) * place / count / grid.block) * grid.block for place in range(count)] + [
            last
        ]

    def piece(first: int, last: int) -> Piece:
        return Piece(first, last + OVERLAP - 1, first * grid.hop, min(last * grid.hop, total))

    edges = cuts(0, end, _PART_S)
    return tuple(
        Part(first, last, tuple(piece(*ends) for ends in _pairs(cuts(first, last, _PIECE_S))))
        for first, last in _pairs(edges)
    )


def _pairs(edges: Sequence[int]) -> list[tuple[int, int]]:
    return [(first, last) for first, last in pairwise(edges) if first < last]


def subtracted(targets: Targets, learnt: Sequence[Learnt], piece: Piece) -> Iterator[LeftAndTaken]:
    """A piece of the stretch, a few seconds at a time. Raises `RecordingsError`."""
    grid, sounds = grid_of(targets.sounds), targets.sounds
    rows = targets.rows
    synthesis = [Synthesis(grid.size) for _ in rows]
    spectra = bleed_spectra(targets, learnt, piece.first, piece.last) if rows else _none(piece, grid.chunk)
    at = piece.first
    for bleed, count in ((found, found[0].shape[1] if rows else 0) for found in spectra):
        count = count or min(grid.chunk, piece.last - at)
        begin = (at + 1) * grid.hop - grid.size
        done = slice(
            max(piece.start_frame, begin), max(piece.start_frame, min(begin + count * grid.hop, piece.stop_frame))
        )
        taken = {
            target: np.zeros((sounds.channels(target), done.stop - done.start), np.float32)
            for target, _ in targets.subtracts
        }
        for stage, row, spectrum in zip(synthesis, rows, bleed, strict=True):
            sound = stage.process(spectrum)
            taken[row.target][row.channel] = sound[done.start - begin : done.stop - begin]
        left = {target: sounds.read(target, done.start, done.stop) - block for target, block in taken.items()}
        yield left, taken
        at += count


def _none(piece: Piece, chunk: int) -> Iterator[tuple[()]]:
    for _ in range(piece.first, piece.last, chunk):
        yield ()
