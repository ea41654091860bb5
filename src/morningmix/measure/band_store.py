"""Store the band powers of inputs (`dsp.bands`) on disk.

Two hours of ten inputs take about 250 MB, so they are stored as decibels in float16 (steps of 0.03 dB). Temporary
files of a run are exact: linear power in float32.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np
from numpy.typing import NDArray

from morningmix.model.measured import GainStep
from morningmix.model.slots import Bands
from morningmix.storage.cache import FORMATS, EntryWriter, is_whole, key, made_from

_FLOOR_POWER = 1e-13


@cache
def _powers() -> Bands:
    """Table of linear power by the bits of a float16 level in dB: the same on every processor, and faster."""
    levels_db = np.arange(1 << 16, dtype=np.uint16).view(np.float16).astype(np.float64)
    with np.errstate(over="ignore", invalid="ignore"):
        powers: Bands = (10.0 ** (levels_db / 10.0)).astype(np.float32)
    return powers


class BandWriter:
    """Writes hops to a cache entry; a context manager. Raises `OutputError`."""

    def __init__(self, path: Path, *, exact: bool = False) -> None:
        self._entry = EntryWriter(path)
        self._exact = exact

    def write(self, bands: Bands) -> None:
        """Append hops ``(bands, hops)``, linear power."""
        if self._exact:
            values = np.maximum(bands.T, np.float32(_FLOOR_POWER)).astype(np.float32)
        else:
            # In float64, so that rounding to float16 does not depend on the processor.
            values = (10.0 * np.log10(np.maximum(bands.T, _FLOOR_POWER, dtype=np.float64))).astype(np.float16)
        self._entry.write(values.tobytes())

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._entry.__exit__(kind, error, trace)


@dataclass(frozen=True, slots=True, kw_only=True)
class BandStore:
    """Band powers of all inputs of a take on disk."""

    paths: tuple[Path, ...]
    bands: int
    hops: int
    hop_s: float
    band_hz: NDArray[np.float64]
    first_hop: int = 0
    """Hop of the take that is hop 0 here, in a stretch of it."""
    gain_steps: tuple[tuple[int, GainStep], ...] = ()
    """Inputs with a gain step; `read` undoes it."""
    exact: bool = False
    """Whether the files hold exact powers."""

    @property
    def key(self) -> str:
        """Cache key of all recordings as they were measured, without gain steps."""
        return key(FORMATS["track"], *(path.name for path in self.paths))

    @property
    def sources(self) -> frozenset[str]:
        """Keys that cache entries of the take may have: of each recording, and of all together."""
        return frozenset((self.key, *(made_from(path) for path in self.paths)))

    def is_whole(self, track: int) -> bool:
        """Whether the powers of an input are intact. Reads all of them."""
        return is_whole(self.paths[track], 2 * self.hops * self.bands)

    def read(self, track: int, start: int, stop: int) -> Bands:
        """Hops `start` to `stop` of one input, linear power: ``(bands, stop - start)``."""
        kept = np.dtype(np.float32 if self.exact else np.uint16)
        with self.paths[track].open("rb") as file:
            file.seek((self.first_hop + start) * self.bands * kept.itemsize)
            values = np.fromfile(file, kept, (stop - start) * self.bands).reshape(-1, self.bands).T
        power: Bands = values if self.exact else _powers()[values]
        for turned_track, gain_steps in self.gain_steps:
            if turned_track == track:
                at = max(0, round(gain_steps.at_s / self.hop_s) - self.first_hop - start)
                power[:, at:] *= np.float32(10.0 ** (-gain_steps.step_db / 10.0))
        return power
