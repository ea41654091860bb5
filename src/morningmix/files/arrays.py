"""Arrays that are kept for the next run: written whole or not at all, and no harm if they are damaged."""

from __future__ import annotations

import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from morningmix.errors import OutputError

Arrays = Mapping[str, NDArray[Any]]


def write_arrays(path: Path, arrays: Arrays) -> None:
    """Write them as one file. Raises `OutputError`."""
    partial = path.with_name(f"{path.name}.partial")
    try:
        with partial.open("wb") as file:
            np.savez(file, **arrays)  # type: ignore[arg-type]
        partial.replace(path)
    except OSError as error:
        raise OutputError(f"Cannot write {path}: {error.strerror}. Is the disk full?") from error


def read_arrays(path: Path) -> Arrays | None:
    """What was written there; None where nothing was, or what is there cannot be read."""
    try:
        with path.open("rb") as file, np.load(file) as kept:
            return {name: kept[name] for name in kept.files}
    except (OSError, ValueError, EOFError, KeyError, zipfile.BadZipFile):
        return None
