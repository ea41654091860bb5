"""What a band teaches once, ``band.toml``; and ``inputs.toml``, which knows names, roles and players only.

Both lie in a folder above the rehearsals. Of the names the nearer file's count.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from itertools import zip_longest
from pathlib import Path
from typing import Annotated

from pydantic import Field  # noqa: TID251 - this room may

from morningmix.files.recipe_tables import (
    FamilyTable,
    Files,
    InputTable,
    Name,
    Role,
    Title,
    refuse_families_twice,
    refuse_twice,
)
from morningmix.files.toml_lines import Loc, Strict, Toml, between, checked, parse
from morningmix.model.band import Band, SetListSong, Usual, UsualFamily, UsualInput
from morningmix.model.names import plain
from morningmix.storage.text import read_text

BAND, INPUT_LIST = "band.toml", "inputs.toml"
FORM = 1
"""Version of the form of band.toml."""
NAMES = ("name", "role", "player")
"""What an input is called, apart from how it is mixed."""
_TEMPO_BPM = (20.0, 400.0)
"""Range of a tempo: from half the slowest to twice the fastest that anybody plays (design choice)."""


class _Song(Strict):
    title: Title
    tempo_bpm: Annotated[float | None, between(*_TEMPO_BPM)] = None


class BandFile(Strict):
    """A whole band.toml."""

    band: int
    name: Name = None
    input: list[InputTable] = Field(default_factory=list)
    family: list[FamilyTable] = Field(default_factory=list)
    song: list[_Song] = Field(default_factory=list)


class _NamedInput(Strict):
    file: Files
    name: Name = None
    role: Role = None
    player: str | None = None


class _InputList(Strict):
    input: list[_NamedInput] = Field(default_factory=list)


# ---------------------------------------------------------------- which file counts


def read_band(tracks: Path, recipe_dir: Path | None) -> Band:
    """What the band has taught a rehearsal; an empty `Band` where there is neither file.

    The files are looked for beside the tracks, beside the recipe, then in the folders above, nearer ones first, up to
    the user's home; from folders that are not under it up to the top. Raises `RecipeError`, with file and line.
    """
    path, input_list = found_files(tracks, recipe_dir)
    band = Band() if path is None else _read(path)
    return band if input_list is None else _with_names(band, input_list)


def found_files(tracks: Path, recipe_dir: Path | None) -> tuple[Path | None, Path | None]:
    """The band.toml that counts, and the inputs.toml if it lies nearer."""
    path = input_list = None
    for folder in folders_looked_in(tracks, recipe_dir):
        if is_there(folder / BAND):
            path = folder / BAND
            break
        if input_list is None and is_there(folder / INPUT_LIST):
            input_list = folder / INPUT_LIST
    return path, input_list


def is_there(path: Path) -> bool:
    """Whether there is such a file; a folder far above may not be one of ours to look into."""
    try:
        return path.is_file()
    except OSError:
        return False


def folders_looked_in(tracks: Path, recipe_dir: Path | None) -> list[Path]:
    """Folders that may hold what a band teaches, those that count first."""
    starts = [start.resolve() for start in (tracks, recipe_dir) if start is not None]
    levels = zip_longest(*(_above(start) for start in starts))
    return [*starts, *(folder for level in levels for folder in level if folder is not None)]


def _above(folder: Path) -> list[Path]:
    home = Path.home().resolve()
    parents = list(folder.parents)
    if folder == home:
        return []
    return parents[: parents.index(home) + 1] if home in parents else parents


# ---------------------------------------------------------------- reading


def checked_band(toml: Toml) -> BandFile:
    """A band.toml as a model. Raises `RecipeError`, with its line, for whatever is wrong."""
    version = toml.data.get("band")
    if isinstance(version, int) and version > FORM:
        # Whatever else seems wrong in it, this is why.
        raise toml.refusal(
            ("band",), f"this file is from a newer version of morningmix (band = {version}). Install that version."
        )
    file = checked(BandFile, toml)
    if file.band != FORM:
        raise toml.refusal(("band",), f"band must be {FORM}, not {file.band}.")
    _refuse_inputs_twice(toml, file.input)
    refuse_families_twice(toml, (), file.family)
    titles = [(plain(song.title), song.title, ("song", at, "title")) for at, song in enumerate(file.song)]
    refuse_twice(toml, "title", titles)
    return file


def _refuse_inputs_twice(toml: Toml, inputs: Sequence[InputTable]) -> None:
    files: list[tuple[str, str, Loc]] = []
    names: list[tuple[str, str, Loc]] = []
    for at, one in enumerate(inputs):
        files += [(file, file, ("input", at, "file")) for file in one.file]
        names += [] if one.name is None else [(plain(one.name), one.name, ("input", at, "name"))]
    refuse_twice(toml, "file", files)
    refuse_twice(toml, "name", names)


def _read(path: Path) -> Band:
    toml = parse(read_text(path), path.name)
    file = checked_band(toml)
    return Band(
        path=path,
        name=file.name,
        inputs=_inputs(toml, file.input),
        families=tuple(
            UsualFamily(name=one.name, settings=_settings(toml, ("family", at), one, f"the {one.name}"))
            for at, one in enumerate(file.family)
        ),
        songs=tuple(SetListSong(title=song.title, tempo_bpm=song.tempo_bpm) for song in file.song),
    )


def _inputs(toml: Toml, inputs: Sequence[InputTable]) -> tuple[UsualInput, ...]:
    return tuple(
        UsualInput(files=tuple(one.file), settings=_settings(toml, ("input", at), one, "this input"))
        for at, one in enumerate(inputs)
    )


def _settings(toml: Toml, table: Loc, written: InputTable | FamilyTable, whose: str) -> tuple[Usual, ...]:
    """What a table sets, in the order of its lines, but for what it is about."""
    about = {"file"} if isinstance(written, InputTable) else {"name"}
    settings = [
        Usual(key=key, value=getattr(written, key), whose=whose, file=toml.label, line=toml.line((*table, key)))
        for key in written.model_fields_set - about
    ]
    return tuple(sorted(settings, key=lambda one: one.line))


def _with_names(band: Band, input_list: Path) -> Band:
    """The band with the names, roles and players of an input list, and with no others."""
    toml = parse(read_text(input_list), input_list.name)
    listed = [
        InputTable.model_construct(**one.model_dump(exclude_unset=True)) for one in checked(_InputList, toml).input
    ]
    _refuse_inputs_twice(toml, listed)
    named = _inputs(toml, listed)
    files = {file for one in named for file in one.files}
    bare = tuple(
        replace(one, settings=tuple(each for each in one.settings if each.key not in NAMES)) for one in band.inputs
    )
    settings = settings_by_file(bare)
    return replace(
        band,
        input_list=input_list,
        inputs=(
            *(replace(one, settings=(*one.settings, *usual_of(one.files, settings))) for one in named),
            *(one for one in bare if not files & set(one.files)),
        ),
    )


def settings_by_file(inputs: Iterable[UsualInput]) -> dict[str, tuple[Usual, ...]]:
    """What is usual for the input that each file belongs to."""
    return {file: one.settings for one in inputs for file in one.files}


def usual_of(files: Iterable[str], settings: Mapping[str, tuple[Usual, ...]]) -> tuple[Usual, ...]:
    """What is usual for an input with these files; two entries are one input if they share a file."""
    return next((settings[file] for file in files if file in settings), ())


def spelt_as(band: Band, files: Iterable[str]) -> Band:
    """The band with file names spelled as in the take, where they differ only in case.

    A name is matched only if the take has no file spelled exactly so and one that differs in case, and if no other
    entry means that file.
    """
    present, listed = set(files), {name for one in band.inputs for name in one.files}
    alike, others = _by_case(listed - present), _by_case(present - listed)
    meant = {
        alike[key][0]: names[0] for key, names in others.items() if len(names) == 1 and len(alike.get(key, ())) == 1
    }
    inputs = tuple(replace(one, files=tuple(meant.get(name, name) for name in one.files)) for one in band.inputs)
    return replace(band, inputs=inputs)


def _by_case(names: Iterable[str]) -> dict[str, list[str]]:
    """Names that differ only in case together."""
    found: dict[str, list[str]] = {}
    for name in names:
        folded = unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())
        found.setdefault(folded, []).append(name)
    return found
