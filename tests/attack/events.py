"""Every moment at which a run changes something on a disk: what happens there is up to whoever attacks.

Counted are what Python's audit hooks tell (a file opened for writing, made, renamed, removed) and every write through a
file object. What libraries write by themselves (FLAC, MP3) is not seen here; `disks.limited` sees it.
"""

from __future__ import annotations

import builtins
import errno
import io
import os
import signal
import sys
import tempfile
from collections.abc import Callable
from typing import Any, NoReturn

Act = Callable[[int, str, bool], None]
"""Told the number of the event, its name, and whether it takes up room."""

_NAMES = frozenset(
    {"os.rename", "os.remove", "os.mkdir", "os.rmdir", "os.link", "os.symlink", "os.truncate", "os.chmod", "os.utime"}
)
_NEEDS_ROOM = frozenset({"open", "os.mkdir", "os.link", "os.symlink", "write"})
_WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND


def watch(act: Act) -> None:
    """Call `act` before each event from now on, for as long as this process lives."""
    count = 0

    def tell(name: str) -> None:
        nonlocal count
        count += 1
        act(count, name, name in _NEEDS_ROOM)

    def hook(name: str, arguments: tuple[Any, ...]) -> None:
        if name in _NAMES or (name == "open" and _writes(arguments)):
            tell(name)

    sys.addaudithook(hook)
    _watch_writes(tell)


def _writes(arguments: tuple[Any, ...]) -> bool:
    path, mode, flags = arguments
    if isinstance(path, int) or str(path).startswith("/dev/"):
        return False
    return bool(flags & _WRITING) or (isinstance(mode, str) and any(sign in mode for sign in "wax+"))


def _watch_writes(tell: Callable[[str], None]) -> None:
    class Raw(io.FileIO):
        def write(self, data: Any) -> int:
            tell("write")
            return super().write(data)

    plainly = io.open

    def opened(file: Any, mode: str = "r", buffering: int = -1, *rest: Any, **named: Any) -> Any:
        if not any(sign in mode for sign in "wax+"):
            return plainly(file, mode, buffering, *rest, **named)
        raw = Raw(
            file,
            mode.replace("b", "").replace("t", ""),
            closefd=named.pop("closefd", True),
            opener=named.pop("opener", None),
        )
        if buffering == 0:
            return raw
        buffered = io.BufferedRandom(raw) if "+" in mode else io.BufferedWriter(raw)
        return buffered if "b" in mode else io.TextIOWrapper(buffered, *rest, **named)

    builtins.open = opened  # type: ignore[assignment]
    io.open = opened  # type: ignore[assignment]

    class Tempfiles:
        open = staticmethod(opened)

        def __getattr__(self, name: str) -> Any:
            return getattr(io, name)

    tempfile._io = Tempfiles()  # type: ignore[attr-defined]


# ---------------------------------------------------------------- what may happen


def counting(file: int) -> Act:
    """Tells a pipe the name of every event, a line each."""

    def act(_number: int, name: str, _needs_room: bool) -> None:
        os.write(file, f"{name}\n".encode())

    return act


def kill_at(number: int) -> Act:
    """Ends the process right before an event, as a power cut or the system would: no clearing up."""

    def act(now: int, _name: str, _needs_room: bool) -> None:
        if now == number:
            os.kill(os.getpid(), signal.SIGKILL)

    return act


def full_from(number: int) -> Act:
    """From this event on nothing that takes up room can be written."""
    full = False

    def act(now: int, _name: str, needs_room: bool) -> None:
        nonlocal full
        full = full or now >= number
        if full and needs_room:
            _refuse(errno.ENOSPC)

    return act


def denied_at(number: int) -> Act:
    """This one event is refused, as where something else has the file open."""

    def act(now: int, _name: str, _needs_room: bool) -> None:
        if now == number:
            _refuse(errno.EACCES)

    return act


def _refuse(number: int) -> NoReturn:
    raise OSError(number, os.strerror(number))
