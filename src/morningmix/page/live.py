"""What the page plays of a song while somebody turns it: the inputs up to their faders, and the numbers behind them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from threading import Lock
from typing import TypeVar, cast
from weakref import WeakKeyDictionary

import numpy as np
from starlette.requests import Request  # noqa: TID251
from starlette.responses import JSONResponse, Response  # noqa: TID251

from morningmix.audio.write import wav_piece
from morningmix.commands.listen import Heard
from morningmix.commands.live import LiveSong, as_recorded, equal_gains, held_db, live_songs, mix_piece
from morningmix.errors import UsageError
from morningmix.page.rehearsal import Rehearsal
from morningmix.page.sound import PIECE_S
from morningmix.render.families import frames_of
from morningmix.render.live import live_piece, live_room, live_sides, live_tilt
from morningmix.storage.song_folders import song_sheets
from morningmix.units import Block

_Measured = TypeVar("_Measured")


@dataclass(slots=True)
class _Known:
    """What was found the last time, and for what."""

    lock: Lock = field(default_factory=Lock)
    heard: Heard | None = None
    state: object = None
    songs: list[LiveSong] = field(default_factory=list)
    asked_for: set[str] = field(default_factory=set)
    """Mixes made elsewhere whose inputs were listened to again."""
    measured: dict[object, object] = field(default_factory=dict)


_known: WeakKeyDictionary[Rehearsal, _Known] = WeakKeyDictionary()


def songs(rehearsal: Rehearsal) -> list[LiveSong]:
    """Every song that the recipe keeps, as it is decided now and as it was mixed last.

    Raises `UsageError` until every input has been listened to, `RecipeError`.
    """
    heard, recipe = rehearsal.all_heard(), rehearsal.recipe()
    if recipe is None:
        raise UsageError("There is no recipe yet. Wait until every input has been listened to.")
    known = _known.setdefault(rehearsal, _Known())
    # The recipe as it was read: a version that is asked for now may be that of a later change.
    state = (recipe, *_sheets(rehearsal.home.mixes))
    with known.lock:
        if known.heard is not heard or known.state != state:
            known.songs = live_songs([take.analysed for take in heard.takes], recipe, rehearsal.home, rehearsal.order)
            known.heard, known.state = heard, state
        news = {song.mixed.mix_id for song in known.songs if song.mixed and _cleaned_since(song)} - known.asked_for
        known.asked_for |= news
        if news and not rehearsal.work.running:
            rehearsal.listen()
        return known.songs


def _sheets(mixes: Path) -> list[tuple[str, int]]:
    return [(sheet.parent.name, _changed_ns(sheet)) for sheet in song_sheets(mixes)]


def _changed_ns(path: Path | None) -> int:
    """When a file was changed; 0 where there is none, or none any more."""
    try:
        return 0 if path is None else path.stat().st_mtime_ns
    except OSError:
        return 0


def _cleaned_since(song: LiveSong) -> bool:
    """Whether a mix has cleaned inputs of which that is not known yet."""
    assert song.mixed is not None
    cleaned = {track.files for track in song.mixed.plan.tracks if track.cleaned}
    return any(track.files in cleaned and track.sounds and not track.cleaned for track in song.plan.tracks)


def _mixed(rehearsal: Rehearsal, request: Request) -> LiveSong:
    number = request.path_params["song"]
    song = next((song for song in songs(rehearsal) if song.number == number), None)
    if song is None:
        raise UsageError("There is no such song.")
    if song.mixed is None:
        raise UsageError("This song is not mixed yet. Press Mix, then turn it.")
    return song


def numbers(rehearsal: Rehearsal, request: Request) -> Response:
    """All that a page needs to play a song and turn it, as JSON."""
    song = _mixed(rehearsal, request)
    plan = song.plan
    return JSONResponse(
        {
            "seconds": frames_of(plan) / plan.rate_hz,
            "tracks": [asdict(track) for track in song.tracks(_once(rehearsal, song, held_db))],
            "tilt": live_tilt(plan),
            "sides": live_sides(plan),
            "room": plan.reverb is not None,
            "before": song.before is not None,
            "softer_db": song.softer_db,
            "mix": song.mixed and song.mixed.mix_id,
        }
    )


def room(rehearsal: Rehearsal, request: Request) -> Response:
    """Impulse response of a song's room: 32-bit floats, all of the left, then all of the right."""
    plan = _mixed(rehearsal, request).plan
    if plan.reverb is None:
        raise UsageError("This song has no reverb.")
    sound = live_room(plan.reverb, plan.rate_hz)
    return Response(np.ascontiguousarray(sound, "<f4").tobytes(), media_type="application/octet-stream")


def track_piece(rehearsal: Rehearsal, request: Request) -> Response:
    """A piece of one input up to its fader."""
    song = _mixed(rehearsal, request)
    number = request.path_params["track"]
    if number >= len(song.plan.tracks):
        raise UsageError("There is no such input.")
    first, frames = _frames(song, request)
    return _wav(song, live_piece(song.plan, song.plan.tracks[number], song.sounds[number], first, frames))


def recorded_piece(rehearsal: Rehearsal, request: Request) -> Response:
    """A piece of the recordings added up, as loud as the mix."""
    song = _mixed(rehearsal, request)
    first, frames = _frames(song, request)
    return _wav(song, as_recorded(song, first, frames) * np.float32(_once(rehearsal, song, equal_gains)[0]))


def before_piece(rehearsal: Rehearsal, request: Request) -> Response:
    """A piece of the mix before, as loud as the mix."""
    song = _mixed(rehearsal, request)
    if song.before is None:
        raise UsageError("There is no mix before this one.")
    first, frames = _frames(song, request)
    return _wav(song, mix_piece(song.before, song, first, frames) * np.float32(_once(rehearsal, song, equal_gains)[1]))


def _once(rehearsal: Rehearsal, song: LiveSong, measure: Callable[[LiveSong], _Measured]) -> _Measured:
    """What is measured of a mix: the same however it is turned meanwhile."""
    assert song.mixed is not None
    known = _known[rehearsal].measured
    key = (measure.__name__, song.mixed.mix_id, _changed_ns(song.before))
    if key not in known:
        known[key] = measure(song)
    return cast(_Measured, known[key])


def _frames(song: LiveSong, request: Request) -> tuple[int, int]:
    length, all_frames = round(PIECE_S * song.plan.rate_hz), frames_of(song.plan)
    first = request.path_params["piece"] * length
    if first >= all_frames:
        raise UsageError("The song has no sound there.")
    return first, min(length, all_frames - first)


def _wav(song: LiveSong, sound: Block) -> Response:
    return Response(wav_piece(sound, song.plan.rate_hz), media_type="audio/wav")


ANSWERS: Mapping[str, Callable[[Rehearsal, Request], Response]] = {
    "/live/{song:int}": numbers,
    "/live/{song:int}/room": room,
    "/live/{song:int}/track/{track:int}/{piece:int}": track_piece,
    "/live/{song:int}/recorded/{piece:int}": recorded_piece,
    "/live/{song:int}/before/{piece:int}": before_piece,
}
"""What is answered, by its path."""
