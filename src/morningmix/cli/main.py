"""The way in: errors become one line and their exit code."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING

from morningmix.cli.arguments import app

if TYPE_CHECKING:
    from morningmix.errors import MorningmixError


def main() -> None:
    """Run a command; known errors become one line and their exit code, a bug keeps its traceback."""
    from morningmix.errors import UsageError, known_error

    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    try:
        if "" in sys.argv[1:]:
            raise UsageError('One of the names is empty (""). Give the name of a folder or file.')
        app(prog_name="morningmix")
    except SystemExit as end:
        if end.code == 130:
            # typer turns an interrupt into this, without a message.
            raise KeyboardInterrupt from end
        _flush()
        if isinstance(end.__context__, BrokenPipeError):
            sys.exit(0)
        raise
    except BrokenPipeError:
        _flush()
    except Exception as error:
        known = known_error(error)
        if known is None:
            raise
        _refuse(known)


def _refuse(error: MorningmixError) -> None:
    print(f"morningmix: {error}", file=sys.stderr)
    sys.exit(error.exit_code)


def _flush() -> None:
    """Write out what was printed; it does not matter if its reader has gone."""
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        # Python flushes once more when it ends.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
