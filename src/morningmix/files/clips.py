"""clips.json: the clips of a rehearsal, where each lies in which take, and how it was moved by hand."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Annotated

from annotated_types import Ge, Le, MaxLen
from pydantic import BaseModel, ConfigDict, ValidationError  # noqa: TID251 - this room may

from morningmix.errors import RecipeError
from morningmix.model.film import KnownClip, Lined
from morningmix.model.names import name_as_text, name_from_text
from morningmix.storage.text import read_text, write_text_whole

CLIPS = "clips.json"

_Text = Annotated[str, MaxLen(4_000)]
_MOST_S = 1e6


class _Row(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)

    path: _Text
    take: _Text
    offset_s: Annotated[float, Ge(-_MOST_S), Le(_MOST_S)]
    drift_ppm: Annotated[float, Ge(-10_000.0), Le(10_000.0)]
    confidence: Annotated[float, Ge(0.0), Le(1.0)]
    accepted: bool
    nearest_m: Annotated[float, Ge(0.0), Le(1_000.0)] | None = None
    frames_later: Annotated[int, Ge(-1_000), Le(1_000)] = 0


class _File(BaseModel):
    clips: Annotated[list[_Row], MaxLen(1_000)]


def write_clips(path: Path, clips: Sequence[KnownClip]) -> None:
    """Write them in their order. Raises `OutputError`."""
    rows = []
    for clip in clips:
        place = asdict(clip.lined)
        del place["file"]
        where = {"path": name_as_text(str(clip.path)), "take": clip.take}
        rows.append({**where, **place, "frames_later": clip.frames_later})
    write_text_whole(path, json.dumps({"clips": rows}, indent=1, ensure_ascii=False) + "\n")


def read_clips(path: Path) -> list[KnownClip]:
    """The clips that are known; none of a file that this program did not write."""
    try:
        file = _File.model_validate_json(read_text(path))
    except (RecipeError, ValidationError):
        return []
    clips = []
    for row in file.clips:
        clip = Path(name_from_text(row.path))
        lined = Lined(
            file=name_as_text(clip.name),
            offset_s=row.offset_s,
            drift_ppm=row.drift_ppm,
            confidence=row.confidence,
            accepted=row.accepted,
            nearest_m=row.nearest_m,
        )
        clips.append(KnownClip(path=clip, take=row.take, lined=lined, frames_later=row.frames_later))
    return clips
