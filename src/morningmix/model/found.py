"""What was found in a take: songs, and what to know about it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Boundary:
    """Where a song begins or ends, and how that was told."""

    at_s: float
    because: str
    sure: float
    """0..1; a judgement of how good the evidence is, not a measured probability."""

    @property
    def unsure(self) -> bool:
        """Somebody ought to listen."""
        return self.sure < 0.6


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundSong:
    """A stretch of a take in which the band plays."""

    start: Boundary
    end: Boundary
    keep: bool
    reason: str | None
    """Why it is not to be kept."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing to know, about one input or about the whole take."""

    name: str
    """Input, or "" for the take."""
    kind: str
    says: str
    weight: float
    """Worse is larger."""
