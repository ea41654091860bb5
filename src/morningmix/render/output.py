"""The files that a rendering writes: folder, names, format, width."""

from __future__ import annotations

import itertools
import unicodedata
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from morningmix.audio.write import IntegerWriter
from morningmix.storage.home import output_errors, safe_name

Bits = Literal[16, 24]
FileFormat = Literal["wav", "flac"]


def file_names(titles: Sequence[str]) -> tuple[str, ...]:
    """A safe file name for every title, in order, no two the same on any file system.

    Titles that clash are numbered from the second on: ``kick-in``, ``kick-in 2``.
    """
    names = [safe_name(title) for title in titles]
    counts = Counter(map(_blind, names))
    taken = {key for key, count in counts.items() if count == 1}
    distinct = []
    for name in names:
        free = name
        if counts[_blind(name)] > 1:
            tries = (_numbered(name, number) for number in itertools.count(1))
            free = next(each for each in tries if _blind(each) not in taken)
            taken.add(_blind(free))
        distinct.append(free)
    return tuple(distinct)


def _numbered(name: str, number: int) -> str:
    """The name, with a number behind it from 2 on, at most as long as `safe_name` allows."""
    end = "" if number == 1 else f" {number}"
    while safe_name(name + end) != name + end:
        name = name[:-1].rstrip(" .")
    return name + end


def _blind(name: str) -> str:
    """Equal for names that some file system takes for one: by case, Unicode form, or characters without width."""
    seen = "".join(sign for sign in name if unicodedata.category(sign) != "Cf")
    return unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", seen).upper().casefold())


@dataclass(frozen=True, slots=True, kw_only=True)
class Output:
    """A folder to write sound files into."""

    folder: Path
    bits: Bits = 24
    file_format: FileFormat = "wav"

    def path(self, name: str) -> Path:
        """Path of the file with this name."""
        return self.folder / f"{safe_name(name)}.{self.file_format}"

    def writer(self, name: str, rate_hz: int, channels: int, frames: int) -> IntegerWriter:
        """Open a file for writing; its folder is made if missing. Raises `OutputError`."""
        with output_errors(self.folder):
            self.folder.mkdir(parents=True, exist_ok=True)
        return IntegerWriter(
            self.path(name),
            rate_hz=rate_hz,
            channels=channels,
            frames=frames,
            bits=self.bits,
            file_format=self.file_format,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class SongFiles:
    """Outputs of a song's mix and its stems."""

    title: str
    """Title of the mix; a stem is named after its family."""
    mix: Output
    stems: Output
