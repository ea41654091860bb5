"""Write finished sound as integer WAV or FLAC.

WAV is written here byte by byte (RIFF/WAVE as published by Microsoft and IBM, 1991; RF64 after EBU Tech 3306): several
times faster than libsndfile for 24 bits, nothing in the file but format and samples, and the system's own error if
writing fails. FLAC goes through libsndfile.
"""

from __future__ import annotations

import errno
import io
import shutil
import struct
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Literal, Protocol, Self

import numpy as np
import soundfile  # noqa: TID251
from numpy.typing import NDArray

from morningmix.audio.paths import openable
from morningmix.errors import OutputError
from morningmix.units import Block

_RIFF_LIMIT_BYTES = 0xFFFFFFFF
_PACK_FRAMES = 16_384  # small enough for the processor's cache
_FULL_BYTES = 1 << 20  # less than this left on the disk: it is full
_FLAC_LEVEL = 0.5  # half of libsndfile's range; more costs time and saves under 1 % (measured)


def cannot_write(path: Path, error: Exception) -> OutputError:
    """The error of a failed write, in one line."""
    number = error.errno if isinstance(error, OSError) else None
    if number in (errno.ENOSPC, errno.EDQUOT) or _is_full(path):
        reason = "the disk is full; free some space and run it again"
    elif number in (errno.EACCES, errno.EPERM, errno.EROFS):
        reason = "you have no permission to write there"
    else:
        reason = (error.strerror if isinstance(error, OSError) else None) or "the disk failed or is full"
    return OutputError(f"{path} cannot be written: {reason}.")


def wav_piece(sound: Block, rate_hz: int) -> bytes:
    """A whole WAV file of 16 bits for a short sound, ``(channels, frames)``; what passes full scale is clipped."""
    file = io.BytesIO()
    samples = np.rint(np.clip(sound, -1.0, 32_767.0 / 32_768.0) * np.float32(32_768.0)).astype(np.int16)
    soundfile.write(file, samples.T, rate_hz, format="WAV", subtype="PCM_16")
    return file.getvalue()


def _is_full(path: Path) -> bool:
    try:
        return shutil.disk_usage(path.parent).free < _FULL_BYTES
    except OSError:
        return False


class _Sink(Protocol):
    def write(self, samples: NDArray[np.int32]) -> None: ...
    def close(self) -> None: ...


class IntegerWriter:
    """Writes integer samples to a WAV or FLAC file; a context manager.

    `frames` is the final length: a WAV that would exceed 4 GiB is written as RF64 from the start. Raises OutputError
    when the file cannot be made or written.
    """

    def __init__(
        self,
        path: Path,
        *,
        rate_hz: int,
        channels: int,
        frames: int,
        bits: Literal[16, 24] = 24,
        file_format: Literal["wav", "flac"] = "wav",
    ) -> None:
        self._path = path
        self._channels = channels
        self._frames_left = frames
        self._lowest, self._highest = -(1 << (bits - 1)), (1 << (bits - 1)) - 1
        try:
            self._sink: _Sink = (
                _Wav(path, rate_hz, channels, frames, bits)
                if file_format == "wav"
                else _Flac(path, rate_hz, channels, bits)
            )
        except (OSError, soundfile.LibsndfileError) as error:
            raise cannot_write(path, error) from error

    def write(self, samples: NDArray[np.int32]) -> None:
        """Append ``(channels, frames)`` int32 samples that lie in the range of the file's bits.

        Raises ValueError for values out of range, a wrong shape or more frames than announced; OutputError when the
        disk refuses.
        """
        if samples.ndim != 2 or samples.shape[0] != self._channels or samples.dtype != np.int32:
            raise ValueError(f"{self._channels} channels of int32 expected, not {samples.dtype} {samples.shape}")
        if samples.shape[1] > self._frames_left:
            raise ValueError("more frames than announced")
        if samples.size == 0:
            return
        if samples.min() < self._lowest or samples.max() > self._highest:
            raise ValueError(f"samples must lie between {self._lowest} and {self._highest}")
        self._frames_left -= samples.shape[1]
        try:
            self._sink.write(samples)
        except (OSError, AssertionError, soundfile.LibsndfileError) as error:  # soundfile asserts that all was written
            raise cannot_write(self._path, error) from error

    def close(self) -> None:
        """Finish the file. Raises OutputError."""
        try:
            self._sink.close()
        except (OSError, soundfile.LibsndfileError) as error:
            raise cannot_write(self._path, error) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            self.close()
        except OutputError:
            if error is None:
                raise


class _Wav:
    def __init__(self, path: Path, rate_hz: int, channels: int, frames: int, bits: int) -> None:
        self._sample_bytes = bits // 8
        frame_bytes = channels * self._sample_bytes
        self._format = struct.pack(
            "<4sIHHIIHH", b"fmt ", 16, 1, channels, rate_hz, rate_hz * frame_bytes, frame_bytes, bits
        )
        self._frame_bytes = frame_bytes
        self._is_rf64 = frames * frame_bytes + 64 > _RIFF_LIMIT_BYTES
        self._data_bytes = frames * frame_bytes
        self._written_bytes = 0
        self._file: BinaryIO = path.open("wb", buffering=0)
        _write_all(self._file, self._header())

    def _header(self) -> bytes:
        data_bytes = self._data_bytes
        padded = data_bytes + data_bytes % 2
        if not self._is_rf64:
            riff = struct.pack("<4sI4s", b"RIFF", 4 + len(self._format) + 8 + padded, b"WAVE")
            return riff + self._format + struct.pack("<4sI", b"data", data_bytes)
        ds64_bytes = 28
        riff_bytes = 4 + 8 + ds64_bytes + len(self._format) + 8 + padded
        frames = data_bytes // self._frame_bytes
        riff = struct.pack("<4sI4s", b"RF64", 0xFFFFFFFF, b"WAVE")
        ds64 = struct.pack("<4sIQQQI", b"ds64", ds64_bytes, riff_bytes, data_bytes, frames, 0)
        return riff + ds64 + self._format + struct.pack("<4sI", b"data", 0xFFFFFFFF)

    def write(self, samples: NDArray[np.int32]) -> None:
        for start in range(0, samples.shape[1], _PACK_FRAMES):
            packed = _packed(samples[:, start : start + _PACK_FRAMES], self._sample_bytes)
            _write_all(self._file, packed.data.cast("B"))
            self._written_bytes += packed.nbytes

    def close(self) -> None:
        if self._file.closed:
            return
        with self._file:
            if self._written_bytes % 2:
                _write_all(self._file, b"\0")
            if self._written_bytes != self._data_bytes:
                self._data_bytes = self._written_bytes
                self._file.seek(0)
                _write_all(self._file, self._header())


def _packed(samples: NDArray[np.int32], sample_bytes: int) -> NDArray[np.uint8]:
    """Interleaved little-endian samples of 2 or 3 bytes: ``(frames, channels, sample_bytes)``."""
    channels, frames = samples.shape
    wide = np.ascontiguousarray(samples, dtype="<i4").view(np.uint8).reshape(channels, frames, 4)
    packed = np.empty((frames, channels, sample_bytes), np.uint8)
    # One strided copy per byte and channel is faster than a loop over the samples.
    for channel in range(channels):
        for byte in range(sample_bytes):
            packed[:, channel, byte] = wide[channel, :, byte]
    return packed


class _Flac:
    def __init__(self, path: Path, rate_hz: int, channels: int, bits: int) -> None:
        self._shift = 32 - bits
        self._sound = soundfile.SoundFile(
            openable(path), "w", rate_hz, channels, f"PCM_{bits}", format="FLAC", compression_level=_FLAC_LEVEL
        )

    def write(self, samples: NDArray[np.int32]) -> None:
        self._sound.write(np.ascontiguousarray(np.left_shift(samples, self._shift).T))

    def close(self) -> None:
        self._sound.close()


def _write_all(file: BinaryIO, data: bytes | memoryview) -> None:
    view = memoryview(data)
    while len(view):
        view = view[file.write(view) :]
