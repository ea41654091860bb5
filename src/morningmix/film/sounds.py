"""Mono sound of a take and of a clip, read when it is needed."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass

import numpy as np

from morningmix.audio.read import open_recording, read_stretch
from morningmix.film.clip import Clip, mono
from morningmix.film.clip import sound as sound_of
from morningmix.film.envelope import ENVELOPE_HZ
from morningmix.model.recording import Recording, Take
from morningmix.units import Block

_BLOCK_S = 1.0
_OTHERWISE_HZ = 48_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Sound:
    """Sound that is read when it is needed, ``(1, frames)`` float32: a clip's, or the inputs of a take together."""

    rate_hz: int
    """A multiple of `ENVELOPE_HZ`."""
    frames: int
    blocks: Callable[[], Iterator[Block]]
    """All of it, from the beginning."""
    stretch: Callable[[int, int], Block]
    """From one frame (may be negative) up to another, silence outside."""

    @property
    def duration_s(self) -> float:
        """Length."""
        return self.frames / self.rate_hz


def together(take: Take, recordings: Sequence[Recording]) -> Sound:
    """Some recordings of a take, added up. Reading raises `RecordingsError`."""
    rate_hz = _rate_hz(take.rate_hz)

    def blocks() -> Iterator[Block]:
        with ExitStack() as stack:
            readers = [stack.enter_context(open_recording(recording, rate_hz)) for recording in recordings]
            left = max(reader.frames for reader in readers)
            while left > 0:
                frames = min(round(_BLOCK_S * rate_hz), left)
                yield _added([reader.read(frames) for reader in readers])
                left -= frames

    def stretch(start: int, stop: int) -> Block:
        return _added([read_stretch(recording, rate_hz, start, stop) for recording in recordings])

    return Sound(rate_hz=rate_hz, frames=round(take.duration_s * rate_hz), blocks=blocks, stretch=stretch)


def of_clip(clip: Clip) -> Sound:
    """A clip's sound. Reading raises `RecordingsError`."""
    rate_hz = _rate_hz(clip.rate_hz)

    def stretch(start: int, stop: int) -> Block:
        block: Block = np.zeros((1, stop - start), np.float32)
        at = max(0, -start)
        for piece in mono(sound_of(clip, rate_hz, max(0, start) / rate_hz, stop / rate_hz)):
            piece = piece[:, : block.shape[1] - at]
            block[:, at : at + piece.shape[1]] = piece
            at += piece.shape[1]
        return block

    frames = round(clip.duration_s * rate_hz)
    return Sound(rate_hz=rate_hz, frames=frames, blocks=lambda: mono(sound_of(clip, rate_hz)), stretch=stretch)


def _rate_hz(rate_hz: int) -> int:
    return rate_hz if rate_hz % ENVELOPE_HZ == 0 else _OTHERWISE_HZ


def _added(blocks: Sequence[Block]) -> Block:
    added: Block = np.zeros((1, blocks[0].shape[1]), np.float32)
    for block in blocks:
        for row in block:
            added[0] += row
    return added
