"""Films: what a camera saw of a song, as it wrote it, with the song's mix as the sound."""

from __future__ import annotations

import heapq
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from morningmix.audio.header import read_file
from morningmix.errors import OutputError, RecordingsError
from morningmix.film.clip import Clip, opened, picture_of
from morningmix.film.head import Head, encoded_head
from morningmix.film.picture import Cut, copied, cut
from morningmix.film.soundtrack import (
    CHANNELS,
    RATE_HZ,
    Track,
    loudness,
    mix_at,
    mix_lufs,
    room_lufs,
    with_room,
    write_track,
)
from morningmix.model.film import Lined
from morningmix.storage.home import output_errors, real_place, refuse_full, refuse_link, safe_name
from morningmix.units import Block, clock, db_to_gain

if TYPE_CHECKING:
    from av.container import InputContainer, OutputContainer  # noqa: TID251
    from av.packet import Packet  # noqa: TID251
    from av.video.stream import VideoStream  # noqa: TID251

OURS = "The sound is the mix of this song, by morningmix."
"""Comment in every film. A file without it is somebody's own and never replaced."""
_LEAST_S = 1.0
"""Of a song, for a film of it."""
_NEARLY_S = 0.1
_MOST_MISSING_S = 1.0
_CONTAINERS = {".mp4": "mp4", ".m4v": "mp4", ".mov": "mov", ".mkv": "matroska", ".webm": "webm"}
_IN_MP4 = {"h264", "hevc", "av1", "mpeg4", "mpeg2video"}
_SOUND = {"mp4": "aac", "mov": "aac", "matroska": "libopus", "webm": "libopus"}
_SOUND_BYTES_PER_S = 40_000
_BUFFER_BYTES = 1 << 20
_DRAFTS = (".film.partial", ".sound.partial")


@dataclass(frozen=True, slots=True, kw_only=True)
class Song:
    """A song and its mix."""

    title: str
    mix: Path
    start_s: float
    """Take time at which the mix begins."""
    number: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """A clip and where it lies in the take."""

    clip: Clip
    lined: Lined
    name: str
    """What it is called in the names of films."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """How films are written."""

    keep_room_db: float | None = None
    """How far under the mix the camera's own sound is left in; None for not at all."""
    exact: bool = False
    """Whether the pictures before the first key frame are encoded, so that nothing lies before the song."""
    tags: tuple[tuple[str, str], ...] = ()
    """For every film: album, artist, date."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Film:
    """A written film."""

    file: Path
    title: str
    clip: str
    start_s: float
    """Where in the mix it begins; negative if before it, in silence."""
    stop_s: float
    """Where in the mix it ends."""
    whole: bool
    """Whether it shows the whole song."""
    track: Track
    encoded_s: float
    """How much of its picture was encoded; the rest is as the camera wrote it."""


def covered(shot: Shot, song: Song) -> tuple[float, float] | None:
    """The part of a clip that shows a song, in clip time; None if it shows less than a second of it."""
    picture, mix = shot.clip.picture, read_file(song.mix)
    start_s = max(shot.lined.clip_s(song.start_s), picture.start_s)
    stop_s = min(shot.lined.clip_s(song.start_s + mix.frames / mix.rate_hz), picture.stop_s)
    return (start_s, stop_s) if stop_s - start_s >= _LEAST_S else None


def film_path(shot: Shot, song: Song, folder: Path) -> Path:
    """Where the film of a song goes."""
    number = "" if song.number is None else f"{song.number:02d} "
    return folder / f"{number}{safe_name(song.title)} - {safe_name(shot.name)}{_suffix(shot.clip)}"


def write_film(
    shot: Shot, song: Song, folder: Path, settings: Settings, progress: Callable[[float], None] = lambda _: None
) -> Film | None:
    """Write the film of a song into a folder, whole or not at all; None if the clip shows nothing of the song.

    Raises `RecordingsError` for a damaged clip or mix, `OutputError` where it cannot be written or something is in the
    way.
    """
    part = covered(shot, song)
    if part is None:
        return None
    clip, file = shot.clip, film_path(shot, song, folder)
    kind = _container(clip)
    where = cut(clip, *part, at_key=kind in ("matroska", "webm") and not settings.exact)
    head = encoded_head(clip, where) if settings.exact else None
    first_s, last_s = where.seconds(clip)
    seconds = last_s - first_s
    _refuse_in_the_way(file, clip)
    size = clip.path.stat().st_size
    refuse_full(folder, size * min(1.0, seconds / clip.duration_s) + seconds * _SOUND_BYTES_PER_S, "The film")
    play, level_lufs = _sound(shot, song, settings, first_s, seconds)
    with _drafts(file) as drafts:
        film_draft, sound_draft = drafts
        with _written(file):
            track = write_track(play, level_lufs, sound_draft, kind, _SOUND[kind])
        progress(0.5)
        tags = {"title": song.title, **dict(settings.tags), "comment": OURS}
        _join(clip, where, head, drafts, file, tags)
        with output_errors(file):
            film_draft.replace(file)
    progress(1.0)
    mix = read_file(song.mix)
    in_mix = [shot.lined.take_s(at_s) - song.start_s for at_s in (first_s, last_s)]
    whole = in_mix[0] <= _NEARLY_S and in_mix[1] >= mix.frames / mix.rate_hz - _NEARLY_S
    return Film(
        file=file,
        title=song.title,
        clip=clip.name,
        start_s=in_mix[0],
        stop_s=in_mix[1],
        whole=whole,
        track=track,
        encoded_s=0.0 if head is None else head.seconds,
    )


def _container(clip: Clip) -> str:
    """FFmpeg's name of the container that a clip's films get: its own where that is usual for films."""
    return _CONTAINERS.get(clip.path.suffix.lower(), "mp4" if clip.picture.codec in _IN_MP4 else "matroska")


def _suffix(clip: Clip) -> str:
    own = clip.path.suffix.lower()
    return own if own in _CONTAINERS else {"mp4": ".mp4", "matroska": ".mkv"}[_container(clip)]


def _sound(
    shot: Shot, song: Song, settings: Settings, first_s: float, seconds: float
) -> tuple[Callable[[], Iterator[Block]], float | None]:
    """The film's sound, to be begun as often as wanted, and the loudness of the song in it."""
    mix = partial(mix_at, song.mix, song.start_s, shot.lined, first_s, seconds)
    level_lufs = mix_lufs(song.mix)
    if settings.keep_room_db is None or level_lufs is None:
        return mix, level_lufs
    own_lufs = room_lufs(shot.clip, first_s, seconds)
    if own_lufs is None:
        return mix, level_lufs
    gain = db_to_gain(level_lufs - settings.keep_room_db - own_lufs)

    def both() -> Iterator[Block]:
        return with_room(mix(), shot.clip, first_s, seconds, gain)

    # The same music twice adds up to more than its powers do.
    alone, together = (loudness(play(), RATE_HZ, CHANNELS).integrated_lufs for play in (mix, both))
    return both, level_lufs if alone is None or together is None else level_lufs + together - alone


def _refuse_in_the_way(file: Path, clip: Clip) -> None:
    refuse_link(file.parent)
    refuse_link(file)
    if not os.path.lexists(file):
        return
    if real_place(file) == real_place(clip.path) or file.samefile(clip.path) or not _is_ours(file):
        raise OutputError(f"{file} is in the way: it is no film of this program. Move or rename it, and run again.")


def _is_ours(file: Path) -> bool:
    import av  # noqa: TID251

    try:
        with file.open("rb") as stream, av.open(stream) as container:
            return any(key.lower() == "comment" and text == OURS for key, text in container.metadata.items())
    except (av.FFmpegError, OSError):
        return False


@contextmanager
def _drafts(file: Path) -> Iterator[tuple[Path, Path]]:
    """Where a film and its sound are written until they are whole. What a killed run left there goes away."""
    film, sound = (file.with_name(f".{file.stem}{end}") for end in _DRAFTS)
    with output_errors(file.parent):
        file.parent.mkdir(parents=True, exist_ok=True)
        for left in file.parent.glob(".*.partial"):
            if left.name.endswith(_DRAFTS):
                left.unlink()
    try:
        yield film, sound
    finally:
        for draft in (film, sound):
            with suppress(OSError):
                draft.unlink(missing_ok=True)


@contextmanager
def _written(file: Path) -> Iterator[None]:
    """Turn what goes wrong in writing into an `OutputError` that names the film."""
    import av  # noqa: TID251

    try:
        with output_errors(file):
            yield
    except (av.FFmpegError, ValueError) as error:
        raise OutputError(f"{file} could not be written: {error}.") from error


def _join(
    clip: Clip, where: Cut, head: Head | None, drafts: tuple[Path, Path], file: Path, tags: dict[str, str]
) -> None:
    """Write the pictures of a cut, its head encoded, and an encoded sound into one draft of `file`."""
    import av  # noqa: TID251

    kind = _container(clip)
    draft, sound = drafts
    with opened(clip.path) as source, av.open(str(sound)) as track, _film(draft, kind, file) as film:
        video, audio = picture_of(source), track.streams.audio[0]
        with _written(file):
            streams = [film.add_stream_from_template(each, opaque=True) for each in (video, audio)]
            if kind in ("mp4", "mov") and clip.picture.codec == "hevc":
                streams[0].codec_context.codec_tag = "hvc1"  # the one that every player takes
            if head is not None:
                streams[0].codec_context.extradata = head.extradata
        recorded = {key: text for key, text in source.metadata.items() if key == "creation_time"}
        film.metadata.update(recorded | tags)
        last = where.start
        pictures: Iterator[tuple[Packet[Any], int]] = ((packet, 0) for packet in _pictures(source, video, where, head))
        sounds: Iterator[tuple[Packet[Any], int]] = ((packet, 1) for packet in track.demux(audio) if packet.size)
        for packet, place in heapq.merge(pictures, sounds, key=_decoding_time):
            if place == 0:
                last = max(last, where.start + (packet.pts or 0) + (packet.duration or 0))
            packet.stream = streams[place]
            with _written(file):
                film.mux(packet)
        if (where.stop - last) * where.time_base > _MOST_MISSING_S:
            at = clock(float((last - where.start) * where.time_base))
            raise RecordingsError(f"{clip.name} is damaged: its pictures end {at} into the song.")


def _decoding_time(packet_of: tuple[Packet[Any], int]) -> float:
    packet, _ = packet_of
    ticks = packet.pts if packet.dts is None else packet.dts
    return float((ticks or 0) * packet.time_base)


def _pictures(source: InputContainer, video: VideoStream, where: Cut, head: Head | None) -> Iterator[Packet[Any]]:
    if head is None:
        yield from copied(source, video, where)
        return
    yield from head.packets
    if head.rest is not None:
        yield from copied(source, video, head.rest)


@contextmanager
def _film(draft: Path, kind: str, file: Path) -> Iterator[OutputContainer]:
    """A film to be written; it is on the disk once this ends."""
    import av  # noqa: TID251

    with _written(file), draft.open("wb") as target:
        film = av.open(target, "w", format=kind, buffer_size=_BUFFER_BYTES)
        try:
            yield film
        except BaseException:
            with suppress(Exception):
                film.close()
            raise
        film.close()
        target.flush()
        os.fsync(target.fileno())
