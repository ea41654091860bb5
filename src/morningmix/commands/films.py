"""Films of the songs in a mix folder, or of a mix alone, from clips whose place is known."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from pathlib import Path

from morningmix.audio.header import read_file
from morningmix.commands.clips import Filmed, Found
from morningmix.commands.order import Callbacks, Order
from morningmix.errors import RecordingsError, UsageError
from morningmix.files.clips import CLIPS, read_clips, write_clips
from morningmix.files.recall import Recall, read_sheets, unsaid
from morningmix.files.recipe import read_recipe
from morningmix.film.clip import Clip
from morningmix.film.write import Film, Settings, Shot, Song, write_film
from morningmix.model.film import KnownClip, Lined
from morningmix.model.names import name_as_text
from morningmix.render.output import file_names
from morningmix.storage.home import Home, output_errors, path_of, real_place, refuse_link
from morningmix.storage.lock import locked
from morningmix.storage.song_folders import recover, song_sheets
from morningmix.workers.progress import Progress, no_progress

FILMS = "films"
"""Folder of the films in a mix folder."""
_USUAL_FRAMES_PER_S = 30.0


def mixed_songs(home: Home, tracks: Path, skipped: Callable[[str], None] = unsaid) -> list[Song]:
    """The mixed songs of the take in a folder.

    `skipped` receives a line about each song whose recall sheet cannot be read. Raises `UsageError` where nothing is
    mixed, `RecordingsError` where a mix is missing.
    """
    sheets = song_sheets(home.mixes)
    if not sheets:
        raise UsageError(f"Nothing is mixed yet in {home.root}. First: morningmix mix FOLDER.")
    return [
        _mixed_song(sheet, recall)
        for sheet, recall in read_sheets(sheets, skipped)
        if real_place(path_of(recall.tracks_folder, sheet.parent)) == real_place(tracks)
    ]


def mixed_song(home: Home, number: int) -> Song:
    """The mixed song of that number. Raises `UsageError` where there is none, `RecordingsError` as `mixed_songs`."""
    sheets = [sheet for sheet in song_sheets(home.mixes) if _number(sheet) == number]
    for sheet, recall in read_sheets(sheets, unsaid):
        return _mixed_song(sheet, recall)
    raise UsageError("There is no such song.")


def _mixed_song(sheet: Path, recall: Recall) -> Song:
    mix = sheet.parent / recall.mix.file
    if not mix.is_file():
        raise RecordingsError(f"{mix} is missing. Mix {recall.title} again, or put the file back.")
    return Song(title=recall.title, mix=mix, start_s=recall.plan.start_s, number=_number(sheet))


def _number(sheet: Path) -> int:
    return int(sheet.parent.name.partition(" ")[0])


def lone_mix(mix: Path) -> Song:
    """A mix without a mix folder, as the only song of a take. Raises `RecordingsError`."""
    if read_file(mix).channels > 2:
        raise RecordingsError(f"{mix.name} has more than two channels, so it is no mix.")
    return Song(title=name_as_text(mix.stem), mix=mix, start_s=0.0)


def tags_of(home: Home) -> tuple[tuple[str, str], ...]:
    """What the recipe says of the rehearsal, as tags for its films."""
    if not home.recipe.exists():
        return ()
    recipe = read_recipe(home.recipe)
    tags = {"album": recipe.title, "artist": recipe.band, "date": recipe.date}
    return tuple((name, text) for name, text in tags.items() if text)


def shots_of(clips: Iterable[tuple[Clip, Lined]]) -> list[Shot]:
    """The clips that belong to the take, each with a name that no other has."""
    accepted = [(clip, lined) for clip, lined in clips if lined.accepted]
    names = file_names([name_as_text(clip.path.stem) for clip, _ in accepted])
    return [Shot(clip=clip, lined=lined, name=name) for (clip, lined), name in zip(accepted, names, strict=True)]


def films_of(
    what: Filmed, found: Sequence[Found], order: Order, settings: Settings, callbacks: Callbacks
) -> tuple[Path, list[Film]]:
    """Write the films of all clips that fit: their folder, and what was written.

    Of a mix folder they go into `FILMS` in it; of a mix alone into the order's `out`, or `FILMS` in the current folder.
    Raises `UsageError` where nothing is mixed, `RecordingsError`, `OutputError`, `BusyError`.
    """
    fit = [one for one in found if one.lined.accepted]
    if what.home is None:
        mix = what.takes[0].recordings[0].parts[0].path
        folder = real_place(order.cwd / (order.out or FILMS))
        shots = shots_of((one.clip, one.lined) for one in fit)
        return folder, write_films([(shot, lone_mix(mix)) for shot in shots], folder, settings, callbacks.progress)
    folder = what.home.root / FILMS
    songs = {one.take.folder: mixed_songs(what.home, one.take.folder, callbacks.note) for one in found}
    with locked(what.home):
        recover(what.home)
        known = known_with(what.home, found)
        shots = shots_of((one.clip, set_by_hand(known[real_place(one.clip.path)], one.clip)) for one in fit)
        wanted = [(shot, song) for one, shot in zip(fit, shots, strict=True) for song in songs[one.take.folder]]
        settings = replace(settings, tags=tags_of(what.home))
        return folder, write_films(wanted, folder, settings, callbacks.progress)


def known_with(home: Home, found: Iterable[Found]) -> dict[Path, KnownClip]:
    """The clips that the mix folder knows, by their path, with what was found now; how they were set by hand stays."""
    file = home.root / FILMS / CLIPS
    known = {clip.path: clip for clip in read_clips(file)}
    for one in found:
        path = real_place(one.clip.path)
        by_hand = known[path].frames_later if path in known else 0
        known[path] = KnownClip(path=path, take=one.take.name, lined=one.lined, frames_later=by_hand)
    with output_errors(file):
        refuse_link(file.parent)
        file.parent.mkdir(parents=True, exist_ok=True)
    write_clips(file, list(known.values()))
    return known


def set_by_hand(known: KnownClip, clip: Clip) -> Lined:
    """Where a clip lies, with its sound as many pictures later as somebody wants."""
    frame_s = 1.0 / (clip.picture.frames_per_s or _USUAL_FRAMES_PER_S)
    return replace(known.lined, offset_s=known.lined.offset_s - known.frames_later * frame_s)


def write_films(
    wanted: Sequence[tuple[Shot, Song]], folder: Path, settings: Settings, progress: Progress = no_progress
) -> list[Film]:
    """Write the film of every song that its clip shows, wholly or in part, into a folder.

    Raises `RecordingsError`, `OutputError`.
    """
    films = []
    for place, (shot, song) in enumerate(wanted):
        progress(f"filming {song.title}", place / len(wanted))
        film = write_film(shot, song, folder, settings)
        if film is not None:
            films.append(film)
    return films


def as_facts(film: Film) -> dict[str, object]:
    """A film for a program to read."""
    return {
        "file": str(film.file),
        "song": film.title,
        "clip": film.clip,
        "start_s": round(film.start_s, 3),
        "stop_s": round(film.stop_s, 3),
        "whole": film.whole,
        "encoded_s": round(film.encoded_s, 3),
        "integrated_lufs": film.track.lufs,
        "true_peak_dbtp": film.track.peak_dbtp,
        "lowered_db": round(film.track.lowered_db, 2),
    }
