"""Where a clip of a camera lies in the take."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True, kw_only=True)
class Lined:
    """A clip, its place in the take, and whether it belongs there.

    Its sound counts as it arrives at the camera: whoever stands three metres away is heard 9 ms late there.
    """

    file: str
    offset_s: float
    """Take time at which the clip's first sample lies; negative if the clip starts before the take."""
    drift_ppm: float
    """The clip's clock against the recorder's. Positive: the clip's runs fast, and music takes longer in the clip."""
    confidence: float
    """From 0 to 1."""
    accepted: bool
    """Whether the clip was recorded at this take. If not, the other numbers are a best guess."""

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
