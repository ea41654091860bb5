"""Songs and findings of a take."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Boundary:
    """Start or end of a song, and the evidence for it."""

    at_s: float
    because: str
    sure: float
    """0..1; a rating of the evidence, not a measured probability."""

    @property
    def unsure(self) -> bool:
        """Whether somebody should check it by listening."""
        return self.sure < 0.6


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundSong:
    """A stretch of a take in which the band plays."""

    start: Boundary
    end: Boundary
    keep: bool
    reason: str | None
    """Why it is not kept."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Edges:
    """Places of a take where a song may start or end, in order: nearer ones are no better than farther ones."""

    starts: tuple[Boundary, ...]
    ends: tuple[Boundary, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One finding about an input or about the whole take."""

    name: str
    """Name of the input, or "" for the take."""
    kind: str
    says: str
    weight: float
    """Larger is worse."""
