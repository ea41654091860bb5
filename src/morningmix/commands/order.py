"""What the command line asks for, and the folders it means."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from threadpoolctl import threadpool_limits

from morningmix.analysis.analyse import look
from morningmix.audio.takes import holds_sound
from morningmix.commands.preload import TO_LISTEN, TO_MIX
from morningmix.errors import OutputError
from morningmix.files.findings import FINDINGS
from morningmix.files.recall import Settings
from morningmix.render.families import BLOCK_HOPS
from morningmix.render.output import Bits, FileFormat
from morningmix.storage.cache import sweep
from morningmix.storage.home import RECIPE, Home, home_of, real_place
from morningmix.storage.lock import editing, locked
from morningmix.storage.song_folders import recover
from morningmix.storage.text import remove_drafts, write_text_whole
from morningmix.workers.cluster import connected
from morningmix.workers.jobs import Here, Run, Runner
from morningmix.workers.machine import cores_for, memory_bytes
from morningmix.workers.pool import Pool
from morningmix.workers.progress import Meter, Progress, no_progress
from morningmix.workers.trace import Trace

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
    practice: bool | None = None
    """Also write mixes without, and with more of, what every named player plays; None: where the song has them already.
    """
    song: str | None = None
    whole: bool = False
    """Mix every take in one piece, whatever songs the recipe lists and however long it is."""
    album: bool = False
    """Keep the songs' loudness relative to each other, with the loudest at the target."""
    redo: bool = False
    """Find the songs again even if the recipe lists some."""
    workers: int | None = None
    """Processes at a time; None: one per core, as far as the memory goes."""
    runner: Runner | None = None
    """What runs the jobs; None: processes of its own."""
    trace: Path | None = None
    """Where to write which job ran when."""
    block_hops: int = BLOCK_HOPS


@dataclass(frozen=True, slots=True, kw_only=True)
class Callbacks:
    """Whom a run tells what happens."""

    progress: Progress = no_progress
    note: Callable[[str], None] = lambda _: None
    """Receives a line to print."""


@contextmanager
def runner_for(
    workers: int | None, cluster: str | None, note: Callable[[str], None], preload: Sequence[str] = TO_MIX
) -> Iterator[Runner]:
    """What runs jobs: this process, processes of this machine, or a cluster; none is left at the end.

    Raises `UsageError` where there is no cluster at that address.
    """
    count = workers or cores_for(os.cpu_count() or 1, memory_bytes(), note)
    if cluster is not None:
        with connected(cluster) as runner:
            yield runner
    elif count == 1:
        yield Here()
    else:
        with Pool(count, preload, note) as pool:
            yield pool


@contextmanager
def running(order: Order, callbacks: Callbacks) -> Iterator[Run]:
    """A run for an order; it writes the trace at its end."""
    with ExitStack() as stack:
        runner = order.runner or stack.enter_context(runner_for(order.workers, None, callbacks.note, TO_LISTEN))
        run = Run(runner=runner, meter=Meter(callbacks.progress), trace=Trace())
        yield run
    if order.trace is not None:
        write_text_whole(real_place(order.cwd / order.trace), run.trace.text())


def source_of(order: Order) -> Path:
    """The folder, recipe or recall sheet, absolute; of a mix folder its recipe."""
    return recipe_within(real_place(order.cwd / order.source))


def recipe_within(place: Path) -> Path:
    """The recipe of a mix folder; any other place as it is."""
    recipe = place / RECIPE
    return recipe if recipe.is_file() and not holds_sound(place) else place


def home_for(order: Order) -> Home:
    """The order's mix folder. Raises before anything is written if there is nothing to work on."""
    source = source_of(order)
    home = home_of(source, order.cwd, order.out)
    look(source, home)
    return home


@contextmanager
def working_in(home: Home) -> Iterator[None]:
    """Lock the mix folder, and clean up after killed runs."""
    with threadpool_limits(1), locked(home):
        recover(home)
        sweep(home.cache)
        remove_drafts(home.root / FINDINGS)
        remove_drafts(home.mixes / REPORT)
        with editing(home.recipe, may_be_new=True):
            remove_drafts(home.recipe)
        yield


def clear_partial(home: Home) -> None:
    """Leave no half-built song behind, however the run ends; the next run removes what is left."""
    with suppress(OutputError):
        recover(home)


def settings_of(order: Order) -> Settings:
    """Settings that the recall sheet stores."""
    return Settings(bits=order.bits, file_format=order.file_format, tracks=order.tracks, practice=bool(order.practice))
