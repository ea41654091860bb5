"""Convert paths for libsndfile's binding."""

from __future__ import annotations

import os
from pathlib import Path


def openable(path: Path) -> Path | bytes:
    """The path, as bytes where it is not UTF-8: the binding encodes text strictly."""
    try:
        os.fspath(path).encode()
    except UnicodeEncodeError:
        return os.fsencode(path)
    return path
