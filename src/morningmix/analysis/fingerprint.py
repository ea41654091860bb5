"""Fingerprints of the songs of a take, kept in the cache."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from morningmix.analysis.analysed import AnalysedTake
from morningmix.analysis.tempo import keeping_time
from morningmix.decide.beats import find_tempo
from morningmix.decide.fingerprint import fingerprint_of, half_beats_s
from morningmix.measure.band_store import BandStore
from morningmix.measure.harmony import measure_notes
from morningmix.measure.onsets import measure_onsets
from morningmix.model.fingerprint import Fingerprint
from morningmix.model.input import Input
from morningmix.model.recording import Take
from morningmix.storage.cache import entries, key, path_of, take_key
from morningmix.storage.records import read_record, write_record
from morningmix.workers.jobs import Job, Lane

FINGERPRINT_COST = 0.003
"""Seconds of one core per second of a song (measured)."""
_NO_HARMONY = ("drums", "vocals", "playback", "")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KeptFingerprint:
    """A fingerprint in the cache, and the song it is of."""

    take: str
    start_s: float
    end_s: float
    fingerprint: Fingerprint | None
    """None where nothing repeats."""
    beats_s: tuple[float, ...]
    """Where its beats begin, and where the last one ends; seconds from `start_s`."""


def fingerprints_of(
    analysed: AnalysedTake, songs: Sequence[tuple[float, float]], lane: Lane
) -> list[Fingerprint | None]:
    """Fingerprints of songs of a take, by start and end as the recipe has them; None where nothing repeats.

    Raises `RecordingsError` where an input cannot be read, and `OutputError` where the cache cannot be written.
    """
    drums, others = keeping_time(analysed.inputs), _accompaniment(analysed.inputs)
    jobs = [
        Job(
            what="listen for what a song is recognised by",
            call=partial(_cached, _Song(analysed.take, analysed.store, drums, others, times), analysed.home.cache),
            cost=FINGERPRINT_COST * (min(times[1], analysed.take.duration_s) - times[0]),
        )
        for times in songs
    ]
    return lane.all(jobs)


def fingerprint_files(cache: Path) -> frozenset[str]:
    """Names of the files in a cache that hold fingerprints."""
    return frozenset(one.path.name for one in entries(cache) if one.kind == "print" and one.current)


def kept_fingerprints(cache: Path) -> list[KeptFingerprint]:
    """All fingerprints in a cache."""
    found = (read_record(one.path, KeptFingerprint) for one in entries(cache) if one.kind == "print" and one.current)
    return [one for one in found if one is not None]


def _accompaniment(inputs: Sequence[Input]) -> tuple[int, ...]:
    """Inputs whose notes count: instruments, since singers sing what they like; else the desk's mix, else all."""
    played = [input_ for input_ in inputs if not input_.facts.silent and not input_.only_bleed]
    harmony = [input_ for input_ in played if input_.preset.family not in _NO_HARMONY]
    desk = [input_ for input_ in played if input_.role == "desk mix"]
    return tuple(input_.index for input_ in harmony or desk or [one for one in played if one.preset.family])


@dataclass(frozen=True, slots=True)
class _Song:
    take: Take
    store: BandStore
    drums: tuple[int, ...]
    others: tuple[int, ...]
    times_s: tuple[float, float]


def _cached(song: _Song, cache: Path) -> Fingerprint | None:
    question = key(song.drums, song.others, *(round(at_s, 3) for at_s in song.times_s))
    path = path_of(cache, "print", take_key(song.take.folder), song.store.key, question)
    kept = read_record(path, KeptFingerprint)
    if kept is None:
        start_s, end_s = song.times_s
        found, beats_s = _measured(song)
        kept = KeptFingerprint(take=song.take.name, start_s=start_s, end_s=end_s, fingerprint=found, beats_s=beats_s)
        write_record(path, kept)
    return kept.fingerprint


def _measured(song: _Song) -> tuple[Fingerprint | None, tuple[float, ...]]:
    """The fingerprint, and where its beats are."""
    drums = measure_onsets(song.store, song.drums, *song.times_s)
    tempo = find_tempo(drums)
    if tempo is None:
        return None, ()
    gains = [(index, _levelling(song, index)) for index in song.others]
    edges_s = half_beats_s(tempo)
    notes = measure_notes(song.take, gains, song.times_s[0], edges_s)
    found = fingerprint_of(tempo, notes, drums, measure_onsets(song.store, song.others, *song.times_s))
    return found, tuple(edges_s[::2].tolist())


def _levelling(song: _Song, index: int) -> float:
    """Gain that brings an input to a power of 1 in the song; 0 where it rests."""
    store, total = song.store, 0.0
    first, last = (min(store.hops, max(0, round(at_s / store.hop_s))) for at_s in song.times_s)
    for start in range(first, last, 3000):
        total += float(store.read(index, start, min(last, start + 3000)).sum())
    power = total / max(1, last - first)
    return power**-0.5 if power > 1e-9 else 0.0
