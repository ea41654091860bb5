"""Read and write text files that people edit: clear errors, atomic writes."""

from __future__ import annotations

import contextlib
import os
import re
import stat
from collections.abc import Iterator
from pathlib import Path

from morningmix.errors import OutputError, RecipeError

LARGEST_FILE_BYTES = 1_000_000
"""Design choice: nobody writes a text this long by hand."""


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


def read_bytes(path: Path, most_bytes: int) -> bytes:
    """Content of a plain file. Raises `RecipeError` if it is missing, cannot be read or is too big."""
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            raise RecipeError(f"{path} cannot be read: it is not a plain file.")
        with path.open("rb") as file:
            raw = file.read(most_bytes + 1)
    except FileNotFoundError as error:
        raise RecipeError(f"There is no {path}.") from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise RecipeError(f"{path} cannot be read: {reason}.") from error
    if len(raw) > most_bytes:
        raise RecipeError(f"{path.name} is bigger than {most_bytes // 1_000_000} MB. Is it really a text file?")
    return raw


def write_text_whole(path: Path, text: str) -> None:
    """Replace the file atomically: the old one stays until the new one is complete. A link is replaced by a file.

    Raises `OutputError` where that is not possible.
    """
    with _draft(path, text) as partial:
        if path.is_file() and not path.is_symlink():
            partial.chmod(stat.S_IMODE(path.stat().st_mode))
        partial.replace(path)


def write_text_new(path: Path, text: str) -> None:
    """Write a new file atomically. Raises `OutputError`, also if the file exists by now."""
    with _draft(path, text) as partial:
        if os.path.lexists(path):
            raise OutputError(f"{path} appeared during this run and was left as it is. Run again to use it.")
        partial.rename(path)


@contextlib.contextmanager
def _draft(path: Path, text: str) -> Iterator[Path]:
    """The text in a temporary file beside `path`, to be moved there."""
    partial = path.with_name(f".{path.name[:40]}.{os.getpid()}.partial")
    try:
        partial.unlink(missing_ok=True)
        with partial.open("xb") as file:
            file.write(text.encode("utf-8"))
            file.flush()
            os.fsync(file.fileno())
        yield partial
    except OSError as error:
        raise OutputError(f"{path} cannot be written: {error.strerror or error}.") from error
    finally:
        with contextlib.suppress(OSError):
            partial.unlink()


def remove_drafts(path: Path) -> None:
    """Remove drafts of the file that killed runs left beside it."""
    draft = re.compile(rf"\.{re.escape(path.name[:40])}\.\d+\.partial")
    with contextlib.suppress(OSError):
        for beside in path.parent.iterdir():
            if draft.fullmatch(beside.name):
                beside.unlink()
