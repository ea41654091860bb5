"""The attack by the thousand; a few hundred cases of each kind are among the tests.

    python tests/attack/long.py [--kind sheets] [--count 500] [--seed 1] [--workers 2] [--only sheets:17]

Without arguments: 100,000 damaged files, 250 kills, full disks, links, permissions, names. What goes wrong is printed
with the words that show it again; the exit code says whether anything did.
"""

from __future__ import annotations

import argparse
import codecs
import collections
import contextlib
import encodings.aliases
import importlib
import importlib.metadata
import multiprocessing
import os
import pkgutil
import sys
import tempfile
import time
import traceback
import warnings
import zlib
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

if __name__ == "__main__":
    sys.path[0] = str(Path(__file__).resolve().parents[1])

import numpy as np

import attack.damaged
import attack.ended
import attack.foreign
import fuzzing
import morningmix
from attack.mutate import Rng
from attack.place import Place

Case = Callable[[Place, Rng], Iterator[str]]
KINDS: dict[str, Case] = {**attack.damaged.KINDS, **attack.ended.KINDS, **attack.foreign.KINDS}
COUNTS = {
    "sound": 30_000,
    "text": 30_000,
    "recordings": 8_000,
    "recipes": 8_000,
    "input lists": 3_000,
    "wishes": 3_000,
    "sheets": 10_000,
    "findings": 2_000,
    "caches": 4_000,
    "journals": 2_000,
    "kills": 200,
    "swaps": 50,
    "full disks": 400,
    "denials": 400,
    "largest files": 100,
    "links": 600,
    "permissions": 600,
    "names": 300,
}
"""The long run. The first two are given to the functions that read them, the others to commands."""
_BATCH = 25


def attack_with(counts: Mapping[str, int], seed: int, workers: int) -> Iterator[tuple[str, int, str]]:
    """Every failure of so many cases of each kind: kind, seed, and what went wrong."""
    first = seed * 1_000_000
    batches = [
        (kind, first + at, min(_size(kind), count - at))
        for kind, count in counts.items()
        for at in range(0, count, _size(kind))
    ]
    # Spawned, so that the workers have no threads when they fork a child for every case.
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, mp_context=context, initializer=load_everything) as pool:
        for found in pool.map(run_batch, batches):
            yield from found


def failures_by_kind(counts: Mapping[str, int], seed: int) -> dict[str, list[str]]:
    """What goes wrong in so many cases of each kind, and how to see it again; beside other tests on one core."""
    found: dict[str, list[str]] = {kind: [] for kind in counts}
    for kind, number, says in attack_with(counts, seed, 1 if "PYTEST_XDIST_WORKER" in os.environ else 2):
        found[kind].append(f'--only "{kind}:{number}"  {says}')
    return found


def _size(kind: str) -> int:
    return fuzzing.BATCH if kind in fuzzing.CASES else _BATCH


def run_batch(batch: tuple[str, int, int]) -> list[tuple[str, int, str]]:
    """Failures among the cases of a kind from a seed on."""
    kind, first, count = batch
    if kind in fuzzing.CASES:
        return fuzzing.run_batch(batch)
    return [(kind, seed, says) for seed in range(first, first + count) for says in run_case(kind, seed)]


def run_case(kind: str, seed: int) -> list[str]:
    """What goes wrong in one case; of what is like each other, the first."""
    place = _place()
    place.fresh()
    found: dict[str, list[str]] = {}
    try:
        for says in KINDS[kind](place, np.random.default_rng((zlib.crc32(kind.encode()), seed))):
            found.setdefault(says.split(":")[0], []).append(says)
    except Exception as error:
        return ["the attack itself failed: " + "".join(traceback.format_exception(error)[-3:])]
    return [f"{says[0]} (and {len(says) - 1} more)" if len(says) > 1 else says[0] for says in found.values()]


_PLACES: list[tuple[Place, tempfile.TemporaryDirectory[str]]] = []


def _place() -> Place:
    """This process's own place, made when it is first asked for."""
    if not _PLACES:
        folder = tempfile.TemporaryDirectory(prefix="attack-")
        _PLACES.append((Place(Path(folder.name)), folder))
    return _PLACES[0][0]


def load_everything() -> None:
    """Import all of the program, so that every child has it."""
    warnings.simplefilter("ignore")
    for module in pkgutil.walk_packages(morningmix.__path__, "morningmix."):
        if not module.name.endswith("__main__"):
            importlib.import_module(module.name)
    # One that becomes somebody else may not be able to read Python's own folder.
    for late in ("importlib.readers", "rich.console", "rich.progress", "typer.rich_utils"):
        importlib.import_module(late)
    importlib.metadata.version("numpy")
    for name in set(encodings.aliases.aliases.values()):
        with contextlib.suppress(LookupError):
            codecs.lookup(name)


def main() -> int:
    """Run the cases; 1 if any failed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument(
        "--kind", action="append", choices=list(COUNTS), help="only this one; may be given several times"
    )
    parser.add_argument("--count", type=int, help="cases of each kind")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--only", help="kind:seed, to see one case again")
    arguments = parser.parse_args()
    if arguments.only:
        load_everything()
        kind, seed = arguments.only.rsplit(":", 1)
        failures = run_batch((kind, int(seed), 1))
        print("\n".join(says for *_, says in failures) or "nothing went wrong")
        return 1 if failures else 0
    counts = {kind: arguments.count or COUNTS[kind] for kind in arguments.kind or COUNTS}
    sorts = {kind: collections.Counter[str]() for kind in counts}
    begun = time.monotonic()
    for kind, seed, says in attack_with(counts, arguments.seed, arguments.workers):
        print(f'--only "{kind}:{seed}"  {says}', flush=True)
        sorts[kind][says.split(":")[0]] += 1
    print()
    for kind, count in counts.items():
        told = ", ".join(f"{times} {sort}" for sort, times in sorts[kind].most_common()) or "nothing went wrong"
        print(f"{kind}: {count} cases: {told}")
    print(f"{sum(counts.values())} cases in {time.monotonic() - begun:.0f} s")
    return 1 if any(sorts.values()) else 0


if __name__ == "__main__":
    sys.exit(main())
