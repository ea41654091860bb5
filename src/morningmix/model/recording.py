"""Recorded files, inputs and takes. Times are seconds from the start of the take."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from morningmix.model.names import name_as_text


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One file on disk, as its header (or what could be saved of it) describes it."""

    path: Path
    rate_hz: int
    channels: int
    frames: int
    subtype: str
    """libsndfile's name of the sample format: PCM_16, PCM_24, FLOAT, ..."""
    embedded_name: str | None = None
    """Track name inside the file (iXML, bext description, INFO), if any."""
    time_reference: int | None = None
    """BWF time reference in frames since midnight."""
    data_offset_bytes: int | None = None
    """Set when the header cannot be trusted: the samples start here, as raw little-endian `subtype`."""
    damage: str | None = None
    """What is wrong with the file and what was recovered, in words; None for an intact file."""

    @property
    def name(self) -> str:
        """File name as text (`model.names.name_as_text`)."""
        return name_as_text(self.path.name)


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """One input of the desk: one file, a stereo pair in two files, each possibly continued in further files."""

    lanes: tuple[tuple[Part, ...], ...]
    """Lanes are parallel (left and right of a pair); the parts of a lane follow one another."""
    at_frame: int = 0
    """Where it begins on the timeline of the take; before that it is silent."""

    @property
    def files(self) -> tuple[str, ...]:
        """File name of each lane's first part as text, as the recipe names the input."""
        return tuple(lane[0].name for lane in self.lanes)

    @property
    def parts(self) -> tuple[Part, ...]:
        """Every file of the input, lane after lane."""
        return tuple(part for lane in self.lanes for part in lane)

    @property
    def channels(self) -> int:
        """Number of channels, 1 or 2."""
        return sum(lane[0].channels for lane in self.lanes)

    @property
    def rate_hz(self) -> int:
        """Sample rate of the recording."""
        return self.lanes[0][0].rate_hz

    @property
    def frames(self) -> int:
        """Length at the recording's own rate; the longest lane counts."""
        return max(sum(part.frames for part in lane) for lane in self.lanes)

    @property
    def embedded_name(self) -> str | None:
        """Track name inside the first file."""
        return self.lanes[0][0].embedded_name

    @property
    def damage(self) -> tuple[str, ...]:
        """What is wrong with its files, in words."""
        return tuple(part.damage for part in self.parts if part.damage)


@dataclass(frozen=True, slots=True, kw_only=True)
class Take:
    """All inputs of one recording, in sync."""

    folder: Path
    recordings: tuple[Recording, ...]
    rate_hz: int
    """Most common rate; other inputs are resampled to it while they are read."""
    frames: int
    """Longest input, at `rate_hz`; shorter ones are silent after their end."""
    left_out: tuple[str, ...] = ()
    """Files in the folder that are not used, each with its reason, in words."""

    @property
    def name(self) -> str:
        """Name of its folder, as text (`model.names.name_as_text`)."""
        return name_as_text(self.folder.name)

    @property
    def duration_s(self) -> float:
        """Length of the longest input."""
        return self.frames / self.rate_hz
