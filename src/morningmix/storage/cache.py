"""Cache entries of a mix folder: written completely or not at all, and read only with a matching checksum.

An entry is its content and a trailer: a mark, the length of the content, and the CRC-32 of name and content. Entries
that are truncated, changed, renamed or not a regular file count as missing, and are made again. The name identifies
what an entry belongs to: ``TAKE-SOURCE[-QUESTION].FORMAT.KIND``, or ``MIX.FORMAT.song``. The checksum
detects damage, not forgery.
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
    "track": 14,
    "feedback": 1,
    "hashes": 1,
    "bleed": 5,
    "desk": 4,
    "click": 3,
    "align": 5,
    "clean": 11,
    "cleaned": 12,
    "print": 2,
    "song": 2,
    "scratch": 1,
}
"""Format number of each kind of entry. Raise it when the content, its meaning or its fields change."""

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
    """Sixteen hexadecimal digits that identify the parts."""
    return hashlib.sha256("\n".join(repr(part) for part in parts).encode("utf-8")).hexdigest()[:16]


def take_key(folder: Path) -> str:
    """Eight hexadecimal digits that identify the folder of a take."""
    return key(str(folder))[:8]


def path_of(folder: Path, kind: str, *stem: str) -> Path:
    """Path of an entry."""
    return folder / f"{'-'.join(stem)}.{FORMATS[kind]}.{kind}"


def beside(path: Path, kind: str, *more: str) -> Path:
    """Path of the entry of another kind with the same key."""
    return path_of(path.parent, kind, path.name.split(".")[0], *more)


# ---------------------------------------------------------------- writing


class EntryWriter:
    """Writes an entry in pieces; a context manager. The entry appears when that ends without an error.

    Raises `OutputError` where it cannot be written.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._length = 0
        self._sum = zlib.crc32(path.name.encode("utf-8"))
        # A random name, so that nobody can have placed a link there.
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
    """Rename a folder that is in the way; a file or link is simply replaced."""
    if path.is_dir() and not path.is_symlink():
        path.rename(path.with_name(f"{path.name}.{secrets.token_hex(4)}"))


def write_entry(path: Path, content: bytes) -> None:
    """Write an entry at once. Raises `OutputError`."""
    with EntryWriter(path) as writer:
        writer.write(content)


# ---------------------------------------------------------------- reading


def read_entry(path: Path) -> bytes | None:
    """Content of an entry; None unless it is intact."""
    content = bytearray()
    return bytes(content) if _follow(path, content) is not None else None


def is_whole(path: Path, length: int) -> bool:
    """Whether an entry is intact and its content is `length` bytes long. Reads all of it."""
    return _follow(path, None) == length


def _follow(path: Path, content: bytearray | None) -> int | None:
    """Length of the content of an entry, read to its end; None if the checksum does not match."""
    try:
        if not _is_plain(path):
            return None
        with path.open("rb") as file:
            length = file.seek(0, 2) - _TRAILER.size
            if length < 0:
                return None
            file.seek(length)
            mark, stored, total = _TRAILER.unpack(file.read(_TRAILER.size))
            if (mark, stored) != (_MARK, length):
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
    """Whether it is a regular file and not a link."""
    return stat.S_ISREG(path.lstat().st_mode)


# ---------------------------------------------------------------- clearing up


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """A cache entry, as its name describes it."""

    path: Path
    kind: str
    current: bool
    """Whether this version reads its format."""
    of: tuple[str, ...]
    """Keys of the take and of what it was made from, or of the mix."""


def entries(folder: Path) -> Iterator[Entry]:
    """All entries of a cache, of any format; files with other names are not ours."""
    for path in _plain_files(folder):
        name = _NAME.fullmatch(path.name)
        if name is not None and name["kind"] in FORMATS:
            current = FORMATS[name["kind"]] == int(name["format"])
            yield Entry(path=path, kind=name["kind"], current=current, of=tuple(name["of"].split("-")))


def made_from(path: Path) -> str:
    """Key of what an entry was made from, taken from its name."""
    return path.name.split(".")[0].split("-")[1]


def sweep(folder: Path) -> None:
    """Remove entries of former formats, and unfinished files of killed runs.

    Call it only while no other run works in the mix folder. Files that cannot be removed stay.
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
