"""Locks: one run at a time in a mix folder, one change at a time to a recipe or to what a band has taught.

The system releases a lock when its process ends, however it ends.
"""

from __future__ import annotations

import errno
import os
import stat
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from morningmix.errors import BusyError, OutputError, RecipeError
from morningmix.storage.home import CACHE, Home, output_errors, refuse_link

_WAIT_S = 10.0
"""A change to a text takes milliseconds; a process that holds its lock for longer has hung."""
_TRY_AGAIN_S = 0.02


@contextmanager
def locked(home: Home) -> Iterator[None]:
    """Lock the mix folder.

    Raises `BusyError` at once if another run holds the lock, and `OutputError` for a cache that is a link.
    """
    with _held(home.cache / "lock") as is_ours:
        if not is_ours:
            raise BusyError(f"Another run is using {home.root}. Wait until it is done.")
        yield


@contextmanager
def editing(recipe: Path, *, may_be_new: bool = False) -> Iterator[None]:
    """Lock a recipe for a change, waiting for other changes.

    Raises `BusyError` after ten seconds, `OutputError` for a recipe that is a link, and `RecipeError` where there is
    none, unless it `may_be_new`.
    """
    if not (may_be_new or recipe.exists()):
        # Before a folder is made for the lock.
        refuse_link(recipe)
        raise RecipeError(f"There is no {recipe}.")
    with _alone(recipe, recipe.parent / CACHE / "recipe.lock"):
        yield


@contextmanager
def editing_band(band: Path) -> Iterator[None]:
    """Lock a band.toml for a change, as `editing` does. Its folder is no mix folder, so the lock lies beside it."""
    with _alone(band, band.with_name(f".{band.name}.lock")):
        yield


@contextmanager
def _alone(text: Path, lock: Path) -> Iterator[None]:
    refuse_link(text)
    until = time.monotonic() + _WAIT_S
    while True:
        with _held(lock) as is_ours:
            if is_ours:
                yield
                return
        if time.monotonic() > until:
            raise BusyError(f"Another run has been changing {text} for {_WAIT_S:.0f} s. Wait until it is done.")
        time.sleep(_TRY_AGAIN_S)


@contextmanager
def _held(path: Path) -> Iterator[bool]:
    """Whether the lock on a file could be taken; it is released at the end."""
    refuse_link(path.parent)
    with output_errors(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        file = _opened(path)
    with file:
        with output_errors(path):
            is_ours = _take(file)
        try:
            yield is_ours
        finally:
            if is_ours:
                _let_go(file)


def _opened(path: Path) -> IO[bytes]:
    """The lock file, created if missing; never through a link, and never a pipe, which would block."""
    if os.path.lexists(path) and not stat.S_ISREG(path.lstat().st_mode):
        raise OutputError(f"{path} is not a plain file, so it cannot lock the folder. Delete it and run again.")
    flags = os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
    return os.fdopen(os.open(path, flags, 0o666), "r+b")


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
