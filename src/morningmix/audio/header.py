"""Read headers of sound files: format, length, names; and recover what a damaged header leaves readable.

WAV, RF64 and BW64 are parsed here, because a recorder that lost power leaves lengths that only the size of the file can
correct. Every other kind is described by libsndfile (`coded`).

Published layouts: RIFF/WAVE (Microsoft and IBM, Multimedia Programming Interface and Data Specifications 1.0, 1991;
WAVE_FORMAT_EXTENSIBLE 2001), Broadcast Wave and its bext chunk (EBU Tech 3285), RF64 (EBU Tech 3306), BW64 (ITU-R
BS.2088), iXML specification (TRACK_LIST, INTERLEAVE_INDEX, NAME).
"""

from __future__ import annotations

import html
import os
import re
import stat
import struct
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import BinaryIO

from morningmix.audio.coded import coded_part
from morningmix.errors import RecordingsError
from morningmix.model.recording import Part, Recording
from morningmix.units import clock

SAMPLE_BYTES = {"PCM_U8": 1, "PCM_16": 2, "PCM_24": 3, "PCM_32": 4, "FLOAT": 4, "DOUBLE": 8}
"""Bytes per sample of formats stored as plain little-endian numbers."""

_UNKNOWN_SIZE = 0xFFFFFFFF
_LARGEST_TEXT_BYTES = 1 << 20
_SHORTEST_LOSS_S = 0.1  # design choice: less than this after the sound is padding or a stray tag, not sound
_RATES_HZ = range(8_000, 1_000_001)
"""Plausible sample rates: no music below, no converter far above (design choice)."""
_KNOWN_CHUNKS = frozenset(
    b"fmt |data|bext|iXML|LIST|INFO|JUNK|junk|PAD |fact|PEAK|cue |smpl|inst|axml|chna|ds64|r64m|levl|umid|minf|elm1|"
    b"regn|FLLR|DGDA|MARK|id3 |ID3 |_PMX|acid|bext|cart|afsp|link|plst|labl|note|DISP|CSET|slnt|wavl|mext|qlty|aXML|"
    b"fake|SyLp|strc|cont".split(b"|")
)
_STRAY_TAGS = (b"TAG", b"ID3", b"APETAGEX")


@dataclass(frozen=True, slots=True, kw_only=True)
class WaveLayout:
    """Position of the samples in a WAV, RF64 or BW64 file, and the contents of its other chunks."""

    rate_hz: int
    channels: int
    frames: int
    subtype: str | None
    """A key of `SAMPLE_BYTES`; None for coded samples (A-law, ADPCM, ...), which libsndfile reads."""
    data_offset_bytes: int
    damage: str | None
    embedded_name: str | None
    time_reference: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Format:
    tag: int
    rate_hz: int
    channels: int
    frame_bytes: int

    @property
    def subtype(self) -> str | None:
        sample_bytes, rest = divmod(self.frame_bytes, self.channels)
        names = {1: {1: "PCM_U8", 2: "PCM_16", 3: "PCM_24", 4: "PCM_32"}, 3: {4: "FLOAT", 8: "DOUBLE"}}
        return None if rest else names.get(self.tag, {}).get(sample_bytes)


def read_header(path: Path) -> Part:
    """The file as its header describes it, without reading its samples.

    Raises RecordingsError, its message beginning with the file's name, when the file cannot be opened, is not sound or
    cannot be saved.
    """
    try:
        if is_wave(path):
            part = _wave_part(path, wave_layout(path))
        elif path.stat().st_size == 0:
            raise RecordingsError(f"{path.name}: the file is empty (0 bytes)")
        else:
            part = _coded_part(path)
    except OSError as error:
        raise RecordingsError(f"{path.name}: the file cannot be read ({error.strerror or error})") from error
    if part.rate_hz not in _RATES_HZ:
        raise RecordingsError(
            f"{path.name}: a sample rate of {part.rate_hz} Hz does not suit music; set the recorder to 48000"
        )
    return part


def read_file(path: Path) -> Recording:
    """A recording of one file. Raises as `read_header` does."""
    return Recording(lanes=((read_header(path),),))


def is_wave(path: Path) -> bool:
    """Whether the file begins as a WAV, RF64 or BW64 file does.

    Raises OSError, and RecordingsError for a pipe or a device, which may never end or never begin.
    """
    if not stat.S_ISREG(path.stat().st_mode):
        raise RecordingsError(f"{path.name}: this is not a plain file, so it is not read")
    with path.open("rb") as file:
        start = file.read(12)
    return start[:4] in (b"RIFF", b"RF64", b"BW64") and start[8:12] == b"WAVE"


def _wave_part(path: Path, layout: WaveLayout) -> Part:
    if layout.subtype is None:
        return replace(_coded_part(path), embedded_name=layout.embedded_name, time_reference=layout.time_reference)
    return Part(
        path=path,
        rate_hz=layout.rate_hz,
        channels=layout.channels,
        frames=layout.frames,
        subtype=layout.subtype,
        embedded_name=layout.embedded_name,
        time_reference=layout.time_reference,
        data_offset_bytes=layout.data_offset_bytes if layout.damage else None,
        damage=layout.damage,
    )


def _coded_part(path: Path) -> Part:
    part = coded_part(path)
    return replace(part, embedded_name=_clean(part.embedded_name.encode())) if part.embedded_name else part


# ---------------------------------------------------------------- WAV, RF64, BW64


def wave_layout(path: Path) -> WaveLayout:
    """Position of the samples, and the names, in a WAV, RF64 or BW64 file, whatever its header claims.

    A length of 0 or 0xFFFFFFFF, one beyond the end of the file, and one that stops amid the samples are replaced by
    what the file holds. Raises RecordingsError when format or samples are missing, OSError when reading fails.
    """
    with path.open("rb") as file:
        file_bytes = os.fstat(file.fileno()).st_size
        riff_bytes = struct.unpack("<4xI", file.read(8))[0]
        data_bytes = None
        form: _Format | None = None
        data: tuple[int, int, str | None] | None = None
        name_of: dict[bytes, str] = {}
        time_reference = None
        position = 12
        while position + 8 <= file_bytes:
            file.seek(position)
            chunk_id, chunk_bytes = struct.unpack("<4sI", file.read(8))
            if not _is_printable(chunk_id):
                break
            start = position + 8
            if chunk_id == b"data" and data is None:
                if form is None:
                    raise RecordingsError(f"{path.name}: the header is damaged (it does not say what the samples are)")
                declared = data_bytes if data_bytes is not None and chunk_bytes == _UNKNOWN_SIZE else chunk_bytes
                end, damage = _data_end(file, start, declared, file_bytes, form)
                data = start, end, damage
                if end >= file_bytes - 1:
                    break
                position = _next_chunk(file, end, file_bytes)
                continue
            text = file.read(min(chunk_bytes, _LARGEST_TEXT_BYTES)) if chunk_bytes and chunk_id in _READ else b""
            if chunk_id == b"ds64" and len(text) >= 24:
                riff_bytes, data_bytes = struct.unpack_from("<QQ", text)
            elif chunk_id == b"fmt " and len(text) >= 16 and form is None:
                form = _read_format(path, text)
            elif chunk_id == b"bext" and len(text) >= 346:
                time_reference = struct.unpack_from("<Q", text, 338)[0]
                name_of[b"bext"] = _bext_name(text[:256], form.channels if form else 1)
            elif chunk_id == b"iXML":
                name_of[b"iXML"] = _ixml_name(text, form.channels if form else 1)
            elif chunk_id == b"LIST" and text[:4] == b"INFO":
                name_of[b"LIST"] = _info_name(text)
            position = _next_chunk(file, start + chunk_bytes, file_bytes)
    if form is None or data is None:
        raise RecordingsError(f"{path.name}: it has a header but no sound")
    start, end, damage = data
    frames = (end - start) // form.frame_bytes
    if damage is None and (end - start) % form.frame_bytes:
        damage = "the last sample is cut off; everything before it is used"
    if damage is None and riff_bytes != _UNKNOWN_SIZE and not end - 9 <= riff_bytes <= file_bytes - 7:
        damage = f"the header gives a wrong file size; all of its sound ({clock(frames / form.rate_hz)}) is used"
    return WaveLayout(
        rate_hz=form.rate_hz,
        channels=form.channels,
        frames=frames,
        subtype=form.subtype,
        data_offset_bytes=start,
        damage=damage,
        embedded_name=next((name_of[key] for key in (b"iXML", b"bext", b"LIST") if name_of.get(key)), None),
        time_reference=time_reference,
    )


_READ = (b"ds64", b"fmt ", b"bext", b"iXML", b"LIST")


def _read_format(path: Path, text: bytes) -> _Format:
    tag, channels, rate_hz, _, frame_bytes, _ = struct.unpack_from("<HHIIHH", text)
    if tag == 0xFFFE and len(text) >= 26:
        tag = struct.unpack_from("<H", text, 24)[0]  # the GUID of the sub-format begins with the plain tag
    if channels == 0 or frame_bytes == 0 or rate_hz == 0 or rate_hz >= _RATES_HZ.stop:
        raise RecordingsError(f"{path.name}: the header is damaged ({channels} channels at {rate_hz} Hz)")
    return _Format(tag=tag, rate_hz=rate_hz, channels=channels, frame_bytes=frame_bytes)


def _data_end(file: BinaryIO, start: int, declared: int, file_bytes: int, form: _Format) -> tuple[int, str | None]:
    """End of the samples, and what is wrong with the declared length (None: nothing)."""
    available = file_bytes - start

    def length(size: int) -> str:
        return clock(size // form.frame_bytes / form.rate_hz)

    saved = f"{length(available)} was recovered from the file itself"
    if declared > available:
        if declared == _UNKNOWN_SIZE or declared > max(0x7FFFF000, 2 * available):
            return file_bytes, f"the header does not say how long the sound is (lost power?); {saved}"
        return file_bytes, f"the header says {length(declared)} of sound; {saved}, the rest is missing"
    # An overflowed 32-bit length is correct modulo 4 GiB.
    for size in range(declared, available + 1, 1 << 32):
        if _is_chunk_edge(file, start + size, file_bytes):
            wrong = f"the header says {length(declared)} of sound; {length(size)} was recovered from the file itself"
            return start + size, None if size == declared else wrong
    rest = available - declared
    file.seek(start + declared)
    if declared and (rest < _SHORTEST_LOSS_S * form.rate_hz * form.frame_bytes or file.read(8).startswith(_STRAY_TAGS)):
        return start + declared, None
    return file_bytes, f"the header says {length(declared)} of sound; {saved}"


def _is_chunk_edge(file: BinaryIO, position: int, file_bytes: int) -> bool:
    """Whether the file ends here, or another chunk begins here or after a pad byte."""
    if position >= file_bytes - 1:
        return True
    for edge in (position + position % 2, position):
        file.seek(edge)
        head = file.read(8)
        if len(head) == 8:
            chunk_id, chunk_bytes = struct.unpack("<4sI", head)
            if _is_printable(chunk_id) and chunk_bytes <= file_bytes - edge - 8:
                return True
    return False


def _is_printable(chunk_id: bytes) -> bool:
    return all(0x20 <= byte < 0x7F for byte in chunk_id)


def _next_chunk(file: BinaryIO, end: int, file_bytes: int) -> int:
    """Position of the chunk after one that ends at `end`; chunks are padded to even, but not every recorder does it."""
    padded = end + end % 2
    if padded == end or end + 4 > file_bytes:
        return padded
    file.seek(end)
    ids = file.read(5)
    return end if ids[:4] in _KNOWN_CHUNKS and ids[1:] not in _KNOWN_CHUNKS else padded


# ---------------------------------------------------------------- names


def _clean(text: bytes) -> str:
    """First line of a text field, without what follows its terminating zero."""
    text = text.split(b"\0", 1)[0]
    try:
        words = text.decode("utf-8")
    except UnicodeDecodeError:
        words = text.decode("latin-1")
    lines = [" ".join(line.split()) for line in words.splitlines()]
    return next(("".join(sign for sign in line if sign.isprintable()) for line in lines if line), "")


def _bext_name(text: bytes, channels: int) -> str:
    """The description; multitrack recorders write lines such as ``sTRK2=Snare`` into it (common practice)."""
    tracks = re.findall(rb"(?im)^[a-z]?TRK(?:ACK)?\d+=([^\r\n\0]+)", text.split(b"\0", 1)[0])
    if tracks:
        return _one_name([_clean(track) for track in tracks], channels)
    return _clean(text)


def _ixml_name(text: bytes, channels: int) -> str:
    # Patterns, not an XML parser: recorders leave zeros and unescaped signs in it, and a parser would refuse all of it.
    tracks: list[tuple[int, str]] = []
    for track in _elements(text, b"TRACK"):
        name = next(_elements(track, b"NAME"), None)
        index = re.search(rb"<INTERLEAVE_INDEX>\s*(\d{1,6})", track)
        if name is not None:
            tracks.append((int(index[1]) if index else len(tracks) + 1, html.unescape(_clean(name.strip()))))
    return _one_name([name for _, name in sorted(tracks, key=lambda track: track[0])], channels)


def _elements(text: bytes, name: bytes) -> Iterator[bytes]:
    """Contents between each ``<NAME>`` and the next ``</NAME>``; the text is searched once."""
    at = 0
    while (start := text.find(b"<%b>" % name, at)) >= 0:
        start += len(name) + 2
        end = text.find(b"</%b>" % name, start)
        if end < 0:
            return
        yield text[start:end]
        at = end


def _one_name(names: list[str], channels: int) -> str:
    return " / ".join(dict.fromkeys(name for name in names[:channels] if name))


def _info_name(text: bytes) -> str:
    position = 4
    while position + 8 <= len(text):
        item, item_bytes = struct.unpack_from("<4sI", text, position)
        if item == b"INAM":
            return _clean(text[position + 8 : position + 8 + item_bytes])
        position += 8 + item_bytes + item_bytes % 2
    return ""
