"""The folder to share: replaced as a whole, by one run at a time, and only while it holds nothing but packed files.

A new folder is built in ``.NAME.packing`` beside its destination, where the lock file is too. Once it is complete, the
old folder moves in there and the new one out; what a killed run left tells the next one how far it came. The last line
of the index page holds a SHA-256 of each file's name and content, which tells packed files from others.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import sys
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from morningmix.errors import BusyError, UsageError
from morningmix.storage.home import Home, output_errors
from morningmix.storage.lock import locked

INDEX = "index.html"
_LOCK, _NEW, _OLD, _TRASH = "lock", "new", "old", "trash"
_SEAL = re.compile(rb"<!-- packed: ([0-9a-f ]*) -->\n\Z")
_CHUNK_BYTES = 1 << 20
_ZIP_COMMENT = b"packed by morningmix"


@contextmanager
def packing(folder: Path) -> Iterator[Path]:
    """An empty folder to fill, its `INDEX` too; when the block ends without an error it replaces `folder` (absolute).

    Raises `UsageError` where anything in the way was not packed by this program, `BusyError` and `OutputError`.
    """
    _refuse_other(folder)
    work = folder.with_name(f".{folder.name}.packing")
    with _alone(work, folder):
        with output_errors(work):
            _finish(work, folder)
            (work / _NEW).mkdir()
        try:
            yield work / _NEW
            with output_errors(folder):
                _seal(work / _NEW)
                _refuse_other(folder)
                if folder.exists():
                    folder.rename(work / _OLD)
                (work / _NEW).rename(folder)
        finally:
            # What cannot be removed now is removed by the next run.
            with suppress(OSError):
                _finish(work, folder)


def zipped(folder: Path, inside: str) -> Path:
    """A zip of a packed folder, beside it; `inside` is what the folder is called in it. Returns its path.

    Raises `UsageError` where something else is in the way, `OutputError`.
    """
    path = folder.with_name(f"{folder.name}.zip")
    if os.path.lexists(path) and not _is_zip_of_ours(path):
        raise UsageError(f"{path} is in the way. Move it, then pack again.")
    draft = path.with_name(f".{path.name}.packing")
    with output_errors(path):
        try:
            with zipfile.ZipFile(draft, "w") as archive:
                archive.comment = _ZIP_COMMENT
                for file in sorted(folder.iterdir()):
                    # Sound is packed already, and an old date gives the same bytes every time.
                    archive.writestr(zipfile.ZipInfo(f"{inside}/{file.name}"), file.read_bytes())
            draft.replace(path)
        finally:
            draft.unlink(missing_ok=True)
    return path


def _is_zip_of_ours(path: Path) -> bool:
    if not _is_file(path):
        return False
    try:
        with zipfile.ZipFile(path) as archive:
            return archive.comment == _ZIP_COMMENT
    except (OSError, zipfile.BadZipFile):
        return False


def _finish(work: Path, folder: Path) -> None:
    """Finish an exchange that was begun, and remove leftovers. A new folder beside an old one is complete."""
    new, old, trash = work / _NEW, work / _OLD, work / _TRASH
    if trash.exists():
        shutil.rmtree(trash)
    if old.exists():
        if not os.path.lexists(folder):
            (new if new.exists() else old).rename(folder)
        if old.exists():
            old.rename(trash)
            shutil.rmtree(trash)
    if new.exists():
        shutil.rmtree(new)


@contextmanager
def _alone(work: Path, folder: Path) -> Iterator[None]:
    lock = work / _LOCK
    busy = BusyError(f"Another run is using {folder}. Wait until it is done.")
    with output_errors(work):
        folder.parent.mkdir(parents=True, exist_ok=True)
        try:
            if not _is_ours(work):
                raise UsageError(f"{work} is in the way. Move it, or choose another folder with --out.")
            work.mkdir(exist_ok=True)
            lock.touch()
            seen = lock.stat()
        except FileNotFoundError as error:
            raise busy from error
    try:
        with locked(Home(root=folder, mixes=folder, recipe=folder, cache=work)):
            # A run removes its lock when it ends, and another may have made a new one by then.
            if not lock.exists() or not os.path.samestat(seen, lock.stat()):
                raise busy
            try:
                yield
            finally:
                if sys.platform != "win32":
                    _leave(work)
    finally:
        if sys.platform == "win32":
            # Windows does not delete open files: ours goes only now, and another run's stays.
            _leave(work)


def _leave(work: Path) -> None:
    with suppress(OSError):
        # Without a lock, folders would look like somebody else's.
        if [path.name for path in work.iterdir()] == [_LOCK]:
            (work / _LOCK).unlink()
            work.rmdir()


def _is_ours(work: Path) -> bool:
    if work.is_symlink() or (work.exists() and not work.is_dir()):
        return False
    held = {path.name: path for path in work.iterdir()} if work.exists() else {}
    folders = [held.pop(name) for name in (_NEW, _OLD, _TRASH) if name in held]
    lock = held.pop(_LOCK, None)
    return (
        not held
        and (lock is None or _is_file(lock))
        and all(path.is_dir() and not path.is_symlink() for path in folders)
        and (lock is not None or not folders)
    )


# ---------------------------------------------------------------- what was written


def _refuse_other(folder: Path) -> None:
    if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
        raise UsageError(f"{folder} is a {'link' if folder.is_symlink() else 'file'}. Choose a folder with --out.")
    if not folder.exists():
        return
    with output_errors(folder):
        marks = _marks(folder / INDEX)
        strange = [path.name for path in sorted(folder.iterdir()) if not _is_file(path) or _mark(path) not in marks]
    if strange:
        raise UsageError(
            f"{folder} holds files that were added or changed since it was packed ({strange[0]}). "
            "Move them, or choose another folder with --out."
        )


def _is_file(path: Path) -> bool:
    return path.is_file() and not path.is_symlink()


def _seal(folder: Path) -> None:
    marks = " ".join(_mark(path) for path in sorted(folder.iterdir()))
    with (folder / INDEX).open("ab") as file:
        file.write(f"<!-- packed: {marks} -->\n".encode("ascii"))


def _marks(index: Path) -> set[str]:
    seal = _SEAL.search(index.read_bytes()) if _is_file(index) else None
    return set(seal[1].decode("ascii").split()) if seal else set()


def _mark(path: Path) -> str:
    """Hash of a file's name and content; of the index page, without its last line."""
    digest = hashlib.sha256(os.fsencode(path.name) + b"\0")
    if path.name == INDEX:
        digest.update(_SEAL.sub(b"", path.read_bytes()))
    else:
        with path.open("rb") as file:
            while chunk := file.read(_CHUNK_BYTES):
                digest.update(chunk)
    return digest.hexdigest()
