"""What was heard in a take as a whole, kept in the home's cache, so that nobody waits for it twice.

Keys hold all that the answer depends on: the files that the band powers lie in (their names tell path, size and time of
every recording), the inputs that are asked about, and gains that were turned.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from morningmix.facts import AlignmentFacts, BleedFacts, Measurements, SumOfOthers, Take, Ticking
from morningmix.files.arrays import read_arrays, write_arrays
from morningmix.files.kept import read_facts, write_facts
from morningmix.measure.alignment import Pair, hear_alignments
from morningmix.measure.bleed import hear_bleed
from morningmix.measure.click import hear_clicks
from morningmix.measure.desk_mix import hear_desk_mixes
from morningmix.measure.spectrum import BandStore

T = TypeVar("T")

FORMAT = 2
"""Part of the keys: raise it when one of the rooms asked here hears otherwise."""


def heard_bleed(store: BandStore, ears: Sequence[int], others: Sequence[int], cache: Path) -> Mapping[int, BleedFacts]:
    """As `hear_bleed`. Raises `OutputError` if the cache cannot be written."""
    path = cache / f"{_key('bleed', store, ears, others)}.npz"
    kept = read_arrays(path)
    if kept is not None:
        return {
            int(ear): BleedFacts(
                hop_s=store.hop_s, excess_db=kept[f"{ear}-all"], excess_of_instruments_db=kept[f"{ear}-instruments"]
            )
            for ear in kept["ears"]
        }
    heard = hear_bleed(store, ears, others)
    arrays: dict[str, NDArray[Any]] = {"ears": np.array(list(heard), np.int64)}
    for ear, facts in heard.items():
        arrays |= {f"{ear}-all": facts.excess_db, f"{ear}-instruments": facts.excess_of_instruments_db}
    write_arrays(path, arrays)
    return heard


def heard_desk_mixes(
    take: Take, measured: Measurements, store: BandStore, inputs: Sequence[int], cache: Path
) -> Mapping[int, SumOfOthers]:
    """As `hear_desk_mixes`. Raises `RecordingsError`, and `OutputError` if the cache cannot be written."""
    path = cache / f"{_key('desk mixes', store, inputs)}.json"
    return _heard(path, SumOfOthers, lambda: hear_desk_mixes(take, measured, inputs))


def heard_clicks(
    take: Take, measured: Measurements, store: BandStore, inputs: Sequence[int], cache: Path
) -> Mapping[int, Ticking]:
    """As `hear_clicks`. Raises `RecordingsError`, and `OutputError` if the cache cannot be written."""
    path = cache / f"{_key('clicks', store, inputs)}.json"
    return _heard(path, Ticking, lambda: hear_clicks(take, measured, inputs))


def heard_alignments(
    take: Take, measured: Measurements, store: BandStore, pairs: Sequence[Pair], cache: Path
) -> Mapping[int, AlignmentFacts]:
    """As `hear_alignments`. Raises `RecordingsError`, and `OutputError` if the cache cannot be written."""
    path = cache / f"{_key('alignments', store, pairs)}.json"
    return _heard(path, AlignmentFacts, lambda: hear_alignments(take, measured, pairs))


def _heard(path: Path, kind: type[T], hear: Callable[[], Mapping[int, T]]) -> Mapping[int, T]:
    kept = read_facts(path, kind)
    if kept is not None:
        return kept
    heard = hear()
    write_facts(path, kind, heard)
    return heard


def _key(what: str, store: BandStore, *inputs: Sequence[object]) -> str:
    told = (FORMAT, what, [path.name for path in store.paths], [list(each) for each in inputs], repr(store.turned))
    return hashlib.sha256(repr(told).encode("utf-8")).hexdigest()[:24]
