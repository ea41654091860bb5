"""The recall sheet: beside every mix, all that is needed to make the same bytes again, and what was measured of it.

It names the recordings by path and SHA-256, holds both plans with every reason, and lists the files it belongs to.
"""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, ValidationError  # noqa: TID251 - files is the room that reads

from morningmix.errors import RecipeError
from morningmix.plan import MasterPlan, SongPlan


def _inside(file: str) -> str:
    """A sheet may come from somebody else: what it calls its files must lie in its folder."""
    parts = file.replace("\\", "/").split("/")
    if not file or "\0" in file or ":" in parts[0] or any(part in ("", ".", "..") for part in parts):
        raise ValueError(f"{file[:80]!r} is no file in the song's folder")
    return file


File = Annotated[str, AfterValidator(_inside)]


class _Sheet(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class RecordedInput(_Sheet):
    """One input: its files in order, and what they were when the mix was made."""

    files: tuple[str, ...]
    """How the recipe names it."""
    parts: tuple[str, ...]
    """Every file it was read from, in order."""
    sha256: tuple[str, ...]


class MixFile(_Sheet):
    """What the meter read of the written mix; None where there was too little sound."""

    file: File
    integrated_lufs: float | None
    range_lu: float | None
    true_peak_dbtp: float | None


class Settings(_Sheet):
    """How files were written."""

    bits: Literal[16, 24]
    file_format: Literal["wav", "flac"]
    tracks: bool
    practice: bool = False


class Recall(_Sheet):
    """A whole recall sheet."""

    recall: Literal[2] = 2
    morningmix: str
    """The version that wrote it."""
    title: str
    tracks_folder: str
    """Folder with the raw tracks, relative to the recall sheet where the system allows it."""
    recordings: tuple[RecordedInput, ...]
    settings: Settings
    plan: SongPlan
    master: MasterPlan
    mix: MixFile
    stems: tuple[File, ...]
    reachable_lufs: float | None = None
    """As loud as it can be made without squeezing its peaks harder than asked."""
    files: list[File]
    """All files of the song folder that this mix made, relative to it; what is not listed is somebody's own."""

    @property
    def mix_id(self) -> str:
        """Tells this version of the mix from any other: eight hexadecimal digits."""
        told = self.model_dump_json(include={"plan", "master"})
        return hashlib.sha256(told.encode("utf-8")).hexdigest()[:8]


def read_recall(path: Path) -> Recall:
    """Read a recall sheet. Raises `RecipeError` if it is damaged or from another version of the format."""
    try:
        return Recall.model_validate_json(path.read_bytes())
    except OSError as error:
        raise RecipeError(f"{path} cannot be read: {error.strerror}.") from error
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(step) for step in first["loc"]) or "the file"
        raise RecipeError(
            f"{path.name} is not a recall sheet this version can read ({where}: {first['msg']}). "
            "Mix from the recipe instead."
        ) from error


def recall_text(recall: Recall) -> str:
    """The sheet as JSON text."""
    return recall.model_dump_json(indent=1) + "\n"
