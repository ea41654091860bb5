"""The sound of a film: a song's mix at the clock of the clip, as loud as films are, measured as players decode it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np

from morningmix.audio.convert import converted, lasting, regrouped
from morningmix.audio.header import read_file
from morningmix.audio.read import open_recording
from morningmix.dsp.meter import Loudness, LoudnessMeter
from morningmix.film.clip import Clip, sound
from morningmix.model.film import Lined
from morningmix.units import Block, db_to_gain

RATE_HZ = 48_000
"""What films have."""
TARGET_LUFS, CEILING_DBTP = -16.0, -1.0
CHANNELS = 2
_BLOCK_FRAMES = RATE_HZ
_BIT_RATES = {"aac": 256_000, "libopus": 192_000}
_TRIES = 6
_UNDER_DB = 0.05
_BEFORE_FRAMES = 4096
"""Of the mix before the first one wanted, so that the converter's filter has swung in."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """A written soundtrack, measured as players decode it."""

    lufs: float | None
    peak_dbtp: float | None
    lowered_db: float
    """How much softer than `TARGET_LUFS` it was made to keep its peaks under `CEILING_DBTP`."""


def loudness(blocks: Iterable[Block], rate_hz: int, channels: int) -> Loudness:
    """Meter readings of a whole sound."""
    meter = LoudnessMeter(rate_hz, channels)
    for block in blocks:
        meter.update(block)
    return meter.result()


def mix_lufs(mix: Path) -> float | None:
    """Loudness of a mix; None if it is silent."""
    recording = read_file(mix)
    blocks = _read(mix, 0, recording.frames)
    return loudness(blocks, recording.rate_hz, recording.channels).integrated_lufs


def mix_at(mix: Path, mix_start_s: float, lined: Lined, clip_s: float, seconds: float) -> Iterator[Block]:
    """A mix that begins at take time `mix_start_s` as it sounds from clip time `clip_s` on, ``(2, frames)``.

    It is stretched to the clip's clock, so that the last bar is as much in step as the first. Silent before and after
    the mix.
    """
    recording = read_file(mix)
    first = round((lined.take_s(clip_s) - mix_start_s) * recording.rate_hz)
    context = min(max(0, first), _BEFORE_FRAMES)
    frames = round(seconds * RATE_HZ)
    source = recording.frames - max(0, first) + context
    wanted = min(source, round(seconds / lined.clock * recording.rate_hz) + context + _BEFORE_FRAMES)
    blocks = _stereo(_read(mix, max(0, first) - context, max(0, wanted)))
    rate_hz = RATE_HZ * lined.clock
    stretched = converted(blocks, recording.rate_hz, rate_hz, CHANNELS)
    late = round(-min(0, first) / recording.rate_hz * rate_hz)
    skipped = round(context / recording.rate_hz * rate_hz)
    return lasting(_shifted(stretched, late, skipped), CHANNELS, frames)


def with_room(blocks: Iterable[Block], clip: Clip, clip_s: float, seconds: float, gain: float) -> Iterator[Block]:
    """A mix with the camera's own sound from clip time `clip_s` on, times `gain`."""
    frames = round(seconds * RATE_HZ)
    room = lasting(_stereo(sound(clip, RATE_HZ, clip_s, clip_s + seconds)), CHANNELS, frames)
    pairs = zip(regrouped(blocks, CHANNELS, _BLOCK_FRAMES), regrouped(room, CHANNELS, _BLOCK_FRAMES), strict=True)
    return (mix + np.float32(gain) * own for mix, own in pairs)


def room_lufs(clip: Clip, clip_s: float, seconds: float) -> float | None:
    """Loudness of the camera's own sound from clip time `clip_s` on; None if it is silent."""
    blocks = _stereo(sound(clip, RATE_HZ, clip_s, clip_s + seconds))
    return loudness(blocks, RATE_HZ, CHANNELS).integrated_lufs


def write_track(
    play: Callable[[], Iterator[Block]], level_lufs: float | None, file: Path, container_format: str, codec: str
) -> Track:
    """Encode a sound of `level_lufs` at `TARGET_LUFS`, or softer where its decoded peaks would pass `CEILING_DBTP`.

    `play` begins it anew: it is encoded again until it fits. Raises OSError.
    """
    lowered_db = 0.0
    gain_db = 0.0 if level_lufs is None else TARGET_LUFS - level_lufs
    for attempt in range(_TRIES):
        _encode(play(), db_to_gain(gain_db - lowered_db), file, container_format, codec)
        read = loudness(decoded(file), RATE_HZ, CHANNELS)
        over_db = -1.0 if read.true_peak_dbtp is None else read.true_peak_dbtp - CEILING_DBTP
        if over_db <= 0.0:
            break
        # Of some sounds a coder makes new peaks, whatever their level.
        lowered_db += (over_db + _UNDER_DB) * 2.0**attempt
    return Track(lufs=read.integrated_lufs, peak_dbtp=read.true_peak_dbtp, lowered_db=lowered_db)


def decoded(file: Path) -> Iterator[Block]:
    """Blocks of a film's sound as players decode it, ``(2, frames)`` at `RATE_HZ`."""
    import av  # noqa: TID251

    resampler = av.AudioResampler(format="fltp", layout="stereo", rate=RATE_HZ)
    with av.open(str(file)) as container:
        pieces = (
            np.asarray(piece.to_ndarray(), np.float32)
            for frame in container.decode(container.streams.audio[0])
            for piece in resampler.resample(frame)
        )
        yield from regrouped(pieces, CHANNELS, _BLOCK_FRAMES)


def _encode(blocks: Iterator[Block], gain: float, file: Path, container_format: str, codec: str) -> None:
    import av  # noqa: TID251

    with file.open("wb") as target, av.open(target, "w", format=container_format) as container:
        stream = container.add_stream(codec, rate=RATE_HZ, layout="stereo", bit_rate=_BIT_RATES[codec])
        assert isinstance(stream, av.AudioStream)
        coder = stream.codec_context
        coder.open()
        resampler = av.AudioResampler(
            format=coder.format, layout="stereo", rate=RATE_HZ, frame_size=coder.frame_size or None
        )
        done = 0
        for block in blocks:
            loud = np.ascontiguousarray(block * np.float32(gain))
            frame = av.AudioFrame.from_ndarray(loud, format="fltp", layout="stereo")
            frame.sample_rate, frame.time_base, frame.pts = RATE_HZ, Fraction(1, RATE_HZ), done
            done += block.shape[1]
            for piece in resampler.resample(frame):
                container.mux(stream.encode(piece))
        for piece in resampler.resample(None):
            container.mux(stream.encode(piece))
        container.mux(stream.encode(None))


def _read(mix: Path, first: int, frames: int) -> Iterator[Block]:
    recording = read_file(mix)
    with open_recording(recording, recording.rate_hz, first, frames) as reader:
        for start in range(0, frames, _BLOCK_FRAMES):
            yield reader.read(min(_BLOCK_FRAMES, frames - start))


def _stereo(blocks: Iterable[Block]) -> Iterator[Block]:
    for block in blocks:
        yield np.repeat(block, 2, axis=0) if len(block) == 1 else block


def _shifted(pieces: Iterable[Block], late: int, skipped: int) -> Iterator[Block]:
    """The sound after that many frames of silence, or without its first frames."""
    yield from lasting((), CHANNELS, late)
    for piece in pieces:
        yield piece[:, skipped:]
        skipped = max(0, skipped - piece.shape[1])
