"""Everything that can go wrong and that a person can act on.

    MorningmixError
    |- UsageError        2   the command line asks for something that is not there
    |- RecipeError       3   recipe, band.toml, preset, recall sheet or wishes
    |- RecordingsError   4   the raw tracks
    |- OutputError       5   the place we write to: disk full, no permission
    |- ChangedError      6   a recording is no longer the one a recall sheet, or this run, began with
    |- BusyError         7   another run works in this mix folder
    `- MachineError      8   memory or processes ran out

The number is the exit code. Anything else that escapes is a bug and keeps its traceback (exit code 1).
What is wrong with the *sound* (silent, clipped, too quiet) is a finding, never an error.
"""

from __future__ import annotations

import re

from morningmix.model.names import visible

_ENDLESS = re.compile(r"\S{400,}")


class MorningmixError(Exception):
    """Says what is wrong, where, and what to do about it, in one or two short sentences on one line."""

    exit_code = 1

    def __str__(self) -> str:
        # Somebody's file may hold a name of thousands of signs, or one that drives a terminal.
        return visible(_ENDLESS.sub(lambda found: f"{found[0][:120]}...{found[0][-20:]}", super().__str__()))


def known_error(error: BaseException) -> MorningmixError | None:
    """The error as one that a person can act on: memory that ran out, a file the system refuses; None for a bug."""
    if isinstance(error, MorningmixError):
        return error
    if isinstance(error, MemoryError):
        return MachineError("Memory ran out. Close other programs, or use fewer cores with --workers, and run again.")
    if isinstance(error, OSError) and error.filename is not None:
        return OutputError(f"{error.filename} cannot be read or written: {error.strerror}.")
    return None


class UsageError(MorningmixError):
    """The command line asks for something that is not there."""

    exit_code = 2


class RecipeError(MorningmixError):
    """Recipe, band.toml, preset, recall sheet or wishes."""

    exit_code = 3


class RecordingsError(MorningmixError):
    """The raw tracks."""

    exit_code = 4


class OutputError(MorningmixError):
    """The place we write to."""

    exit_code = 5


class ChangedError(MorningmixError):
    """A recording is not the one a recall sheet was made from, or changed during a run."""

    exit_code = 6


class BusyError(MorningmixError):
    """Another run works in this mix folder."""

    exit_code = 7


class MachineError(MorningmixError):
    """Memory or processes ran out."""

    exit_code = 8
