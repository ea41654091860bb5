"""The last step, films: clips of a camera, where each lies under the take, and films with the mix as their sound.

Clips are named by their path, because a browser does not say where a file lies. What is known of them lies in the mix
folder's ``films/clips.json``.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from markupsafe import Markup  # noqa: TID251
from starlette.requests import Request  # noqa: TID251
from starlette.responses import Response  # noqa: TID251

from morningmix.commands.clips import Filmed, find_clips
from morningmix.commands.films import (
    FILMS,
    known_with,
    mixed_songs,
    set_by_hand,
    shots_of,
    tags_of,
    write_films,
)
from morningmix.commands.listen import HeardTake
from morningmix.commands.order import Callbacks
from morningmix.errors import MorningmixError, UsageError
from morningmix.files.clips import CLIPS, read_clips, write_clips
from morningmix.film.clip import Clip, open_clip
from morningmix.film.write import Settings, Shot, Song, film_path
from morningmix.model.film import KnownClip, Lined
from morningmix.page.asked import Asked
from morningmix.page.rehearsal import Rehearsal
from morningmix.page.songs import ridge_of
from morningmix.page.watch import ANSWERS as WATCHED
from morningmix.page.watch import Scene, changed_ns, clip_address, file_answer, scenes
from morningmix.report.templates import render
from morningmix.storage.lock import locked
from morningmix.storage.song_folders import song_sheets
from morningmix.units import clock
from morningmix.workers.jobs import Runner

ROOM_DB = 20.0
"""How far under the mix the page leaves the camera's own sound in."""
_WIDE = 600.0
_FINDING, _WRITING = "finding where the film lies", "writing the films"
_MOST_FRAMES = 100
_OfClip = tuple[KnownClip, Shot, list[Song]]
"""A clip that fits, as it is set, and the mixed songs of its take."""
_CODECS = {"h264": "H.264", "hevc": "HEVC", "mpeg4": "MPEG-4", "prores": "ProRes"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """A clip on the page."""

    place: int
    name: str
    says: str
    fits: bool
    hills: Markup
    left: float
    width: float
    """Where it lies under the hills, which are 600 wide."""
    moved: str
    films: Sequence[tuple[int, str, int]]
    """Number, title and time of writing of each film of it."""
    address: str
    codec: str
    """Of its picture, as people call it."""
    scenes: Sequence[Scene]
    """The mixed songs that it shows."""
    plays: str
    """The same for the script, as JSON."""


def section(rehearsal: Rehearsal) -> str:
    """The step as HTML."""
    heard = rehearsal.heard
    known = read_clips(_list(rehearsal))
    of_clips = _shots(rehearsal)
    shots = {known: (shot, songs) for known, shot, songs in of_clips}
    films = _films(rehearsal, of_clips)
    return render(
        "films.html",
        package=__package__,
        heard=heard is not None,
        mixed=rehearsal.home.mixes.is_dir() and bool(song_sheets(rehearsal.home.mixes)),
        clips=[]
        if heard is None
        else [_shown(place, one, heard.takes, shots.get(one), films) for place, one in enumerate(known)],
        fit=any(one.lined.accepted for one in known),
        written=bool(films),
        folder=str(rehearsal.home.root / FILMS),
        room_db=ROOM_DB,
    )


def _list(rehearsal: Rehearsal) -> Path:
    return rehearsal.home.root / FILMS / CLIPS


def _shown(
    place: int,
    known: KnownClip,
    takes: Sequence[HeardTake],
    shot_of: tuple[Shot, list[Song]] | None,
    films: Sequence[tuple[KnownClip, str, Path]],
) -> Shown:
    lined = known.lined
    take = next((one for one in takes if one.analysed.take.name == known.take), takes[0])
    seconds = take.analysed.take.duration_s
    try:
        end_s = lined.take_s(open_clip(known.path).duration_s)
    except MorningmixError as error:
        end_s, problem = lined.offset_s, str(error)
    else:
        problem = ""
    seen = scenes(*shot_of) if shot_of else []
    codec = shot_of[0].clip.picture.codec if shot_of else ""
    first, last = (min(1.0, max(0.0, at_s / seconds)) for at_s in (lined.offset_s, end_s))
    return Shown(
        place=place,
        name=lined.file,
        says=problem or _says(lined, end_s, seconds),
        fits=lined.accepted and not problem,
        hills=ridge_of(take, 0.0, seconds),
        left=_WIDE * first,
        width=max(2.0, _WIDE * (last - first)),
        moved=_moved(known.frames_later),
        films=[(number, title, changed_ns(path)) for number, (of, title, path) in enumerate(films) if of == known],
        address=clip_address(place, known.path),
        codec=_CODECS.get(codec, codec.upper()),
        scenes=seen,
        plays=json.dumps([asdict(scene) for scene in seen]),
    )


def _says(lined: Lined, end_s: float, take_s: float) -> str:
    if not lined.accepted:
        sure = round(100 * lined.confidence)
        at = clock(max(0.0, lined.offset_s))
        return f"This seems to be from another evening. It is left alone (best guess: at {at}, {sure} % sure)."
    if lined.offset_s <= 0.0 and end_s >= take_s:
        return "It shows the whole take."
    start = "its start" if lined.offset_s <= 0.0 else clock(lined.offset_s)
    return f"It shows the take from {start} to {'its end' if end_s >= take_s else clock(end_s)}."


def _moved(frames: int) -> str:
    if not frames:
        return ""
    many = "1 picture" if abs(frames) == 1 else f"{abs(frames)} pictures"
    return f"Sound {many} {'later' if frames > 0 else 'earlier'} than was found."


def _films(rehearsal: Rehearsal, shots: Sequence[_OfClip]) -> list[tuple[KnownClip, str, Path]]:
    """The written films of the clips that are known: clip, title of the song, file."""
    found = []
    for known, shot, songs in shots:
        for song in songs:
            path = film_path(shot, song, rehearsal.home.root / FILMS)
            if path.is_file() and not path.is_symlink():
                found.append((known, song.title, path))
    return found


def _shots(rehearsal: Rehearsal) -> list[_OfClip]:
    """Every clip that fits, as it is set, with the mixed songs of its take; without those that cannot be opened."""
    if not rehearsal.home.mixes.is_dir() or not song_sheets(rehearsal.home.mixes):
        return []
    opened: list[tuple[KnownClip, Clip]] = []
    for known in read_clips(_list(rehearsal)):
        if known.lined.accepted:
            try:
                opened.append((known, open_clip(known.path)))
            except MorningmixError:
                continue
    shots = shots_of((clip, set_by_hand(known, clip)) for known, clip in opened)
    folders = {take.name: take.folder for take in rehearsal.takes}
    return [
        (known, shot, mixed_songs(rehearsal.home, folders[known.take]))
        for (known, _), shot in zip(opened, shots, strict=True)
        if known.take in folders
    ]


def film(rehearsal: Rehearsal, request: Request) -> Response:
    """A film, or the part of it that a browser asks for."""
    films = _films(rehearsal, _shots(rehearsal))
    number = request.path_params["number"]
    if number >= len(films):
        raise UsageError("There is no such film.")
    return file_answer(films[number][2])


ANSWERS: Mapping[str, Callable[[Rehearsal, Request], Response]] = {"/films/{number:int}": film, **WATCHED}
"""What is answered, by its path."""


# ---------------------------------------------------------------- what a person changes


def add(rehearsal: Rehearsal, asked: Asked) -> str:
    """Find where a clip lies."""
    path = Path(asked.text("file", 4_000).strip().strip("\"'")).expanduser()
    if not path.is_absolute():
        raise UsageError(
            "Give the whole path of the film, from the top: /home/me/Videos/stage.mp4 or C:\\Videos\\stage.mp4."
        )
    open_clip(path)
    rehearsal.all_heard()
    what = Filmed(home=rehearsal.home, takes=tuple(rehearsal.takes), recipe=rehearsal.recipe())

    def finding(_runner: Runner, callbacks: Callbacks) -> None:
        known_with(rehearsal.home, find_clips(what, [path], callbacks))
        rehearsal.events.tell("changed", version="films")

    rehearsal.work.start(_FINDING, finding)
    return "Looking for it in the take. It appears here when it is found."


def nudge(rehearsal: Rehearsal, asked: Asked) -> str:
    """Set the sound of a clip a picture later or earlier. Films that are written stay as they are."""
    clips = read_clips(_list(rehearsal))
    place = asked.whole("place", len(clips))
    later = clips[place].frames_later + (1 if asked.flag("later") else -1)
    if abs(later) > _MOST_FRAMES:
        raise UsageError("That is further than a camera can be off.")
    clips[place] = replace(clips[place], frames_later=later)
    write_clips(_list(rehearsal), clips)
    rehearsal.events.tell("changed", version="films")
    says = _moved(later) or "As it was found."
    written = any(known == clips[place] for known, _, _ in _films(rehearsal, _shots(rehearsal)))
    return f"{says} Write the films again to have it in them." if written else says


def remove(rehearsal: Rehearsal, asked: Asked) -> str:
    """Forget a clip. Neither it nor its films are deleted."""
    clips = read_clips(_list(rehearsal))
    gone = clips.pop(asked.whole("place", len(clips)))
    write_clips(_list(rehearsal), clips)
    rehearsal.events.tell("changed", version="films")
    return f"{gone.lined.file} is no longer listed. The file itself is where it was."


def write(rehearsal: Rehearsal, asked: Asked) -> str:
    """Write the film of every song that a clip shows."""
    room_db = ROOM_DB if asked.flag("room") else None
    folder = rehearsal.home.root / FILMS
    wanted = [(shot, song) for _, shot, songs in _shots(rehearsal) for song in songs]
    if not wanted:
        raise UsageError("No film that fits shows a mixed song.")

    def writing(_runner: Runner, callbacks: Callbacks) -> None:
        settings = Settings(keep_room_db=room_db, tags=tags_of(rehearsal.home))
        with locked(rehearsal.home):
            films = write_films(wanted, folder, settings, callbacks.progress)
        if not films:
            raise UsageError("None of these films shows any of the mixed songs.")
        rehearsal.events.tell("changed", version=f"films {len(films)}")

    rehearsal.work.start(_WRITING, writing)
    return "Writing. The films appear here when they are ready."


CHANGES: Mapping[str, Callable[[Rehearsal, Asked], str]] = {
    "/films/add": add,
    "/films/nudge": nudge,
    "/films/remove": remove,
    "/films/write": write,
}
