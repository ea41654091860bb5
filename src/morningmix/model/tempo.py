"""Tempo and beats of a song."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from typing import Annotated

from annotated_types import Interval, MaxLen

BeatsPerMinute = Annotated[float, Interval(ge=10.0, le=1_000.0)]
Beat = Annotated[float, Interval(ge=-10.0, le=1e6)]
"""Seconds from the start of the song."""

_CURVE_BEATS = 16


@dataclass(frozen=True, slots=True, kw_only=True)
class Tempo:
    """Tempo and beats of a song as they were played; ranges are what a recall sheet may hold."""

    tempo_bpm: BeatsPerMinute
    """Median over the song."""
    other_bpm: BeatsPerMinute | None
    """What it may be just as well, mostly half or double; None where there is no doubt."""
    beats_s: Annotated[tuple[Beat, ...], MaxLen(100_000)]
    """In order; beats nobody plays in between are there too."""

    @property
    def is_doubtful(self) -> bool:
        """Whether another tempo fits about as well."""
        return self.other_bpm is not None

    @property
    def curve_bpm(self) -> tuple[tuple[float, float], ...]:
        """Tempo over the song: middle of each stretch of up to 16 beats (s), and its tempo."""
        curve = []
        for first in range(0, len(self.beats_s) - 1, _CURVE_BEATS):
            stretch = self.beats_s[first : first + _CURVE_BEATS + 1]
            if stretch[-1] > stretch[0]:
                bpm = 60.0 * (len(stretch) - 1) / (stretch[-1] - stretch[0])
                curve.append(((stretch[0] + stretch[-1]) / 2.0, bpm))
        return tuple(curve)

    @property
    def drift_bpm(self) -> float:
        """How much faster the last quarter of the song is than the first."""
        periods = [after - before for before, after in pairwise(self.beats_s) if after > before]
        quarter = len(periods) // 4
        if quarter < 4:
            return 0.0
        return 60.0 / median(periods[-quarter:]) - 60.0 / median(periods[:quarter])
