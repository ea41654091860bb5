"""Measurements of a whole take, kept in the cache.

A cache key holds all that the measurement depends on: the band powers (whose key tells one state of the recordings
from another), the inputs in question, and the gain steps.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TypeVar

from morningmix.bleed.excess import measure_bleed, measure_each
from morningmix.measure.acoustic_feedback import measure_feedback
from morningmix.measure.alignment import Pair, measure_alignments
from morningmix.measure.band_store import BandStore
from morningmix.measure.click import measure_clicks
from morningmix.measure.desk_mix import measure_desk_mixes
from morningmix.model.measured import AcousticFeedback, AlignmentFacts, BleedFacts, Measurements, SumOfOthers, Ticking
from morningmix.model.recording import Take
from morningmix.storage.cache import beside, key, path_of, take_key
from morningmix.storage.records import read_record, write_record

T = TypeVar("T")


def cached_bleed(
    take: Take, store: BandStore, targets: Sequence[int], others: Sequence[int], cache: Path
) -> Mapping[int, BleedFacts]:
    """`measure_bleed`, cached. Raises `OutputError` if the cache cannot be written."""
    path = _path(cache, "bleed", take, store, targets, others)
    return _measured_once(path, dict[int, BleedFacts], lambda: measure_bleed(store, targets, others))


def cached_each(
    take: Take, store: BandStore, targets: Sequence[int], playing: Sequence[int], cache: Path
) -> Mapping[int, BleedFacts]:
    """`measure_each`, cached. Raises `OutputError` if the cache cannot be written."""
    path = _path(cache, "bleed", take, store, targets, playing)
    return _measured_once(path, dict[int, BleedFacts], lambda: measure_each(store, targets, playing))


def cached_desk_mixes(
    take: Take, measured: Measurements, store: BandStore, inputs: Sequence[int], cache: Path
) -> Mapping[int, SumOfOthers]:
    """`measure_desk_mixes`, cached. Raises `RecordingsError`, and `OutputError` if the cache cannot be written."""
    path = _path(cache, "desk", take, store, inputs)
    return _measured_once(path, dict[int, SumOfOthers], lambda: measure_desk_mixes(take, measured, inputs))


def cached_clicks(
    take: Take, measured: Measurements, store: BandStore, inputs: Sequence[int], cache: Path
) -> Mapping[int, Ticking]:
    """`measure_clicks`, cached. Raises `RecordingsError`, and `OutputError` if the cache cannot be written."""
    path = _path(cache, "click", take, store, inputs)
    return _measured_once(path, dict[int, Ticking], lambda: measure_clicks(take, measured, inputs))


def cached_alignments(
    take: Take, measured: Measurements, store: BandStore, pairs: Sequence[Pair], cache: Path
) -> Mapping[int, AlignmentFacts]:
    """`measure_alignments`, cached. Raises `RecordingsError`, and `OutputError` if the cache cannot be written."""
    path = _path(cache, "align", take, store, pairs)
    return _measured_once(path, dict[int, AlignmentFacts], lambda: measure_alignments(take, measured, pairs))


def cached_feedback(take: Take, store: BandStore, input_: int) -> Mapping[int, tuple[AcousticFeedback, ...]]:
    """`measure_feedback` of an input, cached. Raises `RecordingsError`, and `OutputError` as the others do."""
    path = beside(store.paths[input_], "feedback")
    return _measured_once(
        path,
        dict[int, tuple[AcousticFeedback, ...]],
        lambda: {input_: measure_feedback(take, take.recordings[input_])},
    )


def _measured_once(path: Path, kind: type[dict[int, T]], measure: Callable[[], Mapping[int, T]]) -> Mapping[int, T]:
    kept = read_record(path, kind)
    if kept is not None:
        return kept
    measured = measure()
    write_record(path, measured)
    return measured


def _path(cache: Path, kind: str, take: Take, store: BandStore, *inputs: Sequence[object]) -> Path:
    return path_of(
        cache, kind, take_key(take.folder), store.key, key(store.gain_steps, *(list(each) for each in inputs))
    )
