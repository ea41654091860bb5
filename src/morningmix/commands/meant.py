"""What a wish means in the song as it is mixed now, and whether it still counts."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import get_args

from morningmix.errors import RecipeError, UsageError
from morningmix.files.feedback import MOST_DB, WishedMove, Wishes
from morningmix.files.recall import Recall
from morningmix.files.recipe_edit import PARTS, RANGES_DB, Part
from morningmix.files.toml_lines import did_you_mean
from morningmix.model.names import plain
from morningmix.model.plan import SongPlan, TrackPlan
from morningmix.units import clock

_MARK = re.compile(r"^# wishes of (.+) for mix ([0-9a-f]{8}) \([0-9a-f]{6}\): (.+?)\r?$", re.MULTILINE)


def understood(wishes: Wishes, of_song: SongPlan) -> tuple[Wishes, list[UsageError]]:
    """Wishes with the inputs and families of a song by their names, and what is wrong with those that are left out."""
    moves: list[WishedMove] = []
    errors: list[UsageError] = []
    for move in wishes.moves:
        try:
            moves.append(_understood(move, of_song))
        except UsageError as error:
            errors.append(error)
    return replace(wishes, moves=tuple(moves)), errors


def _understood(move: WishedMove, of_song: SongPlan) -> WishedMove:
    """A wish with the name and the part that it means: "drum room +2" is an input's level if one has that name."""
    sounding = [track for track in of_song.tracks if track.sounds]
    names = [*dict.fromkeys(track.family for track in sounding), *(track.name for track in sounding)]
    left_out = [track.name for track in of_song.tracks if not track.sounds]
    known = {plain(name): name for name in (*left_out, *names)}
    name, part = known.get(plain(move.name)), move.part
    if name is None:
        typed, _, last = move.name.rpartition(" ")
        part = next((part for part in get_args(Part) if part == last.casefold()), part)
        name = known.get(plain(typed)) if part != "level" else None
    if name is None:
        raise UsageError(
            f'{move.where}: nothing in "{of_song.title}" is called "{move.name}".{did_you_mean(move.name, names)} '
            f"The inputs and families are: {', '.join(dict.fromkeys(names))}."
        )
    if not inputs_meant(name, of_song):
        raise UsageError(f'{move.where}: "{name}" is not in the mix of "{of_song.title}".')
    if part != "level" and move.from_s is not None:
        raise UsageError(
            f"{move.where}: only the level can change for one part of a song. Wish for {part} in the whole song."
        )
    most_db = min(MOST_DB, RANGES_DB[PARTS[part]][1])
    if abs(move.level_db) > most_db:
        raise UsageError(
            f"{move.where}: {move.level_db:+g} dB is more than a wish may ask for ({part}: {most_db:g} dB up or down)."
        )
    return replace(move, name=name, part=part)


def inputs_meant(name: str, plan: SongPlan) -> list[str]:
    """Names of the inputs in the mix that a name means: one, or a whole family."""
    sounding = [track for track in plan.tracks if track.sounds]
    return [track.name for track in sounding if track.name == name] or [
        track.name for track in sounding if track.family == name
    ]


def still_wanted(
    wishes: Wishes, mixed: Recall, earlier: Callable[[], Recall | None], text: str
) -> tuple[Wishes, list[RecipeError]]:
    """Wishes as `understood` without those about what has changed since, and a word on each of these.

    A wish is for so much more or less than what somebody heard. `text` is the recipe's, which says whose wishes about
    the same mix are in it already; `earlier` reads the sheet of the mix before `mixed`.
    """
    if not wishes.mix:
        return wishes, []
    written = _written(text, wishes.mix)
    was = earlier() if wishes.mix != mixed.mix_id else None
    kept: list[WishedMove] = []
    left: list[RecipeError] = []
    for move in wishes.moves:
        for_whom = written.get(plain(what_of(move)))
        if for_whom is not None:
            because = f"was changed for {for_whom} since {wishes.who} listened"
        elif was is not None and _changed(move, was.plan, mixed.plan):
            because = f"has changed since {wishes.who} listened"
        else:
            kept.append(move)
            continue
        left.append(RecipeError(f"{move.where}: {what_of(move)} {because}. Let them hear the new mix first."))
    return replace(wishes, moves=tuple(kept)), left


def what_of(move: WishedMove) -> str:
    """What a wish is about: "vocals", "drums low", "vocals from 2:10.0 to 2:40.0"."""
    part = "" if move.part == "level" else f" {move.part}"
    stretch = "" if move.from_s is None or move.to_s is None else f" from {clock(move.from_s)} to {clock(move.to_s)}"
    return f"{move.name}{part}{stretch}"


def written_down(mark: str, moves: Iterable[WishedMove]) -> str:
    """A mark that says which wishes are in the recipe."""
    listed = "; ".join(f"{what_of(move)}: {move.level_db:+g}" for move in moves)
    return f"{mark}: {listed}" if listed else mark


def _written(text: str, mix: str) -> Mapping[str, str]:
    """Whose wish about a mix is in a recipe, by what it is about."""
    return {
        plain(each.rpartition(": ")[0]): found[1]
        for found in _MARK.finditer(text)
        if found[2] == mix
        for each in found[3].split("; ")
    }


def _changed(move: WishedMove, was: SongPlan, now: SongPlan) -> bool:
    """Whether what somebody heard of something is not what the mix holds now."""
    former = {track.name: track for track in was.tracks}
    tracks = {track.name: track for track in now.tracks}
    return any(
        name not in former or _state(former[name], move.part) != _state(tracks[name], move.part)
        for name in inputs_meant(move.name, now)
    )


def _state(track: TrackPlan, part: Part) -> object:
    if part == "level":
        return round(track.fader_db + track.gain_db, 1), track.moves
    if part == "room":
        return next((why.because for why in track.reasons if why.what == "send_db"), "")
    return sum(each.gain_db for each in track.filters if each.kind == f"{part}_shelf")
