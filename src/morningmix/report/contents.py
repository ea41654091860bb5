"""What the page shows: takes and songs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from morningmix.model.found import Boundary
from morningmix.model.input import Input
from morningmix.model.measured import Measurements, Singing, SongFacts
from morningmix.model.plan import MasterPlan, SongPlan
from morningmix.model.recipe import SongNote
from morningmix.model.recording import Take
from morningmix.model.tempo import Tempo


@dataclass(frozen=True, slots=True, kw_only=True)
class Mixed:
    """What was decided for a song, and what came of it."""

    plan: SongPlan
    master: MasterPlan
    hop_s: float
    reduction_db: Sequence[tuple[str, NDArray[np.float32]]]
    """As in `SongFacts`."""
    loudness_lufs: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportedSong:
    """One mixed song, as the page shows it."""

    title: str
    take: int
    """The take it is cut from."""
    plan: SongPlan
    master: MasterPlan
    facts: SongFacts
    loudness_lufs: float | None
    true_peak_dbtp: float | None
    tempo: Tempo | None = None
    since: str = ""
    """How it differs from the last time it was played, in sentences."""
    notes: Sequence[SongNote] = ()
    """What the band has noted about it."""
    sound: str | None = None
    """Path of the file that plays it, relative to the page."""

    @property
    def mixed(self) -> Mixed:
        """What the levels of its inputs follow from."""
        return Mixed(
            plan=self.plan,
            master=self.master,
            hop_s=self.facts.hop_s,
            reduction_db=self.facts.reduction_db,
            loudness_lufs=self.loudness_lufs,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """One stretch of the take that the recipe lists, and why it starts and ends where it does."""

    title: str
    start: Boundary
    end: Boundary
    left_out: str | None
    """Why it is not mixed; None if it is."""

    @property
    def unsure(self) -> bool:
        """Its start or end is a guess that needs a listen."""
        return self.start.unsure or self.end.unsure


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportedTake:
    """One take and its measurements."""

    take: Take
    measured: Measurements
    inputs: Sequence[Input]
    singing: Mapping[int, Singing | None]
    """By `Input.index`; None where direct sound cannot be told from bleed."""
    cuts: Sequence[Cut] = ()
