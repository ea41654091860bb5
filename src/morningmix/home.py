"""Where a rehearsal lives on disk, and how its outputs appear there whole or not at all.

The song folder is the unit of replacement. A new one is built under ``mixes/.partial/new``. Once it is complete a
journal is written, and from then on the swap is only ever finished: every step of it can be repeated, so `recover`
takes over wherever a killed run stopped. Before the journal nothing of the old version is touched. This holds for a
kill at any moment, not for a power cut that loses writes the system had already acknowledged.
"""

from __future__ import annotations

import errno
import json
import os
import re
import shutil
import sys
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from morningmix.errors import BusyError, OutputError, UsageError

RECIPE = "recipe.toml"
RECALL = "recall.json"
EARLIER = "earlier"
_PARTIAL = ".partial"
_NEW = "new"
_TRASH = "trash"
_JOURNAL = "swap.json"

_LONGEST_NAME_BYTES = 120
"""Design choice: file systems end at 255 bytes, and numbers, endings and marks still come on top."""

_RESERVED = re.compile(r"(con|prn|aux|nul|conin\$|conout\$|(com|lpt)[0-9¹²³])\s*(\.|$)", re.IGNORECASE)
_SAID_OTHERWISE = str.maketrans({"/": "-", "\\": "-", "|": "-", ":": "-", '"': "'", **dict.fromkeys("<>?*")})

_REASONS = {
    errno.ENOSPC: "The disk is full: {path} could not be written. Make room and run again.",
    errno.EDQUOT: "Your share of the disk is used up: {path} could not be written. Make room and run again.",
    errno.EACCES: "No permission to write {path}. Choose another place with --out, or close what has it open.",
    errno.EPERM: "No permission to write {path}. Choose another place with --out, or close what has it open.",
    errno.EROFS: "{path} is on a disk that cannot be written. Choose another place with --out.",
    errno.EFBIG: "{path} is too big for the file system of this disk. Choose another place with --out.",
    errno.ENAMETOOLONG: "The name {path} is too long for this disk. Choose another place with --out.",
    errno.EIO: "The disk reports an error at {path}. Choose another place with --out.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Home:
    """The places of one rehearsal, absolute."""

    root: Path
    mixes: Path
    recipe: Path
    cache: Path


def home_of(source: Path, cwd: Path, out: Path | None) -> Home:
    """Home for a folder of raw tracks or for a recipe.

    A folder's home is ``NAME mix`` in `cwd`, or beside the folder when `cwd` is the folder or inside it; `out` takes
    its place. A recipe's home is the recipe's folder; `out` takes the place of ``mixes`` there. Relative paths count
    from `cwd`. Raises `UsageError` where there is no such source, or where home would lie inside the folder of the
    tracks. (A recipe's tracks are known only once it is read: `refuse_inside` then.)
    """
    cwd = cwd.resolve()
    source = (cwd / source).resolve()
    out = None if out is None else (cwd / out).resolve()
    if source.is_dir():
        name = source.name or source.drive.rstrip(":\\/") or "rehearsal"
        beside = source.parent if cwd.is_relative_to(source) else cwd
        root = out or beside / f"{name} mix"
        home = Home(root=root, mixes=root / "mixes", recipe=root / RECIPE, cache=root / ".cache")
        refuse_inside(home, source)
        return home
    if not source.exists():
        raise UsageError(f"There is no {source}.")
    if source.suffix.lower() != ".toml":
        raise UsageError(f"{source} is neither a folder of raw tracks nor a recipe (a .toml file).")
    root = source.parent
    return Home(root=root, mixes=out or root / "mixes", recipe=source, cache=root / ".cache")


def refuse_inside(home: Home, tracks: Path) -> None:
    """Raise `UsageError` if anything of home would be written into the folder of the raw tracks."""
    for place in (home.root, home.mixes, home.cache):
        if any(_same(above, tracks) for above in (place, *place.parents)):
            raise UsageError(
                f"{place} lies inside the folder of the raw tracks, and nothing is ever written there. "
                "Go to another folder, move the recipe out, or name a place with --out."
            )


def _same(one: Path, other: Path) -> bool:
    return one == other or (one.exists() and other.exists() and one.samefile(other))


@contextmanager
def output_errors(path: Path) -> Iterator[None]:
    """Turn an `OSError` inside into an `OutputError` that says in one line what is wrong with `path`."""
    try:
        yield
    except OSError as error:
        says = _REASONS.get(error.errno or 0, "{path} could not be written: {reason}.")
        raise OutputError(says.format(path=path, reason=error.strerror or error)) from error


def refuse_full(folder: Path, need_bytes: float, what: str) -> None:
    """Raise `OutputError`, before anything is written, where the disk of a folder has no room for so much."""
    place = next(above for above in (folder, *folder.parents) if above.exists())
    free_bytes = shutil.disk_usage(place).free
    if need_bytes > free_bytes:
        raise OutputError(
            f"{what} needs about {_size(need_bytes)} in {folder}, and its disk has {_size(free_bytes)} left. "
            "Make room, or name a place on another disk with --out."
        )


def _size(count: float) -> str:
    return f"{count / 1e9:.1f} GB" if count >= 1e9 else f"{max(count / 1e6, 0.1):.1f} MB"


# ---------------------------------------------------------------- one run at a time


@contextmanager
def locked(home: Home) -> Iterator[None]:
    """Keep other runs out of this home; the system lets go of the lock when the process ends, however it ends.

    Raises `BusyError` at once if another run holds it.
    """
    with output_errors(home.cache):
        home.cache.mkdir(parents=True, exist_ok=True)
        file = (home.cache / "lock").open("a+b")
    with file:
        with output_errors(home.cache):
            if not _take(file):
                raise BusyError(f"Another run is working in {home.root}. Wait until it has ended.")
        try:
            yield
        finally:
            _let_go(file)


if sys.platform == "win32":
    import msvcrt

    def _take(file: IO[bytes]) -> bool:
        file.seek(0)
        try:
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        except OSError as error:
            if error.errno in (errno.EACCES, errno.EDEADLK):
                return False
            raise
        return True

    def _let_go(file: IO[bytes]) -> None:
        file.seek(0)
        msvcrt.locking(file.fileno(), msvcrt.LK_UNLCK, 1)

else:
    import fcntl

    def _take(file: IO[bytes]) -> bool:
        try:
            fcntl.flock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True

    def _let_go(file: IO[bytes]) -> None:
        fcntl.flock(file.fileno(), fcntl.LOCK_UN)


# ---------------------------------------------------------------- names


def safe_name(title: str) -> str:
    """A file or folder name for any title, on any system: NFC, at most about 120 bytes of UTF-8, never empty.

    Reserved names and characters: Microsoft's "Naming Files, Paths, and Namespaces" (from memory).
    """
    signs = (" " if unicodedata.category(sign) in ("Zs", "Zl", "Zp") or sign in "\t\n\r" else sign for sign in title)
    kept = "".join(sign for sign in signs if unicodedata.category(sign) not in ("Cc", "Cs"))
    name = " ".join(unicodedata.normalize("NFC", kept.translate(_SAID_OTHERWISE)).split()).strip(" .")
    if _RESERVED.match(name):
        name = f"_{name}"
    cut = name.encode("utf-8")[:_LONGEST_NAME_BYTES].decode("utf-8", "ignore")
    if cut != name:
        cut = cut.rstrip("\u200d\ufe0f")
    return cut.rstrip(" .") or "untitled"


# ---------------------------------------------------------------- whole or not at all


def begin_song(mixes: Path, folder_name: str) -> Path:
    """A fresh, empty folder to build a song's outputs in, on the file system where they will lie.

    Raises `OutputError`.
    """
    partial = mixes / _PARTIAL / _NEW / folder_name
    with output_errors(partial):
        _finish_swap(mixes)
        if partial.exists():
            shutil.rmtree(partial)
        partial.mkdir(parents=True)
    return partial


def finish_song(partial: Path, mixes: Path, folder_name: str, *, replaces: str | None = None) -> None:
    """Put a complete song folder from `begin_song` in its place.

    `replaces` is the folder name the song had before, if its title or number changed. The version that stood there goes
    to ``earlier``, and the one that was there goes away. Files that are not in the old version's recall sheet are
    somebody's own: they are copied into the new folder, under another name where theirs is taken.

    Raises `OutputError`; the old version is then still in place, or the next `recover` finishes the swap.
    """
    with output_errors(mixes / folder_name):
        _finish_swap(mixes)
        names = dict.fromkeys(name for name in (replaces, folder_name) if name is not None)
        old_names = [name for name in names if (mixes / name).is_dir()]
        if len(old_names) == 2 and (mixes / old_names[0]).samefile(mixes / old_names[1]):
            old_names = old_names[:1]
        for name in old_names:
            _carry_over(mixes / name, partial)
        moves = [(name, folder_name if len(old_names) == 1 else name) for name in old_names]
        kept = [to for _, to in moves]
        journal = {
            "new": folder_name,
            "built": partial.name,
            "moves": moves,
            "discard": [name for name in old_names if name not in kept],
        }
        _write_journal(mixes / _PARTIAL, journal)
        _finish_swap(mixes)


def recover(home: Home) -> None:
    """Finish or undo what a killed run left: a begun swap is finished, half-built song folders are removed.

    To be called with the home `locked`. Raises `OutputError`.
    """
    with output_errors(home.mixes):
        _finish_swap(home.mixes)
        if (home.mixes / _PARTIAL).is_dir():
            shutil.rmtree(home.mixes / _PARTIAL)


def _write_journal(folder: Path, journal: dict[str, Any]) -> None:
    draft = folder / f"{_JOURNAL}.draft"
    with draft.open("w", encoding="utf-8") as file:
        json.dump(journal, file)
        file.flush()
        os.fsync(file.fileno())
    draft.replace(folder / _JOURNAL)


def _finish_swap(mixes: Path) -> None:
    """Take a journal's steps that are still to be done. While the built folder has not moved, all in `mixes` is old."""
    folder = mixes / _PARTIAL
    path = folder / _JOURNAL
    try:
        journal = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return
    except ValueError as error:
        raise OutputError(f"{path} is damaged. Look after {mixes}, then delete that file and run again.") from error
    built = folder / _NEW / journal["built"]
    if built.is_dir():
        earlier = mixes / EARLIER
        if journal["moves"]:
            earlier.mkdir(exist_ok=True)
        (folder / _TRASH).mkdir(exist_ok=True)
        for name in journal["discard"]:
            _throw_away(earlier / name, folder / _TRASH)
        for old, kept in journal["moves"]:
            if (mixes / old).is_dir():
                _throw_away(earlier / kept, folder / _TRASH)
                (mixes / old).rename(earlier / kept)
        built.rename(mixes / journal["new"])
    path.unlink()
    shutil.rmtree(folder / _TRASH, ignore_errors=True)


def _throw_away(folder: Path, trash: Path) -> None:
    if folder.exists():
        folder.rename(trash / str(len(list(trash.iterdir()))))


def _carry_over(old: Path, new: Path) -> None:
    ours = _listed(old) | {RECALL}
    for above, folders, names in os.walk(old, onerror=_raise):
        links = [name for name in folders if (Path(above) / name).is_symlink()]
        for name in (*names, *links):
            source = Path(above) / name
            relative = source.relative_to(old)
            is_file = source.is_symlink() or source.is_file()
            if is_file and unicodedata.normalize("NFC", relative.as_posix()) not in ours:
                target = _free(new / relative)
                target.parent.mkdir(parents=True, exist_ok=True)
                shutil.copy2(source, target, follow_symlinks=False)


def _raise(error: OSError) -> None:
    raise error


def _listed(song: Path) -> set[str]:
    """Files that a song folder's recall sheet calls its own; none where there is no sheet that can be read."""
    try:
        sheet = json.loads((song / RECALL).read_text(encoding="utf-8"))
    except (FileNotFoundError, ValueError):
        return set()
    files = sheet.get("files") if isinstance(sheet, dict) else None
    names = files if isinstance(files, list) else []
    return {unicodedata.normalize("NFC", name) for name in names if isinstance(name, str)}


def _free(path: Path) -> Path:
    target = path
    number = 1
    while os.path.lexists(target):
        number += 1
        target = path.with_name(f"{path.stem} ({number}){path.suffix}")
    return target
