"""Clips of a camera or a phone: what is in them, and their sound.

Times of a clip are seconds from its first sample of sound, as its own clock counts them. A clip is opened for reading
only, by PyAV (FFmpeg's libraries), which is loaded when the first one is opened.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from morningmix.audio.convert import converted, regrouped
from morningmix.errors import RecordingsError, UsageError
from morningmix.model.names import name_as_text
from morningmix.units import Block

if TYPE_CHECKING:
    from av.audio.stream import AudioStream  # noqa: TID251
    from av.container import InputContainer  # noqa: TID251
    from av.stream import Stream  # noqa: TID251
    from av.video.stream import VideoStream  # noqa: TID251

_FORMATS = "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,avi,mpegts,mpeg,asf,flv"
"""FFmpeg's names of what cameras write. Playlists are left out: they open other files, or the net."""
_BUFFER_BYTES = 1 << 18
_BLOCK_S = 1.0
_SILENT_FRAMES = 8192
_MOST_APART_S = 0.010
"""Phones note when each piece of sound was recorded, a little unevenly. More than this is a gap."""
_BEFORE_S = 0.25
"""Decoding begins this much early after a jump: the first pieces of coded sound need those before them."""
_HDR = {16: "PQ", 18: "HLG"}  # transfer characteristics of ITU-T H.273, table 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """The picture of a clip."""

    start_s: float
    """When the first picture is shown; negative if before the first sample of sound."""
    stop_s: float
    """When the last one goes."""
    codec: str
    """FFmpeg's name: h264, hevc, ..."""
    width: int
    height: int
    """Size as coded, before the rotation."""
    frames_per_s: float | None
    """The mean; phones vary it."""
    rotation: int = 0
    """Degrees by which players turn the picture counterclockwise."""
    bits: int = 8
    """Of each colour."""
    hdr: str | None = None
    """PQ or HLG; None for ordinary brightness."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Clip:
    """What is in a clip."""

    path: Path
    duration_s: float
    """From the first sample of sound to the end of the longer of sound and picture."""
    rate_hz: int
    """Of the sound."""
    channels: int
    """Of the sound, 1 or 2: more are mixed down to two."""
    picture: Picture
    origin_s: Fraction
    """Where the first sample of sound lies on the file's own timeline."""

    @property
    def name(self) -> str:
        """File name as text."""
        return name_as_text(self.path.name)


def open_clip(path: Path) -> Clip:
    """What is in a clip.

    Raises `RecordingsError` where it is missing, damaged, no film or has no sound, `UsageError` without PyAV.
    """
    name = name_as_text(path.name)
    # Opened twice, because not every file gives its very beginning again after a jump.
    with opened(path) as container:
        sound = next(_decoded(container, sound_of(container)), None)
    if sound is None:
        raise RecordingsError(f"{name} is damaged: none of its sound can be read.")
    origin_s = moment(sound.pts, sound.time_base)
    with opened(path) as container:
        if container.streams.best("video") is None:
            raise RecordingsError(f"{name} has no picture. Is it a film?")
        video = picture_of(container)
        end_s = max(_end(container, video), _end(container, sound_of(container)))
        if end_s <= origin_s:
            raise RecordingsError(f"{name} is damaged: it does not say how long it is.")
        frame = next(_decoded(container, video), None)
        return Clip(
            path=path,
            duration_s=float(end_s - origin_s),
            rate_hz=sound.sample_rate,
            channels=min(2, len(sound.layout.channels)),
            picture=Picture(
                start_s=float(moment(video.start_time, video.time_base) - origin_s),
                stop_s=float(_end(container, video) - origin_s),
                codec=video.codec_context.codec.canonical_name,
                width=video.codec_context.width,
                height=video.codec_context.height,
                frames_per_s=float(video.average_rate) if video.average_rate else None,
                rotation=0 if frame is None else frame.rotation,
                bits=8 if frame is None else max(part.bits for part in frame.format.components),
                hdr=None if frame is None else _HDR.get(int(frame.color_trc)),
            ),
            origin_s=origin_s,
        )


def sound(clip: Clip, rate_hz: int, start_s: float = 0.0, stop_s: float | None = None) -> Iterator[Block]:
    """The clip's sound from `start_s` (silent before 0) to `stop_s` or its end, ``(channels, frames)`` at `rate_hz`.

    Where sound is missing or damaged it is silent, so that all the rest keeps its time. Raises `RecordingsError`.
    """
    first = round(start_s * clip.rate_hz)
    last = round(min(clip.duration_s, clip.duration_s if stop_s is None else stop_s) * clip.rate_hz)
    blocks = regrouped(_placed(clip, first, last), clip.channels, round(_BLOCK_S * clip.rate_hz))
    return blocks if rate_hz == clip.rate_hz else converted(blocks, clip.rate_hz, rate_hz, clip.channels)


def mono(blocks: Iterable[Block]) -> Iterator[Block]:
    """The mean of all channels, ``(1, frames)``."""
    for block in blocks:
        yield block if len(block) == 1 else block.mean(axis=0, keepdims=True, dtype=np.float32)


@contextmanager
def opened(path: Path) -> Iterator[InputContainer]:
    """The clip as PyAV opens it, for reading only; it has sound.

    Raises `RecordingsError`, also for whatever PyAV finds damaged inside the block, and `UsageError` without PyAV.
    """
    try:
        import av  # noqa: TID251
    except ImportError as error:
        raise UsageError("Films need PyAV. Install it with: pip install '.[film]'") from error
    name = name_as_text(path.name)
    try:
        if not path.is_file():
            raise RecordingsError(f"There is no {path}." if not path.exists() else f"{path} is no file.")
        # A file of Python's: names that FFmpeg takes for addresses are names here.
        with (
            path.open("rb") as file,
            av.open(
                file, "r", options={"format_whitelist": _FORMATS}, metadata_errors="replace", buffer_size=_BUFFER_BYTES
            ) as container,
        ):
            if container.streams.best("audio") is None:
                raise RecordingsError(f"{name} has no sound track, so nobody can tell where it lies in the take.")
            yield container
    except av.FFmpegError as error:
        raise RecordingsError(f"{name} is damaged or not a film ({error.strerror}).") from error
    except OSError as error:
        raise RecordingsError(f"{name} cannot be read: {error.strerror or error}.") from error


def picture_of(container: InputContainer) -> VideoStream:
    """The picture of an opened clip. Previews that some cameras put beside it are none."""
    return cast("VideoStream", container.streams.best("video"))


def sound_of(container: InputContainer) -> AudioStream:
    """The sound of an opened clip; of several tracks the one that players take."""
    return cast("AudioStream", container.streams.best("audio"))


def moment(ticks: int | None, time_base: Fraction | None) -> Fraction:
    """Seconds on the file's own timeline; unknown counts as its beginning."""
    if ticks is None or not time_base:
        return Fraction(0)
    return ticks * Fraction(time_base.numerator, time_base.denominator)


def _end(container: InputContainer, stream: Stream) -> Fraction:
    """Where a stream ends on the file's own timeline, as far as the file says so."""
    if stream.duration:
        return moment((stream.start_time or 0) + stream.duration, stream.time_base)
    return Fraction((container.start_time or 0) + (container.duration or 0), 1_000_000)


def _decoded(container: InputContainer, stream: Stream) -> Iterator[Any]:
    """The frames of one stream from the present place on, without those that are damaged. The others are not read."""
    import av  # noqa: TID251
    from av.stream import Discard  # noqa: TID251

    for each in container.streams:
        each.discard = Discard.default if each.index == stream.index else Discard.all
    for packet in container.demux(stream):
        try:
            yield from packet.decode()
        except av.error.InvalidDataError:
            continue


def _placed(clip: Clip, first: int, last: int) -> Iterator[Block]:
    """The sound from frame `first` to `last` at the clip's own rate, each piece where its time stamp says."""
    done = first
    for start, block in _stamped(clip, first):
        for silent in _silence(clip.channels, min(start, last) - done):
            yield silent
            done += silent.shape[1]
        wanted = block[:, max(0, done - start) : max(0, last - start)]
        yield wanted
        done += wanted.shape[1]
        if done >= last:
            return
    yield from _silence(clip.channels, last - done)


def _stamped(clip: Clip, first: int) -> Iterator[tuple[int, Block]]:
    """Pieces of sound from a little before frame `first` on, each with the frame it begins at."""
    import av  # noqa: TID251

    position = 0
    gap_frames = _MOST_APART_S * clip.rate_hz
    layout = "mono" if clip.channels == 1 else "stereo"
    resamplers: dict[object, av.AudioResampler] = {}
    with opened(clip.path) as container:
        stream = sound_of(container)
        if first > 0:
            at_s = max(clip.origin_s, clip.origin_s + Fraction(first, clip.rate_hz) - Fraction(_BEFORE_S))
            container.seek(int(at_s / moment(1, stream.time_base)), stream=stream)
        for frame in _decoded(container, stream):
            # Some cameras change their format on the way.
            kind = (frame.format.name, frame.layout.name, frame.sample_rate)
            if kind not in resamplers:
                resamplers[kind] = av.AudioResampler(format="fltp", layout=layout, rate=clip.rate_hz)
            start_s = float(moment(frame.pts, frame.time_base) - clip.origin_s)
            if frame.pts is not None and start_s < clip.duration_s:
                stamped = round(start_s * clip.rate_hz)
                position = stamped if abs(stamped - position) > gap_frames else position
            for piece in resamplers[kind].resample(frame):
                block: Block = np.nan_to_num(piece.to_ndarray(), copy=False, posinf=0.0, neginf=0.0)
                yield position, block
                position += block.shape[1]


def _silence(channels: int, frames: int) -> Iterator[Block]:
    """Silence in short blocks."""
    for start in range(0, frames, _SILENT_FRAMES):
        yield np.zeros((channels, min(_SILENT_FRAMES, frames - start)), np.float32)
