"""The recipe: what a person wants, in a small TOML file that people and the program edit (`files.recipe_edit`).

A setting that is written in it counts; one that is not is taken from what is usual for the band, then from [defaults].
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace
from pathlib import Path

from morningmix.errors import RecipeError
from morningmix.files.band import read_band, settings_by_file, spelt_as, usual_of
from morningmix.files.presets import load_target
from morningmix.files.recipe_tables import (
    DefaultsTable,
    FamilyTable,
    InputTable,
    RecipeFile,
    SongTable,
    TargetTable,
    checked_file,
)
from morningmix.files.role_names import GUESS
from morningmix.files.toml_lines import Toml, parse
from morningmix.model.band import Band, Usual
from morningmix.model.names import name_as_text, plain
from morningmix.model.presets import Sourced, TargetPreset
from morningmix.model.recipe import Defaults, FamilyWish, InputWish, MoveWish, Recipe, SongInputWish, SongWish
from morningmix.storage.home import path_of
from morningmix.storage.text import read_text


def read_recipe(path: Path) -> Recipe:
    """Read a recipe, with what is usual for the band and then its [defaults] filled in, and its target's preset loaded.

    Raises `RecipeError`, with file and line, for whatever is wrong.
    """
    toml = parse(read_text(path), path.name)
    file = checked_file(toml)
    tracks = tracks_of(path, file)
    band = _band(path, file)
    names = {plain(wish.called()): wish.called() for wish in file.input}
    defaults = Defaults(**file.defaults.model_dump())
    return Recipe(
        path=path.resolve(),
        tracks=tracks,
        title=file.rehearsal.title or name_as_text(tracks.name or path.resolve().parent.name),
        band=file.rehearsal.band or band.name,
        date=file.rehearsal.date,
        target=_target(file.target, toml),
        defaults=defaults,
        inputs=_input_wishes(file.input, band, defaults),
        families=_family_wishes(file.family, band),
        songs=tuple(_song_wish(song, names) for song in file.song),
        usual=band,
    )


def band_of(path: Path, text: str) -> Band:
    """What is usual for the band whose recipe this is, with file names as the recipe spells them.

    Raises `RecipeError`, with file and line, for whatever is wrong in either.
    """
    return _band(path, checked_file(parse(text, path.name)))


def _band(path: Path, file: RecipeFile) -> Band:
    return spelt_as(
        read_band(tracks_of(path, file), path.resolve().parent), [name for one in file.input for name in one.file]
    )


def tracks_of(path: Path, file: RecipeFile) -> Path:
    """The folder with the raw tracks, absolute."""
    return path_of(file.rehearsal.tracks, path.resolve().parent).resolve()


def wishes_in(recipe: Recipe | None, band: Band, files: Collection[str]) -> tuple[InputWish, ...]:
    """Settings of the inputs of a take that has these files: those that the recipe lists, then those that only the
    band does.

    Two entries are one input if they share a file. A name of the band is not used if the recipe gives it to some input.
    """
    inputs = recipe.inputs if recipe else ()
    defaults = recipe.defaults if recipe else Defaults()
    listed = {name for wish in inputs for name in wish.files}
    taken = {plain(wish.name) for wish in inputs if wish.name is not None}
    only_usual = [one for one in spelt_as(band, files).inputs if not listed & set(one.files)]
    return (
        *inputs,
        *(
            _input_wish(InputTable.model_construct(file=list(one.files)), _free(one.settings, taken), defaults)
            for one in only_usual
        ),
    )


def wish_of_each(
    inputs: Iterable[tuple[str, ...]], wishes: Sequence[InputWish], defaults: Defaults
) -> dict[tuple[str, ...], InputWish]:
    """Settings of every input, by its files; [defaults] alone count for inputs that nobody lists."""
    each: dict[tuple[str, ...], InputWish] = {}
    for files in inputs:
        wish = next((wish for wish in wishes if set(wish.files) & set(files)), None)
        each[files] = defaults.fill(InputWish(files=files)) if wish is None else wish
    return each


def _input_wishes(inputs: Sequence[InputTable], band: Band, defaults: Defaults) -> tuple[InputWish, ...]:
    taken = {plain(one.name) for one in inputs if one.name is not None}
    settings = settings_by_file(band.inputs)
    return tuple(
        replace(_input_wish(one, _free(usual_of(one.file, settings), taken), defaults), called=one.called())
        for one in inputs
    )


def _free(usual: Iterable[Usual], taken: Collection[str]) -> tuple[Usual, ...]:
    """What is usual, but for a name that an input of the recipe has."""
    return tuple(one for one in usual if not (one.key == "name" and plain(str(one.value)) in taken))


def _family_wishes(families: Sequence[FamilyTable], band: Band) -> tuple[FamilyWish, ...]:
    listed = {one.name for one in families}
    usual_only = [FamilyTable.model_construct(name=one.name) for one in band.families if one.name not in listed]
    wishes = []
    for one in (*families, *usual_only):
        usual = tuple(each for each in band.of_family(one.name) if each.key not in one.model_fields_set)
        filled = one.model_copy(update={each.key: each.value for each in usual})
        wishes.append(FamilyWish(**filled.model_dump(), usual=usual))
    return tuple(wishes)


def _target(wish: TargetTable, toml: Toml) -> TargetPreset:
    try:
        target = load_target(wish.preset)
    except RecipeError as error:
        raise toml.refusal(("target", "preset"), str(error)) from error
    if wish.loudness_lufs is not None:
        target = replace(target, loudness_lufs=Sourced(value=wish.loudness_lufs, source="recipe"))
    if wish.ceiling_dbtp is not None:
        target = replace(target, ceiling_dbtp=Sourced(value=wish.ceiling_dbtp, source="recipe"))
    return target


def _confirmed(role: str | None) -> str | None:
    return role.removesuffix(GUESS) if role else None


def _input_wish(written: InputTable, usual: Iterable[Usual], defaults: Defaults) -> InputWish:
    usual = tuple(each for each in usual if each.key not in written.model_fields_set)
    table = written.model_copy(update={each.key: each.value for each in usual})
    own = InputWish(
        files=tuple(table.file),
        name=table.name,
        role=_confirmed(table.role),
        role_is_guess=bool(table.role and table.role.endswith(GUESS)),
        player=table.player,
        low_db=table.low_db,
        high_db=table.high_db,
        room_db=table.room_db,
        pan=table.pan,
        mute=table.mute,
        flip=table.flip,
        delay_ms=table.delay_ms,
        high_pass_hz=table.high_pass_hz,
    )
    said = table.model_dump(include=set(DefaultsTable.model_fields), exclude_none=True)
    return replace(defaults.fill(own), **said, usual=usual)


def _song_wish(song: SongTable, names: dict[str, str]) -> SongWish:
    return SongWish(
        title=song.title,
        start_s=song.start,
        end_s=song.end,
        keep=song.keep,
        reason=song.reason,
        take=song.take,
        inputs=tuple(
            SongInputWish(
                name=names[plain(each.name)],
                level_db=each.level_db,
                low_db=each.low_db,
                high_db=each.high_db,
                room_db=each.room_db,
                role=each.role.removesuffix(GUESS) if each.role else None,
                pan=each.pan,
                mute=each.mute,
            )
            for each in song.input
        ),
        families=tuple(FamilyWish(**family.model_dump()) for family in song.family),
        moves=tuple(
            MoveWish(name=names[plain(each.name)], from_s=each.from_s, to_s=each.to_s, level_db=each.level_db)
            for each in song.move
        ),
    )
