"""Text files that people write: read with errors they can act on, written whole or not at all."""

from __future__ import annotations

import contextlib
import os
import stat
from pathlib import Path

from morningmix.errors import OutputError, RecipeError

LARGEST_FILE_BYTES = 1_000_000
"""Design choice: a text of this size was not written by a person."""


def read_text(path: Path) -> str:
    """Text of a UTF-8 file with its line breaks as they are.

    Raises `RecipeError` where there is no such file, or it cannot be read, is too big or is not UTF-8.
    """
    raw = read_bytes(path, LARGEST_FILE_BYTES)
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise RecipeError(f"{path.name}, line {line}: this is not UTF-8 text. Save the file as UTF-8.") from error


def read_bytes(path: Path, largest: int) -> bytes:
    """All of a file. Raises `RecipeError` where there is no such file, or it cannot be read or is too big."""
    try:
        with path.open("rb") as file:
            raw = file.read(largest + 1)
    except FileNotFoundError as error:
        raise RecipeError(f"There is no {path}.") from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise RecipeError(f"{path} cannot be read: {reason}.") from error
    if len(raw) > largest:
        raise RecipeError(f"{path.name} is bigger than {largest // 1_000_000} MB; is it really a text?")
    return raw


def write_text_whole(path: Path, text: str) -> None:
    """Write the file whole or not at all; the old one stays until the new one is complete.

    Raises `OutputError` where that is not possible.
    """
    path = path.resolve()
    partial = path.with_name(f".{path.name[:40]}.{os.getpid()}.partial")
    try:
        with partial.open("wb") as file:
            file.write(text.encode("utf-8"))
            file.flush()
            os.fsync(file.fileno())
        if path.exists():
            partial.chmod(stat.S_IMODE(path.stat().st_mode))
        partial.replace(path)
    except OSError as error:
        with contextlib.suppress(OSError):
            partial.unlink()
        raise OutputError(f"{path} cannot be written: {error.strerror or error}.") from error
