"""The first pictures of a film encoded anew, from the one it begins with to the next key frame.

What is encoded brings its own parameter sets, under an id that no camera uses (ITU-T H.264, section 7.4.2.1); they are
stored beside the camera's, so that both kinds of pictures lie in one stream.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from morningmix.errors import RecordingsError
from morningmix.film.clip import Clip, opened, picture_of
from morningmix.film.picture import Cut, from_key, shown

if TYPE_CHECKING:
    from av.container import InputContainer  # noqa: TID251
    from av.packet import Packet  # noqa: TID251
    from av.video.frame import VideoFrame  # noqa: TID251
    from av.video.stream import VideoStream  # noqa: TID251

_PROFILES = {
    "Constrained Baseline": "baseline",
    "Baseline": "baseline",
    "Main": "main",
    "High": "high",
    "High 10": "high10",
    "High 4:2:2": "high422",
}
_PARAMETERS_ID = 31
_QUALITY = "16"
"""x264's constant rate factor; its own default is 23, and finer is less (design choice)."""
_IDR, _SPS, _PPS = 5, 7, 8  # ITU-T H.264, table 7-1


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """Encoded pictures, and what is left to be copied after them."""

    packets: tuple[Packet[Any], ...]
    extradata: bytes
    """The parameter sets of the whole film."""
    rest: Cut | None
    """From the next key frame on; None if there is none before the end."""
    seconds: float


def encoded_head(clip: Clip, where: Cut) -> Head | None:
    """The pictures of a cut before its first key frame; None if it begins with one.

    Raises `RecordingsError` for a picture that cannot be encoded like that.
    """
    if where.start == where.key:
        return None
    with opened(clip.path) as container:
        video = picture_of(container)
        profile = _PROFILES.get(video.profile or "")
        if clip.picture.codec != "h264" or profile is None or int(video.codec_context.field_order) > 1:
            raise RecordingsError(
                f"{clip.name}: --exact knows ordinary H.264 pictures only, and these are others. "
                "Leave it out: nearly all players begin at the right picture all the same."
            )
        length_bytes = _length_bytes(video.codec_context.extradata or b"")
        key = next((each for each in from_key(container, video, where) if _begins(each, where, length_bytes)), None)
        until = where.stop if key is None else shown(key)
        delay = 0 if key is None or key.dts is None else until - key.dts
    with opened(clip.path) as container:
        return _encoded(container, where, until, delay, profile, is_last=key is None)


def _encoded(container: InputContainer, where: Cut, until: int, delay: int, profile: str, *, is_last: bool) -> Head:
    import av  # noqa: TID251
    from av.codec.context import Flags  # noqa: TID251

    video = picture_of(container)
    source = video.codec_context
    encoder = av.CodecContext.create("libx264", "w")
    encoder.width, encoder.height, encoder.pix_fmt = source.width, source.height, source.pix_fmt
    encoder.time_base, encoder.framerate = where.time_base, video.average_rate or Fraction(30)
    encoder.sample_aspect_ratio = source.sample_aspect_ratio or Fraction(1)
    encoder.color_range, encoder.colorspace = source.color_range, source.colorspace
    encoder.color_primaries, encoder.color_trc = source.color_primaries, source.color_trc
    encoder.flags |= Flags.global_header
    encoder.options = {
        "crf": _QUALITY, "profile": profile, "bf": "0", "g": "9999", "x264-params": f"sps-id={_PARAMETERS_ID}",
    }  # fmt: skip
    raw: list[Packet[Any]] = []
    for frame in _frames(container, video, where, until):
        frame.pts, frame.time_base = (frame.pts or 0) - where.start, where.time_base
        frame.pict_type = av.video.frame.PictureType.NONE
        raw += encoder.encode(frame)
    raw += encoder.encode(None)
    own, theirs = source.extradata or b"", bytes(encoder.extradata or b"")
    length_bytes = _length_bytes(own)
    packets = []
    for each in raw:
        data = bytes(each)
        if length_bytes:
            data = b"".join(len(unit).to_bytes(length_bytes, "big") + unit for unit in _units(data, 0))
        packet = av.Packet(data)
        packet.pts, packet.dts, packet.duration = shown(each), shown(each) - delay, each.duration
        packet.time_base, packet.is_keyframe = where.time_base, each.is_keyframe
        packets.append(packet)
    return Head(
        packets=tuple(packets),
        extradata=_with_parameters(own, list(_units(theirs, 0))) if length_bytes else own + theirs,
        rest=None if is_last else replace(where, key=until),
        seconds=float((until - where.start) * where.time_base),
    )


def _frames(container: InputContainer, video: VideoStream, where: Cut, until: int) -> Iterator[VideoFrame]:
    """The decoded pictures from the first one shown to `until`, in the order in which they are shown."""
    for packet in from_key(container, video, where):
        for frame in video.codec_context.decode(packet):
            if frame.pts is not None and frame.pts >= until:
                return
            if frame.pts is not None and frame.pts >= where.start:
                yield frame
    yield from (frame for frame in video.codec_context.decode(None) if frame.pts and where.start <= frame.pts < until)


def _begins(packet: Packet[Any], where: Cut, length_bytes: int) -> bool:
    """Whether all pictures after a packet can be made without those before it."""
    if not packet.is_keyframe or shown(packet) <= where.start:
        return False
    return any(unit[0] & 31 == _IDR for unit in _units(bytes(packet), length_bytes))


def _length_bytes(extradata: bytes) -> int:
    """How long the lengths before the units of a stream are; 0 where start codes part them."""
    return (extradata[4] & 3) + 1 if extradata[:1] == b"\1" and len(extradata) > 6 else 0


def _units(data: bytes, length_bytes: int) -> Iterator[bytes]:
    """The network abstraction layer units of a packet that are not empty."""
    if not length_bytes:
        # Start codes have three or four bytes; a unit never ends in a zero byte.
        yield from (unit.rstrip(b"\0") for unit in data.split(b"\0\0\1") if unit.rstrip(b"\0"))
        return
    at = 0
    while at + length_bytes < len(data):
        end = at + length_bytes + int.from_bytes(data[at : at + length_bytes], "big")
        if end > at + length_bytes:
            yield data[at + length_bytes : end]
        at = end


def _with_parameters(record: bytes, units: list[bytes]) -> bytes:
    """A decoder configuration record with more parameter sets (ISO/IEC 14496-15, section 5.3.3.1)."""
    at = 6
    ends = []
    for count in (record[5] & 31, None):
        if count is None:
            count, at = record[at], at + 1
        for _ in range(count):
            at += 2 + int.from_bytes(record[at : at + 2], "big")
        ends.append(at)
    added = [[len(unit).to_bytes(2, "big") + unit for unit in units if unit[0] & 31 == kind] for kind in (_SPS, _PPS)]
    return b"".join(
        (
            record[:5],
            bytes([record[5] + len(added[0])]),
            record[6 : ends[0]],
            *added[0],
            bytes([record[ends[0]] + len(added[1])]),
            record[ends[0] + 1 : ends[1]],
            *added[1],
            record[ends[1] :],
        )
    )
