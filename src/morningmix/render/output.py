"""Which files a rendering writes: folder, format, width."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from morningmix.audio.write import IntegerWriter
from morningmix.home import safe_name

Bits = Literal[16, 24]
FileFormat = Literal["wav", "flac"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Output:
    """A folder to write sound files into."""

    folder: Path
    bits: Bits = 24
    file_format: FileFormat = "wav"

    def path(self, name: str) -> Path:
        """Where the file of this name goes."""
        return self.folder / f"{safe_name(name)}.{self.file_format}"

    def writer(self, name: str, rate_hz: int, channels: int, frames: int) -> IntegerWriter:
        """Begin a file; the folder is made if need be."""
        self.folder.mkdir(parents=True, exist_ok=True)
        return IntegerWriter(
            self.path(name),
            rate_hz=rate_hz,
            channels=channels,
            frames=frames,
            bits=self.bits,
            file_format=self.file_format,
        )
