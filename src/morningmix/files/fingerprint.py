"""Fingerprints of a band's songs: a folder ``songs`` beside ``band.toml``, one small file for each.

They may be renamed, copied and deleted by hand. One that cannot be read costs nothing but its own song.
"""

from __future__ import annotations

import base64
import binascii
import json
import zlib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from annotated_types import MaxLen, MinLen
from pydantic import BaseModel, ConfigDict, ValidationError  # noqa: TID251 - files is the room that reads

from morningmix.errors import MorningmixError, OutputError, RecipeError
from morningmix.model.fingerprint import LEVELS, ROWS, Fingerprint
from morningmix.model.names import plain, visible
from morningmix.model.tempo import BeatsPerMinute
from morningmix.storage.home import output_errors, refuse_link, safe_name
from morningmix.storage.text import read_bytes, write_text_whole

SONGS = "songs"
FORM = 1
"""Version of the form of a fingerprint."""
_ENDING = ".json"
_LARGEST_BYTES = 200_000
_MOST_SONGS = 1_000
_MOST_BEATS = 10_000
_HALF_BYTES = 16


class _Form(BaseModel):
    song: int


class _File(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)

    song: Literal[1]
    title: Annotated[str, MinLen(1), MaxLen(500)]
    tempo_bpm: BeatsPerMinute
    beats: str
    """Half a byte for each row of each beat, the first one in the high half; deflated (RFC 1950), in base64."""


def write_fingerprint(folder: Path, title: str, fingerprint: Fingerprint) -> Path:
    """Write the fingerprint of a song into `folder`, which is made if need be, in place of the one it has.

    Returns its path. Raises `OutputError` and `UsageError` where that cannot be.
    """
    refuse_link(folder)
    with output_errors(folder):
        folder.mkdir(exist_ok=True)
    path = _path_for(folder, title)
    refuse_link(path)
    values = fingerprint.beats.T
    packed = (_HALF_BYTES * values[:, ::2] + values[:, 1::2]).astype(np.uint8).tobytes()
    text = json.dumps(
        {
            "song": FORM,
            "title": title,
            "tempo_bpm": fingerprint.tempo_bpm,
            "beats": base64.b64encode(zlib.compress(packed, 9)).decode("ascii"),
        },
        indent=1,
    )
    write_text_whole(path, text + "\n")
    return path


def _path_for(folder: Path, title: str) -> Path:
    """The file that holds the title already; else one that is not there yet, named after it."""
    for path in _files(folder):
        try:
            if plain(_read(path)[0]) == plain(title):
                return path
        except MorningmixError:
            continue
    name = safe_name(title)
    for number in range(1, _MOST_SONGS):
        path = folder / f"{name}{'' if number == 1 else f' {number}'}{_ENDING}"
        if not path.exists():
            return path
    raise OutputError(f"There are too many files called {name} in {folder}.")


def read_fingerprints(folder: Path, skipped: Callable[[str], None]) -> Mapping[str, Fingerprint]:
    """All fingerprints in a folder by title; `skipped` receives a line about each that cannot be used."""
    found: dict[str, Fingerprint] = {}
    files: dict[str, Path] = {}
    paths = _files(folder)
    if len(paths) > _MOST_SONGS:
        skipped(f"{folder} holds {len(paths)} songs; the first {_MOST_SONGS} are recognised.")
    for path in paths[:_MOST_SONGS]:
        try:
            title, fingerprint = _read(path)
        except MorningmixError as error:
            skipped(str(error))
            continue
        other = files.setdefault(plain(title), path)
        if other is path:
            found[title] = fingerprint
        else:
            skipped(
                f'{path.name} is of "{visible(title)}", and so is {other.name}, which counts. Delete one of them in '
                f"{folder}."
            )
    return found


def _files(folder: Path) -> list[Path]:
    try:
        return sorted(path for path in folder.iterdir() if path.suffix == _ENDING and path.is_file())
    except OSError:
        return []


def _read(path: Path) -> tuple[str, Fingerprint]:
    """Title and fingerprint. Raises `RecipeError`."""
    raw = read_bytes(path, _LARGEST_BYTES)
    try:
        form = _Form.model_validate_json(raw).song
        if form > FORM:
            raise RecipeError(f"{path} was written by a newer version of morningmix, so that song is not recognised.")
        file = _File.model_validate_json(raw)
        unpacker = zlib.decompressobj()
        packed = unpacker.decompress(base64.b64decode(file.beats, validate=True), _MOST_BEATS * ROWS)
        if not packed or not unpacker.eof:
            raise ValueError("empty, too long or cut")
        bytes_ = np.frombuffer(packed, np.uint8).reshape(-1, ROWS // 2)
    except (ValidationError, ValueError, binascii.Error, zlib.error) as error:
        raise RecipeError(
            f"{path} is damaged, so that song is not recognised. Delete it; the next remember writes it again."
        ) from error
    beats = np.empty((ROWS, len(bytes_)), np.uint8)
    beats[::2], beats[1::2] = bytes_.T // _HALF_BYTES, bytes_.T % _HALF_BYTES
    return file.title, Fingerprint(tempo_bpm=file.tempo_bpm, beats=np.minimum(beats, np.uint8(LEVELS)))
