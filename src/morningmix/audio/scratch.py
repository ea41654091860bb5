"""Temporary sound on disk: float32, interleaved, without a header, in files that any process can read."""

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
        try:
            scratch.path.unlink(missing_ok=True)
            self._file: BinaryIO = scratch.path.open("xb")
        except OSError as error:
            raise cannot_write(scratch.path, error) from error

    def write(self, block: Block) -> None:
        """Append a block, ``(channels, frames)`` float32."""
        if block.shape[0] != self._scratch.channels or block.dtype != np.float32:
            raise ValueError(f"{self._scratch.channels} channels of float32 expected, not {block.dtype} {block.shape}")
        try:
            self._file.write(np.ascontiguousarray(block.T, "<f4").data.cast("B") if block.size else b"")
        except OSError as error:
            raise cannot_write(self._scratch.path, error) from error

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
    parts = tuple(
        Part(
            path=piece.path,
            rate_hz=piece.rate_hz,
            channels=piece.channels,
            frames=piece.frames,
            subtype="FLOAT",
            data_offset_bytes=0,
        )
        for piece in pieces
    )
    return Recording(lanes=(parts,), at_frame=at_frame)
