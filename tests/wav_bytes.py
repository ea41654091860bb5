"""WAV files built byte by byte, odd headers included; nothing of the program under test is used.

Layouts: RIFF/WAVE (Microsoft and IBM 1991), bext (EBU Tech 3285), RF64 (EBU Tech 3306).
"""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
from numpy.typing import NDArray


def chunk(name: bytes, body: bytes, *, declared: int | None = None, pad: bool = True) -> bytes:
    size = len(body) if declared is None else declared
    return name + struct.pack("<I", size) + body + (b"\0" if pad and len(body) % 2 else b"")


def fmt(rate_hz: int = 48_000, channels: int = 1, sample_bytes: int = 3, tag: int = 1) -> bytes:
    frame_bytes = channels * sample_bytes
    plain = struct.pack("<HHIIHH", tag, channels, rate_hz, rate_hz * frame_bytes, frame_bytes, 8 * sample_bytes)
    return chunk(b"fmt ", plain)


def extensible(rate_hz: int, channels: int, sample_bytes: int, tag: int = 1) -> bytes:
    frame_bytes = channels * sample_bytes
    bits = 8 * sample_bytes
    plain = struct.pack("<HHIIHH", 0xFFFE, channels, rate_hz, rate_hz * frame_bytes, frame_bytes, bits)
    guid = struct.pack("<H", tag) + bytes.fromhex("0000 0000 1000 8000 00AA 0038 9B71")
    return chunk(b"fmt ", plain + struct.pack("<HHI", 22, bits, 0) + guid)


def bext(description: bytes = b"", time_reference: int = 0) -> bytes:
    body = description.ljust(256, b"\0") + bytes(82) + struct.pack("<Q", time_reference) + bytes(256)
    return chunk(b"bext", body)


def ixml(*names: str) -> bytes:
    tracks = "".join(
        f"<TRACK><CHANNEL_INDEX>{n}</CHANNEL_INDEX><INTERLEAVE_INDEX>{n}</INTERLEAVE_INDEX><NAME>{name}</NAME></TRACK>"
        for n, name in enumerate(names, 1)
    )
    return chunk(b"iXML", f"<?xml version='1.0'?><BWFXML><TRACK_LIST>{tracks}</TRACK_LIST></BWFXML>\0".encode())


def info(name: bytes) -> bytes:
    return chunk(b"LIST", b"INFO" + chunk(b"ISFT", b"odd") + chunk(b"INAM", name + b"\0"))


def riff(*chunks: bytes, size: int | None = None, form: bytes = b"RIFF") -> bytes:
    body = b"WAVE" + b"".join(chunks)
    return form + struct.pack("<I", len(body) if size is None else size) + body


def rf64(*chunks: bytes, data_bytes: int, frames: int = 0) -> bytes:
    body_bytes = 4 + 36 + sum(map(len, chunks))
    ds64 = chunk(b"ds64", struct.pack("<QQQI", body_bytes, data_bytes, frames, 0))
    return riff(ds64, *chunks, size=0xFFFFFFFF, form=b"RF64")


def pcm24(samples: NDArray[np.int32]) -> bytes:
    """Samples ``(channels, frames)`` as interleaved 24-bit numbers."""
    wide = np.ascontiguousarray(samples.T, "<i4").reshape(-1, 1).view(np.uint8)
    return wide[:, :3].tobytes()


def noise24(frames: int, channels: int = 1, seed: int = 0) -> NDArray[np.int32]:
    return np.random.default_rng(seed).integers(-(1 << 23), 1 << 23, (channels, frames), dtype=np.int32)


def mono(frames: int, *, rate_hz: int = 48_000, seed: int = 0, extra: tuple[bytes, ...] = ()) -> bytes:
    """A healthy 24-bit mono file, `extra` chunks before the sound."""
    return riff(fmt(rate_hz), *extra, chunk(b"data", pcm24(noise24(frames, 1, seed))))


def sparse(path: Path, size: int, head: bytes) -> None:
    """A file that looks `size` bytes long and takes no room on the disk."""
    with path.open("wb") as file:
        file.write(head)
        file.truncate(size)
