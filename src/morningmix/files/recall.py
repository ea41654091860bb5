"""The recall sheet beside every mix: everything needed to make the same bytes again, and what was measured of it.

It names the recordings by path and SHA-256, holds both plans with every reason, and lists the files it belongs to with
their hashes and the versions that made them. A sheet may come from anybody, so nothing in it is used before it is
checked: each field against the range in its type (most of them in `model.plan`), then the fields against each other.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal

from annotated_types import MaxLen
from pydantic import (  # noqa: TID251 - files is the room that reads
    AfterValidator,
    BaseModel,
    ConfigDict,
    StringConstraints,
    ValidationError,
)

from morningmix.errors import RecipeError
from morningmix.model.plan import READABLE_FAMILIES, Decibels, MasterPlan, SongPlan, Spans
from morningmix.model.tempo import Tempo
from morningmix.storage.text import read_bytes

_LARGEST_BYTES = 8_000_000
_MOST_VALUES = 200_000
"""An hour with ten ridden vocals holds 150,000. The limit keeps the search for errors in a sheet to seconds."""
_FORMER_CLEANING = {"ears": "targets", "turned": "gain_steps"}
_FORMER_TRACK = {"turned": "gain_step"}
"""Names of a plan's fields in format 2, and their names today."""
_MOST_GAIN_DB = 200.0
"""Most that all gains of an input may add up to, far below what 32-bit floats hold (design choice)."""
_LONGEST_NAME_BYTES = 255
"""Longest file name on any file system in use (common practice, no source)."""


def _inside(file: str) -> str:
    """A sheet may come from somebody else: what it calls its files must lie in its folder."""
    parts = file.replace("\\", "/").split("/")
    if not file or "\0" in file or ":" in parts[0] or any(part in ("", ".", "..") for part in parts):
        raise ValueError(f"{file[:80]!r} is not a file in the song's folder")
    return _short(file)


def _folder(path: str) -> str:
    if not path or "\0" in path:
        raise ValueError(f"{path[:80]!r} is not a folder")
    return _short(path)


def _short(path: str) -> str:
    if any(len(part.encode()) > _LONGEST_NAME_BYTES for part in path.split("/")):
        raise ValueError(f"{path[:80]!r}... is too long for a path")
    return path


_Path = Annotated[str, MaxLen(2_000)]
File = Annotated[_Path, AfterValidator(_inside)]
Folder = Annotated[_Path, AfterValidator(_folder)]
_Word = Annotated[str, StringConstraints(pattern=r"^[ -~]{1,80}\z")]
Sha256 = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}\z")]


_SAY_NOTHING = (
    ',"stretch_s":null',
    ',"kit":[],"kit_references":[]',
    ',"mono_below_hz":null',
    ',"early_db":null,"high_db":0.0',
    ',"place":null',
)
"""Fields that are later than format 2, as they are written where they change nothing."""


class _Sheet(BaseModel):
    # The dataclasses of the plans are read by this too.
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class RecordedInput(_Sheet):
    """One input: its files in order, and what they were when the mix was made."""

    files: tuple[str, ...]
    """Its name in the recipe."""
    parts: tuple[str, ...]
    """Every file it was read from, in order."""
    sha256: tuple[Sha256, ...]


class MixFile(_Sheet):
    """Meter readings of the written mix; None where there was too little sound."""

    file: File
    integrated_lufs: Decibels | None
    range_lu: Decibels | None
    true_peak_dbtp: Decibels | None


class Settings(_Sheet):
    """How files were written."""

    bits: Literal[16, 24]
    file_format: Literal["wav", "flac"]
    tracks: bool
    practice: bool = False


class Recall(_Sheet):
    """A whole recall sheet."""

    recall: Literal[2, 3] = 3
    """Format 2 has neither `sha256` nor `versions`."""
    morningmix: str
    """Version of the program that wrote it."""
    title: str
    tracks_folder: Folder
    """Folder with the raw tracks, relative to the recall sheet where the system allows it."""
    recordings: tuple[RecordedInput, ...]
    settings: Settings
    plan: SongPlan
    master: MasterPlan
    mix: MixFile
    stems: Annotated[tuple[File, ...], MaxLen(len(READABLE_FAMILIES))]
    tempo: Tempo | None = None
    """What was played, which changes nothing of the mix; None if unknown."""
    levels_lu: tuple[Decibels | None, ...] | None = None
    """Estimated loudness of each of the plan's tracks re the mix while it plays, None for one that does not; None if
    unknown."""
    reachable_lufs: Decibels | None = None
    """Loudness that can be reached without more limiting than the target allows."""
    files: list[File]
    """All files of this mix, relative to the song folder; any other file there is somebody's own."""
    sha256: dict[File, Sha256] | None = None
    """SHA-256 of those files, except the sheet itself; None if unknown."""
    versions: dict[_Word, _Word] | None = None
    """Versions of this program and of everything else that the bytes depend on, by name; None if unknown."""

    @property
    def mix_id(self) -> str:
        """Eight hexadecimal digits that identify this version of the mix.

        Computed with the field names of format 2 and without later fields that say nothing, so that feedback on a page
        sent earlier still matches its mix.
        """
        plans = self.model_dump_json(include={"plan", "master"})
        plans = plans.replace('"what":"gain_step"', '"what":"turned"')
        for says_nothing in _SAY_NOTHING:
            plans = plans.replace(says_nothing, "")
        for former, name in (*_FORMER_CLEANING.items(), *_FORMER_TRACK.items()):
            plans = plans.replace(f'"{name}":', f'"{former}":')
        return hashlib.sha256(plans.encode("utf-8")).hexdigest()[:8]


def read_recall(path: Path) -> Recall:
    """Read a recall sheet.

    Raises `RecipeError`, with the path of the field, if it is damaged or from another version of the format.
    """
    raw = read_bytes(path, _LARGEST_BYTES)
    if raw.count(b",") > _MOST_VALUES:
        raise _unreadable(path, "the file", f"it holds more than {_MOST_VALUES} values")
    try:
        sheet = Recall.model_validate_json(_with_field_names_of_today(raw))
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        where = ".".join(str(step) for step in first["loc"]) or "the file"
        raise _unreadable(path, where, first["msg"]) from error
    for where, says in _contradictions(sheet):
        raise _unreadable(path, where, says)
    return sheet


def _with_field_names_of_today(raw: bytes) -> bytes:
    """The sheet with the fields of its plan named as in format 3, where it uses the names of format 2."""
    if not any(f'"{former}"'.encode() in raw for former in (*_FORMER_CLEANING, *_FORMER_TRACK)):
        return raw
    try:
        sheet: Any = json.loads(raw)
        plan = sheet["plan"]
        _rename(plan["cleaning"] or {}, _FORMER_CLEANING)
        for track in plan["tracks"]:
            _rename(track, _FORMER_TRACK)
            for reason in track["reasons"]:
                reason["what"] = _FORMER_TRACK.get(reason["what"], reason["what"])
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        # Validation says what is wrong with it, and where.
        return raw
    return json.dumps(sheet).encode()


def _rename(fields: dict[str, Any], names: Mapping[str, str]) -> None:
    for former, name in names.items():
        if former in fields and name not in fields:
            fields[name] = fields.pop(former)


def _unreadable(path: Path, where: str, says: str) -> RecipeError:
    # Keys from somebody else may hold anything.
    where = where.encode("unicode_escape").decode()
    where = where if len(where) <= 120 else f"{where[:100]}..."
    return RecipeError(
        f"{path.name} is not a recall sheet this version can read ({where}: {says}). Mix from the recipe instead."
    )


def unsaid(_line: str) -> None:
    """Ignore skipped sheets."""


def read_sheets(paths: Iterable[Path], skipped: Callable[[str], None]) -> list[tuple[Path, Recall]]:
    """The sheets that can be read, each with its path; `skipped` receives a line about each of the others.

    Raises `RecipeError` if there are some and none can be read.
    """
    sheets: list[tuple[Path, Recall]] = []
    unread: list[tuple[Path, RecipeError]] = []
    for path in paths:
        try:
            sheets.append((path, read_recall(path)))
        except RecipeError as error:
            unread.append((path, error))
    if unread and not sheets:
        raise unread[0][1]
    for path, why in unread:
        skipped(f"skipped {path.parent.name}: {why}")
    return sheets


def recall_text(recall: Recall) -> str:
    """The sheet as JSON text."""
    return recall.model_dump_json(indent=1) + "\n"


# ---------------------------------------------------------------- what no field can say alone


def _contradictions(sheet: Recall) -> Iterator[tuple[str, str]]:
    """Fields of a sheet that contradict each other, and how."""
    plan = sheet.plan
    if round(plan.end_s * plan.rate_hz) <= round(plan.start_s * plan.rate_hz):
        yield "plan.end_s", "the song must end after it starts"
    if [recording.files for recording in sheet.recordings] != [track.files for track in plan.tracks]:
        yield "recordings", "they must be the inputs of plan.tracks"
    for place, recording in enumerate(sheet.recordings):
        if not recording.parts or len(recording.parts) != len(recording.sha256):
            yield f"recordings.{place}.sha256", "every part needs a hash"
    for place in range(len(plan.tracks)):
        yield from _of_track(plan, place)
    if sheet.tempo is not None and any(after <= before for before, after in pairwise(sheet.tempo.beats_s)):
        yield "tempo.beats_s", "beats must be in order"
    if sheet.levels_lu is not None and len(sheet.levels_lu) != len(plan.tracks):
        yield "levels_lu", "every track needs one"
    if plan.reverb is not None:
        yield from _below_nyquist(plan, "plan.reverb.low_cut_hz", plan.reverb.low_cut_hz)
    if plan.mono_below_hz is not None:
        yield from _below_nyquist(plan, "plan.mono_below_hz", plan.mono_below_hz)
    for place, goal in enumerate(plan.goals):
        yield from _known_family(f"plan.goals.{place}.family", goal.family)
        yield from _in_order(f"plan.goals.{place}.where_s", goal.where_s)
    yield from _of_cleaning(plan)
    for place, (family, _) in enumerate(sheet.master.trims.trims_db):
        yield from _known_family(f"master.trims.trims_db.{place}", family)
    for where, file in (("mix.file", sheet.mix.file), *(("stems", stem) for stem in sheet.stems)):
        if file not in sheet.files:
            yield where, f"{file!r} is not among its files"


def _of_track(plan: SongPlan, place: int) -> Iterator[tuple[str, str]]:
    track, where = plan.tracks[place], f"plan.tracks.{place}"
    if track.family:
        yield from _known_family(f"{where}.family", track.family)
    yield from _in_order(f"{where}.ducked_s", track.ducked_s)
    if track.gate is not None:
        yield from _in_order(f"{where}.gate.open_s", track.gate.open_s)
    if any(after[0] < before[0] for before, after in pairwise(track.ride)):
        yield f"{where}.ride", "its points must be in order"
    for number, planned in enumerate(track.filters):
        yield from _below_nyquist(plan, f"{where}.filters.{number}.corner_hz", planned.corner_hz)
        if planned.kind == "peak" and planned.q < 0.01:
            yield f"{where}.filters.{number}.q", "it must be at least 0.01 for a peak"
    if track.de_esser is not None:
        yield from _below_nyquist(plan, f"{where}.de_esser.corner_hz", track.de_esser.corner_hz)
    for number, move in enumerate(track.moves):
        if move.to_s < move.from_s:
            yield f"{where}.moves.{number}.to_s", "a move must end after it starts"
    gains = [track.gain_db, track.fader_db, track.gain_step[1] if track.gain_step else 0.0]
    gains += [move.level_db for move in track.moves] + [planned.gain_db for planned in track.filters]
    gains += [max((db for _, db in track.ride), default=0.0)]
    if sum(max(0.0, gain) for gain in gains) > _MOST_GAIN_DB:
        yield where, f"its gains add up to more than {_MOST_GAIN_DB:.0f} dB"


def _of_cleaning(plan: SongPlan) -> Iterator[tuple[str, str]]:
    if plan.cleaning is None:
        return
    named = {
        "targets": [index for index, _ in plan.cleaning.targets],
        "references": plan.cleaning.references,
        "gain_steps": [index for index, *_ in plan.cleaning.gain_steps],
        "repaired": [index for index, _ in plan.cleaning.repaired],
        "kit": plan.cleaning.kit,
        "kit_references": [index for index, _ in plan.cleaning.kit_references],
    }
    for name, indices in named.items():
        if len(set(indices)) < len(indices) or max(indices, default=0) >= len(plan.tracks):
            yield f"plan.cleaning.{name}", f"it must name inputs from 0 to {len(plan.tracks) - 1}, each once"
    if not set(named["targets"]) <= set(named["references"]):
        yield "plan.cleaning.references", "all targets must be among them"
    if set(named["kit"]) & {*named["kit_references"], *named["targets"]}:
        yield "plan.cleaning.kit", "no input of the kit may be a target or a reference of the kit"
    for place, (_, hz) in enumerate(plan.cleaning.kit_references):
        yield from _below_nyquist(plan, f"plan.cleaning.kit_references.{place}", hz)


def _below_nyquist(plan: SongPlan, where: str, hz: float) -> Iterator[tuple[str, str]]:
    if not hz < plan.rate_hz / 2.0:
        yield where, f"it must lie below {plan.rate_hz / 2.0:g} Hz, half the sample rate"


def _known_family(where: str, family: str) -> Iterator[tuple[str, str]]:
    if family not in READABLE_FAMILIES:
        yield where, f"it must be one of {', '.join(READABLE_FAMILIES)}"


def _in_order(where: str, spans: Spans) -> Iterator[tuple[str, str]]:
    times = [at for span in spans for at in span]
    if any(after < before for before, after in pairwise(times)):
        yield where, "its stretches must be in order"
