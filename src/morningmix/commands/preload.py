"""What jobs need, loaded once for all workers where the system allows."""

from __future__ import annotations

import os
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from morningmix.workers.early import load_early

TO_LISTEN = ("morningmix.measure.take", "morningmix.analysis.cached", "scipy.fft", "scipy.ndimage")
TO_MIX = (*TO_LISTEN, "morningmix.commands.song", "scipy.signal")
_LEAST_BYTES = 20_000_000
"""Tracks, or what the cache keeps of them: with less, hardly anything is left to workers."""


def preload(sources: Sequence[Path], workers: int | None, modules: Sequence[str]) -> None:
    """Begin to load what workers need, where there is enough work for them."""
    if sum(map(_held_bytes, sources)) > _LEAST_BYTES:
        load_early(workers, modules)


def _held_bytes(source: Path) -> int:
    """What lies beside a recipe, or in a folder, and in its cache."""
    place = source if source.is_dir() else source.parent
    held = 0
    for folder in (place, place / ".cache"):
        # Whatever is wrong there is said by the command.
        with suppress(OSError), os.scandir(folder) as files:
            held += sum(file.stat().st_size for file in files if file.is_file())
    return held
