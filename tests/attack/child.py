"""One command in a forked child: what it said, how it ended, and whether that is an end that a person may see."""

from __future__ import annotations

import faulthandler
import io
import os
import re
import resource
import selectors
import signal
import sys
import threading
import traceback
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from morningmix.__main__ import main

LIMIT_S = 10
"""Of an idle machine; a busy one has as many times that as processes wait for it."""
LIMIT_BYTES = 1 << 30
"""Of memory that a command may use, the program itself included."""
_NEW_BYTES = 3 << 30
"""Of addresses that a command may get; what keeps a wild one from taking the machine along."""
_ENDS = (0, 2, 3, 4, 5, 6, 7, 8)
_SAID = re.compile(r"Timeout \(|Fatal Python error|Traceback \(most recent call last\)")
_PLACE = re.compile(r'File "[^"]*?/morningmix/(?:(\w+/))?(\w+\.py)", line (\d+)')
_STEERING = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069]")
"""Escape sequences, C1 controls, marks that turn the direction of writing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    """How a command ended."""

    words: tuple[str, ...]
    code: int
    """Exit code; of a killed process minus the signal."""
    out: str
    err: str
    peak_bytes: int

    @property
    def killed(self) -> bool:
        """Ended by SIGKILL, which nothing but a test sends."""
        return self.code == -signal.SIGKILL

    @property
    def wrong(self) -> str | None:
        """What no command may do, whatever it is given; None if it ended well or with one line."""
        said = _SAID.search(self.err)
        if said and said[0].startswith("Timeout"):
            return f"hang: over {LIMIT_S} s in {self._where()}"
        if self.code < 0 or (said and said[0].startswith("Fatal")):
            return f"crash: signal {-self.code} in {self._where()}"
        if said or self.code == 1:
            last = self.err.strip().splitlines()[-1][:160] if self.err.strip() else "no word"
            return f"traceback: {last} in {self._where()}"
        if self.code not in _ENDS:
            return f"exit code {self.code}"
        if self.peak_bytes > LIMIT_BYTES:
            return f"memory: {self.peak_bytes / 1e9:.1f} GB"
        if steering := _STEERING.search(self.out + self.err):
            return f"words: {steering[0]!r} printed"
        # Songs are announced as they are finished, also by a run that fails later.
        lines = [line for line in self.err.strip().splitlines() if " is ready: " not in line]
        # The command line's own refusals come with a hint at the help.
        if self.code and not self.err.startswith("Usage:") and (len(lines) != 1 or not lines[0].startswith("morning")):
            return f"words: exit code {self.code} with {len(lines)} lines, {self.err[:200]!r}"
        return None

    def _where(self) -> str:
        ours = [f"{found[1] or ''}{found[2]}:{found[3]}" for found in _PLACE.finditer(self.err)] or ["an unknown place"]
        return ours[0] if "most recent call first" in self.err else ours[-1]


def run(*words: str | Path, cwd: Path, before: Callable[[], object] | None = None, limit_s: float = LIMIT_S) -> Ended:
    """Run a command of the program to its end, in a process of its own; `before` is called there first."""
    arguments = [str(word) for word in words]
    limit_s *= max(1.0, os.getloadavg()[0])
    out, err = os.pipe(), os.pipe()
    sys.stdout.flush()
    child = os.fork()
    if not child:
        _be(arguments, cwd, out[1], err[1], before, limit_s)
    said = {out[0]: b"", err[0]: b""}
    for _, writing in (out, err):
        os.close(writing)
    with selectors.DefaultSelector() as waiting:
        for reading in said:
            waiting.register(reading, selectors.EVENT_READ)
        while waiting.get_map():
            for key, _ in waiting.select():
                chunk = os.read(key.fd, 65_536)
                said[key.fd] += chunk
                if not chunk:
                    waiting.unregister(key.fd)
                    os.close(key.fd)
    _, status, usage = os.wait4(child, 0)
    texts = [data.decode("utf-8", "backslashreplace") for data in said.values()]
    unit = 1 if sys.platform == "darwin" else 1024
    code = os.waitstatus_to_exitcode(status)
    return Ended(words=tuple(arguments), code=code, out=texts[0], err=texts[1], peak_bytes=usage.ru_maxrss * unit)


def _be(
    arguments: list[str], cwd: Path, out: int, err: int, before: Callable[[], object] | None, limit_s: float
) -> None:
    """Be the command, and never come back."""
    code = 1
    try:
        os.chdir(cwd)
        nothing = os.open(os.devnull, os.O_RDONLY)
        for ours, standard in ((nothing, 0), (out, 1), (err, 2)):
            os.dup2(ours, standard)
        sys.stdout = io.TextIOWrapper(io.FileIO(1, "w", closefd=False), write_through=True)
        sys.stderr = io.TextIOWrapper(io.FileIO(2, "w", closefd=False), write_through=True)
        faulthandler.enable(sys.stderr)
        faulthandler.dump_traceback_later(limit_s, exit=True, file=sys.stderr)
        signal.alarm(int(limit_s) + 5)
        with suppress(OSError, ValueError):
            pages = int(Path("/proc/self/statm").read_text().split()[0])
            most = pages * resource.getpagesize() + _NEW_BYTES
            resource.setrlimit(resource.RLIMIT_AS, (most, most))
        sys.argv = ["morningmix", *arguments]
        if before is not None:
            before()
        main()
        code = 0
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else int(end.code is not None)
    except BaseException:
        traceback.print_exc()
    finally:
        for thread in threading.enumerate():
            if thread is not threading.current_thread() and not thread.daemon:
                thread.join()
        os._exit(code)
