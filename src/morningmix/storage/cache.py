"""The files of a mix folder's cache: written whole or not at all, and believed only with the right checksum.

An entry is its content and a trailer: a mark, the length of the content, and the CRC-32 of name and content. Whatever
is cut short, changed, renamed or not a regular file counts as missing, and is made again. Names say what an entry
belongs to: ``TAKE-SOURCE[-QUESTION].FORMAT.KIND``, or ``MIX.FORMAT.song``. The checksum finds damage, not forgery.
"""

from __future__ import annotations

import hashlib
import re
import secrets
import stat
import struct
import zlib
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Self

from morningmix.storage.home import output_errors

FORMATS = {
    "bands": 11,
    "track": 12,
    "hashes": 1,
    "bleed": 5,
    "desk": 4,
    "click": 3,
    "align": 4,
    "clean": 10,
    "cleaned": 11,
    "song": 2,
    "scratch": 1,
}
"""Kinds of entries. Raise a number when what makes that kind measures or sounds differently, or stores other fields."""

_TRAILER = struct.Struct("<8sQI")
_MARK = b"MMcache\n"
_CHUNK_BYTES = 1 << 20
_NAME = re.compile(r"(?P<of>[0-9a-f]{8}(?:-[0-9a-f]+)*)\.(?P<format>[0-9]+)\.(?P<kind>[a-z]+)")
_PARTIAL = re.compile(r"[0-9a-f]{16}\.partial")
_FORMER = re.compile(
    r"(?:[0-9a-f]{24}|[0-9a-f]{8}-[0-9a-f]{24}-[0-9]{2})\.(?:bands|sha|json|clean|npz|partial|left|taken|bleed)"
    r"|[0-9a-f-]{24,}\.npz\.partial|\.[0-9a-f]{24}\.(?:sha|json)\.[0-9]+\.partial"
)
_FORMER_SONGS, _FORMER_SONG = "songs", re.compile(r"[0-9a-f]{8}\.npz(?:\.partial)?")


def key(*parts: object) -> str:
    """Sixteen hexadecimal digits that stand for all of the parts."""
    return hashlib.sha256("\n".join(repr(part) for part in parts).encode("utf-8")).hexdigest()[:16]


def take_key(folder: Path) -> str:
    """Eight hexadecimal digits that stand for a take's folder."""
    return key(str(folder))[:8]


def path_of(folder: Path, kind: str, *stem: str) -> Path:
    """Where the entry of a kind lies."""
    return folder / f"{'-'.join(stem)}.{FORMATS[kind]}.{kind}"


def beside(path: Path, kind: str, *more: str) -> Path:
    """Where the entry of another kind lies that belongs to the same thing."""
    return path_of(path.parent, kind, path.name.split(".")[0], *more)


# ---------------------------------------------------------------- writing


class EntryWriter:
    """Writes an entry as it comes; a context manager. The entry is in its place once that ends without an error.

    Raises `OutputError` where it cannot be written.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._length = 0
        self._sum = zlib.crc32(path.name.encode("utf-8"))
        # A fresh file that nobody could have put a link in place of.
        self._partial = path.with_name(f"{secrets.token_hex(8)}.partial")
        with output_errors(path):
            self._file: BinaryIO = self._partial.open("xb")

    def write(self, content: bytes) -> None:
        """Append to the content."""
        with output_errors(self._path):
            self._file.write(content)
        self._length += len(content)
        self._sum = zlib.crc32(content, self._sum)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            with output_errors(self._path):
                with self._file:
                    if error is None:
                        self._file.write(_TRAILER.pack(_MARK, self._length, self._sum))
                if error is None:
                    _move_aside(self._path)
                    self._partial.replace(self._path)
        finally:
            remove(self._partial)


def _move_aside(path: Path) -> None:
    """Rename a folder that is in the way; a file or a link is replaced by itself."""
    if path.is_dir() and not path.is_symlink():
        path.rename(path.with_name(f"{path.name}.{secrets.token_hex(4)}"))


def write_entry(path: Path, content: bytes) -> None:
    """Write an entry at once. Raises `OutputError`."""
    with EntryWriter(path) as writer:
        writer.write(content)


# ---------------------------------------------------------------- reading


def read_entry(path: Path) -> bytes | None:
    """Content of an entry; None where there is none that can be believed."""
    content = bytearray()
    return bytes(content) if _follow(path, content) is not None else None


def is_whole(path: Path, length: int) -> bool:
    """Whether an entry has a content of `length` bytes that can be believed. Reads all of it."""
    return _follow(path, None) == length


def _follow(path: Path, content: bytearray | None) -> int | None:
    """Read an entry to its end and return the length of its content, None where it does not fit its checksum."""
    try:
        if not _is_plain(path):
            return None
        with path.open("rb") as file:
            length = file.seek(0, 2) - _TRAILER.size
            if length < 0:
                return None
            file.seek(length)
            mark, told, total = _TRAILER.unpack(file.read(_TRAILER.size))
            if (mark, told) != (_MARK, length):
                return None
            file.seek(0)
            so_far, left = zlib.crc32(path.name.encode("utf-8")), length
            while left:
                chunk = file.read(min(left, _CHUNK_BYTES))
                if not chunk:
                    return None
                so_far = zlib.crc32(chunk, so_far)
                left -= len(chunk)
                if content is not None:
                    content += chunk
    except (OSError, struct.error):
        return None
    return length if so_far == total else None


def _is_plain(path: Path) -> bool:
    """A file, and no link to one."""
    return stat.S_ISREG(path.lstat().st_mode)


# ---------------------------------------------------------------- clearing up


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """What the name of a file in the cache tells."""

    path: Path
    kind: str
    current: bool
    """Of the format that this version reads."""
    of: tuple[str, ...]
    """What it belongs to: the take and what it was made from, or the mix."""


def entries(folder: Path) -> Iterator[Entry]:
    """All entries of a cache, of any format; files with other names are somebody else's."""
    for path in _plain_files(folder):
        told = _NAME.fullmatch(path.name)
        if told is not None and told["kind"] in FORMATS:
            current = FORMATS[told["kind"]] == int(told["format"])
            yield Entry(path=path, kind=told["kind"], current=current, of=tuple(told["of"].split("-")))


def made_from(path: Path) -> str:
    """The key of what an entry was made from, by its name."""
    return path.name.split(".")[0].split("-")[1]


def sweep(folder: Path) -> None:
    """Remove what no run reads any more: entries of former formats, and what a killed run left half written.

    To be called while no other run works in the mix folder. What cannot be removed stays.
    """
    for entry in entries(folder):
        if not entry.current or entry.kind == "scratch":
            remove(entry.path)
    for path in _plain_files(folder):
        if _PARTIAL.fullmatch(path.name) or _FORMER.fullmatch(path.name):
            remove(path)
    songs = folder / _FORMER_SONGS
    if songs.is_dir() and not songs.is_symlink():
        for path in _plain_files(songs):
            if _FORMER_SONG.fullmatch(path.name):
                remove(path)
        with suppress(OSError):
            songs.rmdir()


def keep_current(folder: Path, take: str, sources: frozenset[str]) -> None:
    """Remove a take's entries that were made from anything but `sources`: recordings that have changed or gone."""
    for entry in entries(folder):
        if len(entry.of) > 1 and entry.of[0] == take and entry.of[1] not in sources:
            remove(entry.path)


def remove(path: Path) -> None:
    """Remove a file if it is there and can be removed."""
    with suppress(OSError):
        path.unlink(missing_ok=True)


def _plain_files(folder: Path) -> list[Path]:
    try:
        return sorted(path for path in folder.iterdir() if _is_plain(path))
    except OSError:
        return []
