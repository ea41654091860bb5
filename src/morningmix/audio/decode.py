"""Decode a file that was encoded for sharing, as a player would."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import soundfile  # noqa: TID251

from morningmix.audio.paths import openable
from morningmix.errors import OutputError
from morningmix.units import Block

_BLOCK_FRAMES = 65_536


def decoded(path: Path) -> Iterator[Block]:
    """Blocks of an MP3 or FLAC file, ``(channels, frames)`` float32. Raises `OutputError`."""
    try:
        with soundfile.SoundFile(openable(path)) as file:
            while len(block := file.read(_BLOCK_FRAMES, dtype="float32", always_2d=True)):
                yield np.ascontiguousarray(block.T)
    except (OSError, soundfile.LibsndfileError) as error:
        raise OutputError(f"{path} was written, but cannot be read back: {error}.") from error
