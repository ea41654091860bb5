"""Read recordings as float32 blocks, with parts joined, lanes in parallel and other rates converted.

Plain little-endian samples (WAV, RF64, BW64, also recovered ones) are decoded here with NumPy: for 24 bits several
times faster than libsndfile, and bit-identical. Other formats go through libsndfile.

Rates are converted in fixed segments of the output, each from its own stretch of input with enough context for the
filter. So a frame always comes from the same arithmetic, wherever reading began and however it is cut.
"""

from __future__ import annotations

import hashlib
import math
import sys
import zlib
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Protocol, Self

import numpy as np
import soundfile  # noqa: TID251
import soxr  # noqa: TID251
from numpy.typing import NDArray

from morningmix.audio.coded import CodedSamples, reading_stopped
from morningmix.audio.header import SAMPLE_BYTES, is_wave, wave_layout
from morningmix.errors import RecordingsError
from morningmix.model.recording import Part, Recording
from morningmix.units import Block

LARGEST_SAMPLE = 64.0
"""36 dB over full scale. Design choice: floats of recorders and audio programs pass full scale by their trim, tens of
decibels at most. Larger values are damage, and their squares would overflow."""

_DECODE_FRAMES = 16_384  # small enough for the processor's cache
_SEGMENT_FRAMES = 131_072
_SAMPLES, _SAMPLE_BYTES = 8, 4096
# The HQ filter is shorter than 100 frames of the slower rate on either side (its impulse response falls under 1e-7).
_FILTER_FRAMES = 256
LIBSNDFILE_VERSION: str = soundfile.__libsndfile_version__


def open_recording(
    recording: Recording, rate_hz: int, start_frame: int = 0, frames: int | None = None
) -> RecordingReader:
    """Reader of an input at `rate_hz`, from `start_frame` (counted at that rate).

    `frames` bounds the stretch, counted at that rate too; None: to the end of the recording. Files are opened
    read-only. Raises RecordingsError when a file cannot be opened or read.
    """
    if start_frame < 0 or (frames is not None and frames < 0):
        raise ValueError("a stretch begins at or after the start and has a length of 0 or more")
    return RecordingReader(recording, rate_hz, start_frame, frames)


def read_stretch(recording: Recording, rate_hz: int, start: int, stop: int) -> Block:
    """Frames `start` (may be negative) to `stop` (may lie after the end) at `rate_hz`, silence outside.

    Raises RecordingsError as `open_recording` and its reader do.
    """
    block = np.zeros((recording.channels, stop - start), np.float32)
    first = max(0, start)
    if stop > first:
        with open_recording(recording, rate_hz, first, stop - first) as reader:
            block[:, first - start :] = reader.read(stop - first)
    return block


def converted_frames(frames: int, from_hz: int, to_hz: int) -> int:
    """Length at another rate, rounded to the nearest frame (halves up)."""
    return (2 * frames * to_hz + from_hz) // (2 * from_hz)


def sha256_of(path: str | Path) -> str:
    """SHA-256 of a whole file, in hexadecimal. Raises RecordingsError."""
    try:
        with Path(path).open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise RecordingsError(f"{Path(path).name}: the file cannot be read ({error.strerror or error})") from error


def sample_of(path: str | Path) -> int:
    """CRC-32 of eight pieces spread over a file, to recognise changed content. Raises RecordingsError."""
    total = 0
    try:
        with Path(path).open("rb", buffering=0) as file:
            last = max(0, file.seek(0, 2) - _SAMPLE_BYTES)
            for piece in range(_SAMPLES):
                file.seek(last * piece // (_SAMPLES - 1))
                total = zlib.crc32(file.read(_SAMPLE_BYTES), total)
    except OSError as error:
        raise RecordingsError(f"{Path(path).name}: the file cannot be read ({error.strerror or error})") from error
    return total


class RecordingReader:
    """Reads a stretch of an input sequentially; a context manager. Created by `open_recording`."""

    def __init__(self, recording: Recording, rate_hz: int, start_frame: int, frames: int | None) -> None:
        self.rate_hz = rate_hz
        self.channels = recording.channels
        lanes = [_Joined(lane) for lane in recording.lanes]
        self._lanes: list[_Lane] = [lane if lane.rate_hz == rate_hz else _Converted(lane, rate_hz) for lane in lanes]
        self._position = start_frame
        self._at_frame = recording.at_frame
        longest = recording.at_frame + max(lane.frames for lane in self._lanes)
        self.frames = max(0, longest - start_frame) if frames is None else frames
        """Length of the stretch at `rate_hz`; after it `read` returns silence."""
        self._end = start_frame + self.frames

    def read(self, frames: int) -> Block:
        """The next block, ``(channels, frames)`` float32; silence after the end of the stretch or of the recording.

        Samples that are not finite, are over `LARGEST_SAMPLE` or cannot be decoded read as 0. Raises RecordingsError,
        naming file and time, when reading fails.
        """
        block = np.empty((self.channels, frames), np.float32)
        wanted = min(frames, max(0, self._end - self._position))
        block[:, wanted:] = 0.0
        row = 0
        for lane in self._lanes:
            lane.read_into(self._position - self._at_frame, block[row : row + lane.channels, :wanted])
            row += lane.channels
        self._position += frames
        return block

    @property
    def broken_samples(self) -> int:
        """Number of samples so far that were replaced by 0; with rate conversion some may count twice."""
        return sum(lane.broken_samples for lane in self._lanes)

    def close(self) -> None:
        """Close the files."""
        for lane in self._lanes:
            lane.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


class _Lane(Protocol):
    channels: int
    frames: int

    @property
    def broken_samples(self) -> int: ...

    def read_into(self, start: int, out: Block) -> None: ...
    def close(self) -> None: ...


class _Joined:
    """The parts of one lane, one after the other, at their own rate; silence before and after."""

    def __init__(self, parts: tuple[Part, ...]) -> None:
        self.channels = parts[0].channels
        self.rate_hz = parts[0].rate_hz
        self.frames = sum(part.frames for part in parts)
        self.broken_samples = 0
        self._parts = parts
        self._opened: _PlainSamples | CodedSamples | None = None

    def read_into(self, start: int, out: Block) -> None:
        """Fill ``out`` with the frames from `start` (which may be negative) on."""
        stop = start + out.shape[1]
        filled = min(max(0, -start), out.shape[1])
        out[:, :filled] = 0.0
        part_start = 0
        for part in self._parts:
            first, last = max(start, part_start), min(stop, part_start + part.frames)
            if first < last:
                wanted = out[:, first - start : last - start]
                self.broken_samples += self._open(part).read_into(first - part_start, wanted)
                if not part.subtype.startswith("PCM"):
                    self.broken_samples += _silence_broken_samples(wanted)
                filled = last - start
            part_start += part.frames
        out[:, filled:] = 0.0

    def _open(self, part: Part) -> _PlainSamples | CodedSamples:
        if self._opened is None or self._opened.part is not part:
            self.close()
            self._opened = _open_part(part)
        return self._opened

    def close(self) -> None:
        if self._opened is not None:
            self._opened.close()
            self._opened = None


class _Converted:
    """A lane at another rate, converted segment by segment."""

    def __init__(self, lane: _Joined, rate_hz: int) -> None:
        self.channels = lane.channels
        self.frames = converted_frames(lane.frames, lane.rate_hz, rate_hz)
        self._lane = lane
        self._rate_hz = rate_hz
        divisor = math.gcd(lane.rate_hz, rate_hz)
        step_in, step_out = lane.rate_hz // divisor, rate_hz // divisor
        steps = max(1, _SEGMENT_FRAMES // step_out)
        around = math.ceil(_FILTER_FRAMES * max(1.0, lane.rate_hz / rate_hz) / step_in)
        self._segment_in, self._segment_out = steps * step_in, steps * step_out
        self._around_in, self._around_out = around * step_in, around * step_out
        self._index = -1
        self._segment: Block = np.empty((self.channels, 0), np.float32)

    @property
    def broken_samples(self) -> int:
        return self._lane.broken_samples

    def read_into(self, start: int, out: Block) -> None:
        wanted = min(out.shape[1], max(0, self.frames - start))
        out[:, wanted:] = 0.0
        done = min(max(0, -start), wanted)
        out[:, :done] = 0.0
        while done < wanted:
            index, offset = divmod(start + done, self._segment_out)
            if index != self._index:
                self._segment = self._convert(index)
                self._index = index
            count = min(wanted - done, self._segment_out - offset)
            out[:, done : done + count] = self._segment[:, offset : offset + count]
            done += count

    def _convert(self, index: int) -> Block:
        sound = np.empty((self.channels, self._segment_in + 2 * self._around_in), np.float32)
        self._lane.read_into(index * self._segment_in - self._around_in, sound)
        stream = soxr.ResampleStream(self._lane.rate_hz, self._rate_hz, self.channels, dtype="float32", quality="HQ")
        converted: Block = stream.resample_chunk(np.ascontiguousarray(sound.T), last=True)
        return np.ascontiguousarray(converted[self._around_out : self._around_out + self._segment_out].T)

    def close(self) -> None:
        self._lane.close()


# ---------------------------------------------------------------- one file


def _open_part(part: Part) -> _PlainSamples | CodedSamples:
    try:
        if part.data_offset_bytes is not None:
            return _PlainSamples(part, part.data_offset_bytes)
        if part.subtype in SAMPLE_BYTES and is_wave(part.path):
            return _PlainSamples(part, wave_layout(part.path).data_offset_bytes)
        return CodedSamples(part)
    except (OSError, soundfile.LibsndfileError) as error:
        raise RecordingsError(f"{part.path.name}: the file cannot be opened ({_reason(error)})") from error


def _reason(error: Exception) -> str:
    return (error.strerror if isinstance(error, OSError) else None) or str(error)


@np.errstate(over="ignore", invalid="ignore")
def _silence_broken_samples(sound: Block) -> int:
    """Zero samples that are not finite or over `LARGEST_SAMPLE`; return how many."""
    count = 0
    for row in sound:
        # The energy is found several times faster than the peak, and mostly tells that no sample is too large.
        if not np.dot(row, row) <= LARGEST_SAMPLE**2 and not max(row.max(), -row.min()) <= LARGEST_SAMPLE:
            broken = ~(np.abs(row) <= LARGEST_SAMPLE)
            row[broken] = 0.0
            count += int(np.count_nonzero(broken))
    return count


class _PlainSamples:
    """Reads samples stored as little-endian numbers from an offset on."""

    def __init__(self, part: Part, offset_bytes: int) -> None:
        self.part = part
        self._offset_bytes = offset_bytes
        self._frame_bytes = SAMPLE_BYTES[part.subtype] * part.channels
        self._as_wanted = part.subtype == "FLOAT" and part.channels == 1 and sys.byteorder == "little"
        # One byte before the samples lets 24 bits be read as the upper three bytes of 32.
        self._bytes: NDArray[np.uint8] = np.zeros(
            0 if self._as_wanted else _DECODE_FRAMES * self._frame_bytes + 1, np.uint8
        )
        self._file: BinaryIO = part.path.open("rb", buffering=0)

    def read_into(self, start: int, out: Block) -> int:
        """Fill ``out`` with the frames from `start` on; returns how many samples were lost: none."""
        done = 0
        try:
            self._file.seek(self._offset_bytes + start * self._frame_bytes)
            if self._as_wanted:
                self._fill(out[0].view(np.uint8).data)
                return 0
            while done < out.shape[1]:
                count = min(_DECODE_FRAMES, out.shape[1] - done)
                self._fill(self._bytes.data[1 : 1 + count * self._frame_bytes])
                self._decode(out[:, done : done + count])
                done += count
        except OSError as error:
            raise reading_stopped(self.part, start + done) from error
        return 0

    def _fill(self, view: memoryview) -> None:
        got = 0
        while got < len(view):
            count = self._file.readinto(view[got:])  # type: ignore[attr-defined]
            if not count:
                raise OSError("end of file")
            got += count

    def _decode(self, out: Block) -> None:
        shape = (out.shape[1], out.shape[0])
        plain = self._bytes[1 : 1 + shape[0] * self._frame_bytes]
        match self.part.subtype:
            case "PCM_U8":
                out[...] = plain.reshape(shape).T
                out -= np.float32(128.0)
                out *= np.float32(2.0**-7)
            case "PCM_16":
                out[...] = plain.view("<i2").reshape(shape).T
                out *= np.float32(2.0**-15)
            case "PCM_24":
                strides = (self._frame_bytes, 3)
                upper: NDArray[np.int32] = np.ndarray(shape, np.dtype("<i4"), buffer=self._bytes, strides=strides)
                out[...] = (upper & np.int32(-256)).T
                out *= np.float32(2.0**-31)
            case "PCM_32":
                out[...] = plain.view("<i4").reshape(shape).T
                out *= np.float32(2.0**-31)
            case "FLOAT":
                out[...] = plain.view("<f4").reshape(shape).T
            case _:
                with np.errstate(all="ignore"):
                    out[...] = plain.view("<f8").reshape(shape).T

    def close(self) -> None:
        self._file.close()
