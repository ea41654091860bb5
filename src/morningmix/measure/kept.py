"""What was heard in a take as a whole, kept in the home's cache, so that nobody waits for it twice.

Keys hold all that the answer depends on: the files that the band powers lie in (their names tell path, size and time of
every recording), the inputs that are asked about, and gains that were turned.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from morningmix.facts import BleedFacts, Measurements, SumOfOthers, Take, Ticking
from morningmix.files.arrays import read_arrays, write_arrays
from morningmix.files.text import write_text_whole
from morningmix.measure.bleed import hear_bleed
from morningmix.measure.click import hear_clicks
from morningmix.measure.desk_mix import hear_desk_mixes
from morningmix.measure.spectrum import BandStore

FORMAT = 1
"""Part of the keys: raise it when `hear_bleed`, `hear_desk_mixes` or `hear_clicks` hear otherwise."""


def heard_bleed(
    store: BandStore, ears: Sequence[int], others: Sequence[int], workers: int, cache: Path
) -> Mapping[int, BleedFacts]:
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
    heard = hear_bleed(store, ears, others, workers)
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
    with suppress(OSError, ValueError, KeyError, TypeError):
        rows = json.loads(path.read_text(encoding="utf-8"))
        return {row["input"]: SumOfOthers(explained=row["explained"], of=tuple(row["of"])) for row in rows}
    heard = hear_desk_mixes(take, measured, inputs)
    rows = [{"input": one, "explained": facts.explained, "of": facts.of} for one, facts in heard.items()]
    write_text_whole(path, json.dumps(rows))
    return heard


def heard_clicks(
    take: Take, measured: Measurements, store: BandStore, inputs: Sequence[int], cache: Path
) -> Mapping[int, Ticking]:
    """As `hear_clicks`. Raises `RecordingsError`, and `OutputError` if the cache cannot be written."""
    path = cache / f"{_key('clicks', store, inputs)}.json"
    with suppress(OSError, ValueError, KeyError, TypeError):
        rows = json.loads(path.read_text(encoding="utf-8"))
        return {row["input"]: Ticking(shortest_s=row["shortest_s"], longest_s=row["longest_s"]) for row in rows}
    heard = hear_clicks(take, measured, inputs)
    rows = [
        {"input": one, "shortest_s": facts.shortest_s, "longest_s": facts.longest_s} for one, facts in heard.items()
    ]
    write_text_whole(path, json.dumps(rows))
    return heard


def _key(what: str, store: BandStore, *inputs: Sequence[int]) -> str:
    told = (FORMAT, what, [path.name for path in store.paths], [list(each) for each in inputs], repr(store.turned))
    return hashlib.sha256(repr(told).encode("utf-8")).hexdigest()[:24]
