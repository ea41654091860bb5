"""The picture of a clip between two moments: its packets as the camera wrote them.

A picture can only be copied from a key frame on, because all others are changes of pictures before them. Where a film
begins between two key frames it holds the pictures from the one before, and an edit list tells players where to begin
(ISO/IEC 14496-12, section 8.6.6). Containers without edit lists begin at the key frame.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from morningmix.errors import RecordingsError
from morningmix.film.clip import Clip, moment, opened, picture_of

if TYPE_CHECKING:
    from av.container import InputContainer  # noqa: TID251
    from av.packet import Packet  # noqa: TID251
    from av.video.stream import VideoStream  # noqa: TID251

_STEPS_BACK_S = (0, 2, 10, 60, 600, 100_000)
"""How far before a moment its key frame is looked for, step by step."""
_DECODED_EARLY_S = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """Where a film begins and ends in a clip. Times are ticks of the picture's time base."""

    time_base: Fraction
    key: int
    """The key frame that copying begins with."""
    start: int
    """The picture that is shown first."""
    stop: int
    """No picture from here on."""

    def seconds(self, clip: Clip) -> tuple[float, float]:
        """Clip times of the first picture shown and of the end."""
        ends = (moment(ticks, self.time_base) - clip.origin_s for ticks in (self.start, self.stop))
        first_s, last_s = (float(end) for end in ends)
        return first_s, last_s


def cut(clip: Clip, start_s: float, stop_s: float, *, at_key: bool) -> Cut:
    """The cut that shows a clip from the picture at `start_s` to `stop_s`, in clip time.

    `at_key`: the key frame before is the first picture shown. Raises `RecordingsError` where there is no key frame.
    """
    with opened(clip.path) as container:
        video = picture_of(container)
        time_base = moment(1, video.time_base)
        wanted = max(_ticks(clip, start_s, time_base), video.start_time or 0)
        for back_s in _STEPS_BACK_S:
            _jump(container, video, wanted - round(back_s / time_base))
            key = start = None
            for packet in _packets(container, video):
                at = shown(packet)
                if packet.is_keyframe and at <= wanted:
                    key = at
                if at <= wanted and key is not None:
                    start = at if start is None else max(start, at)
                if packet.dts is not None and packet.dts > wanted:
                    break
            if key is not None and start is not None:
                start = key if at_key else start
                return Cut(time_base=time_base, key=key, start=start, stop=_ticks(clip, stop_s, time_base))
    raise RecordingsError(f"{clip.name} is damaged: no picture can be found to begin with.")


def copied(container: InputContainer, video: VideoStream, where: Cut) -> Iterator[Packet[Any]]:
    """The packets of a cut in the order in which they were written, their time stamps counted from `where.start`.

    Pictures after the end are among them where ones before it are made from them.
    """
    for packet in from_key(container, video, where):
        packet.pts = shown(packet) - where.start
        packet.dts = None if packet.dts is None else packet.dts - where.start
        yield packet


def from_key(container: InputContainer, video: VideoStream, where: Cut) -> Iterator[Packet[Any]]:
    """`copied`, with the clip's own time stamps."""
    late: list[Packet[Any]] = []
    for packet in _at_key(container, video, where.key):
        at = shown(packet)
        if at < where.key:
            continue  # made from pictures before the key frame
        if packet.dts is not None and packet.dts >= where.stop:
            return
        if at >= where.stop:
            late.append(packet)
            continue
        yield from late
        late.clear()
        yield packet


def _at_key(container: InputContainer, video: VideoStream, key: int) -> Iterator[Packet[Any]]:
    """The packets of the picture from a key frame on."""
    for back_s in _STEPS_BACK_S:
        _jump(container, video, key - round(back_s / moment(1, video.time_base)))
        found = False
        for packet in _packets(container, video):
            found = found or (packet.is_keyframe and shown(packet) == key)
            if found:
                yield packet
            elif packet.dts is not None and packet.dts > key:
                break
        if found:
            return


def _packets(container: InputContainer, video: VideoStream) -> Iterator[Packet[Any]]:
    """All packets of the picture; the last one that PyAV gives is empty."""
    return (packet for packet in container.demux(video) if packet.size)


def _jump(container: InputContainer, video: VideoStream, ticks: int) -> None:
    # A little before the beginning: what is shown first may be decoded before that.
    first = (video.start_time or 0) - round(_DECODED_EARLY_S / moment(1, video.time_base))
    container.seek(max(ticks, first), stream=video)


def shown(packet: Packet[Any]) -> int:
    """When a picture is shown; old containers only say when it is decoded."""
    ticks = packet.dts if packet.pts is None else packet.pts
    if ticks is None:
        raise RecordingsError("The picture has no time stamps, so it cannot be cut.")
    return ticks


def _ticks(clip: Clip, at_s: float, time_base: Fraction) -> int:
    return round((clip.origin_s + Fraction(at_s)) / time_base)
