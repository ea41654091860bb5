"""What a command said, and what it left behind, when it could not do what was asked."""

from __future__ import annotations

import contextlib
import io
import subprocess
import sys
from pathlib import Path
from unittest import mock

from command_line import digests
from morningmix.__main__ import main


def run_here(*arguments: str | Path, cwd: Path) -> subprocess.CompletedProcess[str]:
    """Like `command_line.run`, but within this process, which has loaded everything already: much faster."""
    words, code = [*map(str, arguments)], 0
    out, err = io.StringIO(), io.StringIO()
    with (
        mock.patch.object(sys, "argv", ["morningmix", *words]),
        contextlib.chdir(cwd),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        try:
            main()
        except SystemExit as end:
            code = end.code if isinstance(end.code, int) else int(end.code is not None)
    return subprocess.CompletedProcess(words, code, out.getvalue(), err.getvalue())


def one_line(done: subprocess.CompletedProcess[str], code: int, *words: str) -> None:
    """It ended with that exit code and one line on the error stream that holds these words; nothing else was said."""
    assert done.returncode == code, done.stderr
    assert done.stdout == ""
    lines = done.stderr.splitlines()
    assert len(lines) == 1, done.stderr
    assert lines[0].startswith("morningmix: "), lines[0]
    for word in words:
        assert word in lines[0], lines[0]


def kept(place: Path) -> dict[str, str]:
    """Hashes of all that lies there and matters to a person: the working files of a home, out of sight, are not."""
    return {name: digest for name, digest in digests(place).items() if ".cache/" not in name}
