"""Songs and findings of a take."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from morningmix.model.names import plain


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
    played_s: float
    """How long the band plays together in it."""
    shown: bool = True
    """Whether the music shows that it is whole, or why it is not; else its length alone speaks."""
    of: int | None = None
    """The place of the song that it is a try of among those found: broken off if it is not kept, else once more."""


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

    @property
    def fault(self) -> tuple[str, str]:
        """Identifies the same fault in several rehearsals: plain name of the input, and kind."""
        return plain(self.name), self.kind


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundThen:
    """Findings of one of several rehearsals."""

    when: str
    """ISO 8601, beginning ``2026-11-19``, so that sorting as text sorts by time."""
    faults: frozenset[tuple[str, str]]
    """As `Finding.fault`."""
    names: Mapping[str, str] = field(default_factory=dict)
    """The inputs' names as they were written, by their plain ones."""
