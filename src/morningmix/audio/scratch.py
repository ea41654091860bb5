"""Temporary sound on disk: float32 without a header, one channel after the other, in files that any process can read.

So a stretch of a channel is read straight to where it is wanted.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Self

import numpy as np

from morningmix.audio.write import cannot_write
from morningmix.model.recording import Part, Recording
from morningmix.units import Block


@dataclass(frozen=True, slots=True, kw_only=True)
class Scratch:
    """A file of float32 samples."""

    path: Path
    rate_hz: int
    channels: int
    frames: int

    def remove(self) -> None:
        """Delete the file."""
        with suppress(OSError):
            self.path.unlink()


class ScratchWriter:
    """Writes a scratch file; a context manager that removes it after an error. Raises `OutputError`."""

    def __init__(self, scratch: Scratch) -> None:
        self._scratch = scratch
        self._written = 0
        try:
            scratch.path.unlink(missing_ok=True)
            self._file: BinaryIO = scratch.path.open("xb", buffering=0)
        except OSError as error:
            raise cannot_write(scratch.path, error) from error

    def write(self, block: Block) -> None:
        """Append a block, ``(channels, frames)`` float32."""
        if block.shape[0] != self._scratch.channels or block.dtype != np.float32:
            raise ValueError(f"{self._scratch.channels} channels of float32 expected, not {block.dtype} {block.shape}")
        try:
            for channel, samples in enumerate(block):
                self._file.seek(4 * (channel * self._scratch.frames + self._written))
                left = np.ascontiguousarray(samples, "<f4").view(np.uint8).data
                while left:
                    left = left[self._file.write(left) :]
        except OSError as error:
            raise cannot_write(self._scratch.path, error) from error
        self._written += block.shape[1]

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            self._file.close()
        except OSError as failed:
            raise cannot_write(self._scratch.path, failed) from failed
        finally:
            if error is not None:
                self._scratch.remove()


def recording_of(pieces: Sequence[Scratch], at_frame: int = 0) -> Recording:
    """Scratch files, one after the other, as a recording that begins at frame `at_frame` of its take."""
    return Recording(
        lanes=tuple(
            tuple(
                Part(
                    path=piece.path,
                    rate_hz=piece.rate_hz,
                    channels=1,
                    frames=piece.frames,
                    subtype="FLOAT",
                    data_offset_bytes=4 * channel * piece.frames,
                )
                for piece in pieces
            )
            for channel in range(pieces[0].channels)
        ),
        at_frame=at_frame,
    )
