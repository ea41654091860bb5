"""Paths of a mix folder, and disk errors in words."""

from __future__ import annotations

import errno
import os
import re
import shutil
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from morningmix.errors import OutputError, UsageError
from morningmix.model.names import is_hidden, name_as_text, name_from_text

RECIPE = "recipe.toml"
RECALL = "recall.json"
MIXES = "mixes"
EARLIER = "earlier"
CACHE = ".cache"

_LONGEST_NAME_UNITS = 60
"""In UTF-16, as Windows counts: a path has 259 there, and a track's path holds two names of ours (design choice)."""

_RESERVED = re.compile(r"(con|prn|aux|nul|conin\$|conout\$|(com|lpt)[0-9¹²³])\s*(\.|$)", re.IGNORECASE)
_REPLACED = str.maketrans({"/": "-", "\\": "-", "|": "-", ":": "-", '"': "'", **dict.fromkeys("<>?*")})

_REASONS = {
    errno.ENOSPC: "The disk is full, so {path} could not be written. Free some space and run again.",
    errno.EDQUOT: "Your disk quota is used up, so {path} could not be written. Free some space and run again.",
    errno.EACCES: "No permission to write {path}. Choose another folder with --out, or close the program that uses it.",
    errno.EPERM: "No permission to write {path}. Choose another folder with --out, or close the program that uses it.",
    errno.EROFS: "{path} is on a read-only disk. Choose another folder with --out.",
    errno.EFBIG: "{path} is too big for this disk's file system. Choose another disk with --out.",
    errno.ENAMETOOLONG: "The name {path} is too long for this disk. Choose another folder with --out.",
    errno.EIO: "The disk reports an error at {path}. Choose another folder with --out.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Home:
    """Absolute paths of one mix folder."""

    root: Path
    mixes: Path
    recipe: Path
    cache: Path


def home_of(source: Path, cwd: Path, out: Path | None) -> Home:
    """Mix folder of a folder of raw tracks or of a recipe.

    For a folder it is ``NAME mix`` in `cwd`, or beside the folder if `cwd` is the folder or inside it; `out` replaces
    it. For a recipe it is the recipe's folder; `out` replaces ``mixes`` in it. Relative paths start from `cwd`. Raises
    `UsageError` if the source is missing or the mix folder would lie inside the folder of the tracks. (A recipe's
    tracks are only known once it is read; use `refuse_inside` then.)
    """
    cwd = real_place(cwd)
    source = real_place(cwd / source)
    out = None if out is None else real_place(cwd / out)
    if source.is_dir():
        name = source.name or source.drive.rstrip(":\\/") or "rehearsal"
        beside = source.parent if cwd.is_relative_to(source) else cwd
        root = out or beside / f"{name} mix"
        home = Home(root=root, mixes=root / MIXES, recipe=root / RECIPE, cache=root / CACHE)
        refuse_inside(home, source)
        return home
    if not source.exists():
        raise UsageError(f"There is no {source}.")
    if source.suffix.lower() != ".toml":
        raise UsageError(f"{source} is neither a folder of raw tracks nor a recipe (a .toml file).")
    root = source.parent
    return Home(root=root, mixes=out or root / MIXES, recipe=source, cache=root / CACHE)


def refuse_inside(home: Home, tracks: Path) -> None:
    """Raise `UsageError` if anything would be written into the folder of the raw tracks, also through links."""
    for place in (home.root, home.mixes, home.mixes / EARLIER, home.cache):
        if is_inside(place, tracks):
            raise UsageError(
                f"{place} is inside the folder with the raw tracks, where nothing is ever written. "
                "Run from another folder, move the recipe out, or choose a folder with --out."
            )


def is_inside(place: Path, folder: Path) -> bool:
    """Whether a place is a folder or lies in it, also through links."""
    real = real_place(place)
    return any(_same(above, folder) for above in (real, *real.parents))


def real_place(path: Path) -> Path:
    """The path with all links resolved, as far as possible where links form a loop."""
    return Path(os.path.realpath(path))


def path_of(text: str, start: Path) -> Path:
    """The path that a text names, relative to `start`; escaped bytes are only decoded where paths are bytes."""
    return start / (text if os.sep == "\\" else name_from_text(text))


def _same(path: Path, other: Path) -> bool:
    return path == other or (path.exists() and other.exists() and path.samefile(other))


@contextmanager
def output_errors(path: Path) -> Iterator[None]:
    """Turn an `OSError` into an `OutputError` that says in one line what is wrong with `path`."""
    try:
        yield
    except OSError as error:
        says = _REASONS.get(error.errno or 0, "{path} could not be written: {reason}.")
        raise OutputError(says.format(path=path, reason=error.strerror or error)) from error


def refuse_link(place: Path) -> None:
    """Raise `OutputError` for a link, because writing through it would change a file elsewhere."""
    if place.is_symlink():
        raise OutputError(f"{place} is a link, and nothing is written through links. Remove the link and run again.")


def refuse_full(folder: Path, need_bytes: float, what: str) -> None:
    """Raise `OutputError` if the disk of a folder has too little free space."""
    place = next(above for above in (folder, *folder.parents) if above.exists())
    free_bytes = shutil.disk_usage(place).free
    if need_bytes > free_bytes:
        raise OutputError(
            f"{what} needs about {_size(need_bytes)} in {folder}, but the disk has only {_size(free_bytes)} left. "
            "Free some space, or choose a folder on another disk with --out."
        )


def _size(count: float) -> str:
    return f"{count / 1e9:.1f} GB" if count >= 1e9 else f"{max(count / 1e6, 0.1):.1f} MB"


def safe_name(title: str) -> str:
    """A file or folder name for any title, on any system: NFC, at most 60 letters, never empty.

    Zero-width characters that reverse or hide text are removed; joiners stay, except at either end.
    Reserved names and characters: Microsoft's "Naming Files, Paths, and Namespaces" (from memory).
    """
    signs = (" " if unicodedata.category(sign) in ("Zs", "Zl", "Zp") or sign in "\t\n\r" else sign for sign in title)
    kept = "".join(sign for sign in signs if not is_hidden(sign))
    name = " ".join(unicodedata.normalize("NFC", kept.translate(_REPLACED)).split()).strip(" .\u200c\u200d")
    if _RESERVED.match(name):
        name = f"_{name}"
    cut = name.encode("utf-16-le")[: 2 * _LONGEST_NAME_UNITS].decode("utf-16-le", "ignore")
    if cut != name:
        cut = cut.rstrip(" .\u200c\u200d\ufe0f")
    return cut or "untitled"


def path_from(folder: Path, start: Path) -> str:
    """`folder` relative to `start`, as text with forward slashes; absolute if there is no relative path."""
    try:
        return name_as_text(Path(os.path.relpath(folder, start)).as_posix())
    except ValueError:
        return name_as_text(folder.as_posix())
