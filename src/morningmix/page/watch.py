"""Watch a clip with the mix before any film is written: its own picture, and where each song's mix begins in it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from mimetypes import guess_type
from pathlib import Path

from starlette.requests import Request  # noqa: TID251
from starlette.responses import FileResponse, Response  # noqa: TID251

from morningmix.audio.header import read_file
from morningmix.audio.read import read_stretch
from morningmix.audio.write import wav_piece
from morningmix.commands.films import FILMS, mixed_song
from morningmix.errors import RecordingsError, UsageError
from morningmix.files.clips import CLIPS, read_clips
from morningmix.film.write import Shot, Song, covered
from morningmix.page.rehearsal import Rehearsal
from morningmix.page.sound import PIECE_S
from morningmix.report.words import minutes


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """A song in a clip. Times are seconds on the timeline that a player of the clip shows."""

    number: int
    title: str
    sound: str
    """Where the page finds the mix, piece by piece."""
    begins_s: float
    """When the mix begins; negative if before the clip."""
    rate: float
    """Seconds of the clip for one second of the mix."""
    mix_s: float
    """Length of the mix, by its own clock."""
    shows_s: float
    """When the clip begins to show the song."""

    @property
    def says(self) -> str:
        """Where it starts, in words."""
        return minutes(self.shows_s) + ("" if self.begins_s >= 0.0 else ", already under way")


def scenes(shot: Shot, songs: Iterable[Song]) -> list[Scene]:
    """The songs that a clip shows, as they come."""
    # Players count from the first picture or sound of the file, whichever comes first.
    origin_s = max(0.0, float(shot.clip.origin_s))
    found = []
    for song in songs:
        part = covered(shot, song)
        if part is not None and song.number is not None:
            mix = read_file(song.mix)
            found.append(
                Scene(
                    number=song.number,
                    title=song.title,
                    sound=f"/films/mix/{song.number}?{changed_ns(song.mix)}",
                    begins_s=origin_s + shot.lined.clip_s(song.start_s),
                    rate=shot.lined.clock,
                    mix_s=mix.frames / mix.rate_hz,
                    shows_s=origin_s + part[0],
                )
            )
    return sorted(found, key=lambda scene: scene.shows_s)


def clip_address(place: int, path: Path) -> str:
    """Where the page finds the picture of a clip in the list."""
    return f"/films/clip/{place}?{changed_ns(path)}"


def changed_ns(path: Path) -> int:
    """When a file was changed last; 0 where it is gone."""
    try:
        return path.stat().st_mtime_ns
    except OSError:
        return 0


def clip(rehearsal: Rehearsal, request: Request) -> Response:
    """A clip of the list that fits, or the part of it that a browser asks for."""
    known = read_clips(rehearsal.home.root / FILMS / CLIPS)
    place = request.path_params["place"]
    if place >= len(known) or not known[place].lined.accepted:
        raise UsageError("There is no such clip.")
    return file_answer(known[place].path)


def mix_piece(rehearsal: Rehearsal, request: Request) -> Response:
    """A piece of the mix of a song."""
    mix = read_file(mixed_song(rehearsal.home, request.path_params["number"]).mix)
    length = round(PIECE_S * mix.rate_hz)
    first = request.path_params["piece"] * length
    if first >= mix.frames:
        raise UsageError("The song has no sound there.")
    sound = read_stretch(mix, mix.rate_hz, first, min(first + length, mix.frames))
    return Response(wav_piece(sound, mix.rate_hz), media_type="audio/wav")


def file_answer(path: Path) -> Response:
    """A whole file, or a part of it. Raises `RecordingsError` where it is gone."""
    if not path.is_file():
        raise RecordingsError(f"There is no {path}.")
    return FileResponse(path, media_type=guess_type(path.name)[0] or "application/octet-stream")


ANSWERS: Mapping[str, Callable[[Rehearsal, Request], Response]] = {
    "/films/clip/{place:int}": clip,
    "/films/mix/{number:int}/{piece:int}": mix_piece,
}
"""What is answered, by its path."""
