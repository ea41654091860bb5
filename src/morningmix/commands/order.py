"""What the command line asks for, and the folders it means."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from threadpoolctl import threadpool_limits

from morningmix.analysis.analyse import look
from morningmix.errors import OutputError
from morningmix.files.findings import FINDINGS
from morningmix.files.recall import Settings
from morningmix.render.output import Bits, FileFormat
from morningmix.render.passes import BLOCK_HOPS
from morningmix.storage.cache import sweep
from morningmix.storage.home import Home, home_of, real_place
from morningmix.storage.lock import editing, locked
from morningmix.storage.song_folders import recover
from morningmix.storage.text import remove_drafts

REPORT = "report.html"


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What the command line asks for."""

    source: Path
    cwd: Path
    out: Path | None = None
    bits: Bits = 24
    file_format: FileFormat = "wav"
    tracks: bool = False
    practice: bool = False
    """Also write a mix without, and one with more of, every named player."""
    song: str | None = None
    whole: bool = False
    """Mix every take in one piece, whatever songs the recipe lists and however long it is."""
    album: bool = False
    """Keep the songs' loudness relative to each other, with the loudest at the target."""
    redo: bool = False
    """Find the songs again even if the recipe lists some."""
    workers: int | None = None
    """Number of threads or processes; None: one per core, at most four."""
    block_hops: int = BLOCK_HOPS


def workers_of(order: Order) -> int:
    """Number of threads or processes to use."""
    return order.workers or max(1, min(4, os.cpu_count() or 1))


def source_of(order: Order) -> Path:
    """The folder, recipe or recall sheet, absolute."""
    return real_place(order.cwd / order.source)


def home_for(order: Order) -> Home:
    """The order's mix folder. Raises before anything is written if there is nothing to work on."""
    home = home_of(order.source, order.cwd, order.out)
    look(source_of(order), home)
    return home


@contextmanager
def working_in(home: Home) -> Iterator[None]:
    """Lock the mix folder, and clean up after killed runs."""
    with threadpool_limits(1), locked(home):
        recover(home)
        sweep(home.cache)
        remove_drafts(home.root / FINDINGS)
        remove_drafts(home.mixes / REPORT)
        with editing(home.recipe):
            remove_drafts(home.recipe)
        yield


def clear_partial(home: Home) -> None:
    """Leave no half-built song behind, however the run ends; the next run removes what is left."""
    with suppress(OutputError):
        recover(home)


def settings_of(order: Order) -> Settings:
    """Settings that the recall sheet stores."""
    return Settings(bits=order.bits, file_format=order.file_format, tracks=order.tracks, practice=order.practice)
