"""What a song is recognised by."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

CHROMA, QUARTERS, DRUM_BANDS, OTHER_BANDS = 12, 4, 4, 4
LEVELS = 15
"""Largest value in a fingerprint: half a byte."""
ROWS = 4 * CHROMA + QUARTERS * (DRUM_BANDS + OTHER_BANDS)
"""Of a beat: pitch classes above the bass in its first and second half, those of the bass, then onsets of drums and of
the other instruments in four quarters of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fingerprint:
    """Harmony and rhythm of a song, beat by beat."""

    tempo_bpm: float
    beats: NDArray[np.uint8]
    """``(ROWS, beats)``, 0 to `LEVELS`."""

    @property
    def seconds(self) -> float:
        """About how long it was played."""
        return len(self.beats[0]) * 60.0 / self.tempo_bpm


@dataclass(frozen=True, slots=True, kw_only=True)
class Recognised:
    """A song that was played before."""

    title: str
    similarity: float
    """Mean over its beats, 0..1."""
    semitones: int
    """How much higher it was played than before."""
    known_beats: NDArray[np.intp]
    """For each beat, the beat of the known song that it is."""
    of_beats: int
    """Beats of the known song."""

    @property
    def is_broken_off(self) -> bool:
        """Whether it ends long before the known song does."""
        return len(self.known_beats) > 0 and int(self.known_beats[-1]) < 0.85 * self.of_beats - 8
