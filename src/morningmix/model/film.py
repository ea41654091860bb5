"""Where a clip of a camera lies in the take."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True, kw_only=True)
class Lined:
    """A clip, its place in the take, and whether it belongs there."""

    file: str
    offset_s: float
    """Take time at which the clip's first sample lies; negative if the clip starts before the take.

    With `nearest_m`, by the recorder's clock: the way of the sound to the camera is taken off. Without, as the first
    sound arrives at the camera: the time is then too early by the way from the nearest player, 2.9 ms a metre.
    """
    drift_ppm: float
    """The clip's clock against the recorder's. Positive: the clip's runs fast, and music takes longer in the clip."""
    confidence: float
    """From 0 to 1."""
    accepted: bool
    """Whether the clip was recorded at this take. If not, the other numbers are a best guess."""
    nearest_m: float | None = None
    """How far the nearest instrument was from the camera; None where the recordings do not tell, 0 for a cable."""

    @property
    def clock(self) -> float:
        """Seconds of the clip for one second of the take."""
        return 1.0 + self.drift_ppm * 1e-6

    def take_s(self, clip_s: float) -> float:
        """Take time of a moment of the clip, both in seconds."""
        return self.offset_s + clip_s / self.clock

    def clip_s(self, take_s: float) -> float:
        """Clip time of a moment of the take, both in seconds."""
        return (take_s - self.offset_s) * self.clock


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownClip:
    """A clip whose place was looked for."""

    path: Path
    take: str
    """Name of the take that it lies in."""
    lined: Lined
    frames_later: int = 0
    """How many pictures later its sound was set by hand."""
