"""Which known song was played.

Every beat of the song is matched with one of the known song, in order, with a price for every slip and for every jump
to another place (Viterbi; compare the alignments with gaps and jumps of J. Serrà, X. Serrà, R. G. Andrzejak, "Cross
recurrence quantification for cover song identification", New J. Physics 11, 2009, and M. Müller, "Fundamentals of
Music Processing", 2015, section 7.2). So verses may be left out and the end may be missing. Unlike in that literature
the similarity is not judged against the other beats of the two songs: a loop of chords is in many songs, and what is
strummed and drummed to it must be alike too. All numbers are design choices.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from morningmix.model.fingerprint import CHROMA, DRUM_BANDS, OTHER_BANDS, QUARTERS, Fingerprint, Recognised

LEAST_LIKENESS, SHORT_BEATS = 0.675, 1.6
"""Least similarity of a song, more by the second divided by its beats: of generated songs and rehearsals, whole,
broken off or with verses left out, the same song has 0.69 and more but for a few short pieces; other ones, also with
the same chords at the same tempo, have 0.66 and less, or 0.74 in pieces of 25 beats (1558 and 1591 cases, measured:
1538 right, two taken for another song)."""
LEAST_LEAD = 0.02
"""How much more alike the best title must be than the next."""
LEAST_BEATS = 24
SEMITONES = (0, 1, -1, 2, -2)
MOST_FASTER = 1.18
"""Ratio of tempi up to which songs may be the same."""
FIRST_BEATS = 12
"""Within so many beats of a song a try of it begins: one may be counted in, and the other not."""
LEAST_MISSING = 16
"""Beats from which a part of a song was left out; fewer may be slips (design choice)."""
MOST_PLAYED = 0.7
"""Part of a known song up to which one was broken off; the band may leave out what comes after that."""

_JUMP, _SLIP = 2.0, 0.3
_STEPS = ((1, 0.0), (0, _SLIP), (2, _SLIP))
"""How many known beats a beat goes on, and the price."""
_WEIGHTS = np.sqrt(np.array([0.5, 0.5, 0.5, 0.5, 0.7, 0.5]) / 3.2)
"""Of the groups of rows: two halves above the bass, two of the bass, drums, other onsets."""
_DRUMS, _OTHERS = 0.2, 0.5
"""How much the agreement of onsets counts beside the similarity of beats: where two songs share chords and tempo, it
tells them apart (logistic regression on the same songs)."""
_DRUM_ROWS = slice(4 * CHROMA, 4 * CHROMA + QUARTERS * DRUM_BANDS)
_OTHER_ROWS = slice(4 * CHROMA + QUARTERS * DRUM_BANDS, None)
_GROUPS = (*[CHROMA] * 4, QUARTERS * DRUM_BANDS, QUARTERS * OTHER_BANDS)

Beats = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Counted:
    """A fingerprint in which so many beats of the song are counted as one, from its beat `first` on."""

    fingerprint: Fingerprint
    of: int = 1
    first: int = 0

    def beats(self, counted: range) -> range:
        """The beats of the song with which these begin."""
        return range(self.first + self.of * counted.start, self.first + self.of * counted.stop, self.of)


def recognise(
    song: Fingerprint, known: Mapping[str, Fingerprint], transposed: Sequence[int] = SEMITONES
) -> Recognised | None:
    """The known song that this is, so many semitones higher; None where none is alike enough, or two are."""
    if song.beats.shape[1] < LEAST_BEATS:
        return None
    ways = (_compared(song, title, other, transposed) for title, other in known.items())
    found = sorted(ways, key=lambda each: -each.similarity)
    if not found or not is_like(found[0]):
        return None
    if len(found) > 1 and found[0].similarity - found[1].similarity < LEAST_LEAD:
        return None
    return found[0]


def stops_early(found: Recognised) -> bool:
    """Whether a song goes through a known one from its beginning, and ends where much of it is still to come.

    One that plays a part more often does not: it has another form.
    """
    first, last = int(found.known_beats[0]), int(found.known_beats[-1])
    straight = first < FIRST_BEATS and len(found.known_beats) <= last + FIRST_BEATS
    return found.is_broken_off and straight and last < MOST_PLAYED * found.of_beats


def is_like(found: Recognised, least_beats: int = LEAST_BEATS) -> bool:
    """Whether a song is as much like a known one as it must be to be the same."""
    beats = len(found.known_beats)
    return beats >= least_beats and found.similarity >= LEAST_LIKENESS + SHORT_BEATS / beats


def from_its_beginning(song: Fingerprint, known: Fingerprint) -> Recognised:
    """How alike a song is to another of the same take that it goes through from the beginning, without a jump."""
    most = round(MOST_FASTER * song.beats.shape[1] * max(1.0, known.tempo_bpm / song.tempo_bpm)) + FIRST_BEATS
    way = _compared(song, "", replace(known, beats=known.beats[:, :most]), (0,), jump=np.inf, first=FIRST_BEATS)
    return replace(way, of_beats=known.beats.shape[1])


def way_through(song: Fingerprint, known: Fingerprint) -> Recognised:
    """How alike a song is to another one, and its best way through it."""
    return _compared(song, "", known)


def missing(way: Recognised) -> list[tuple[int, int]]:
    """First beats of a known song, and those after the last ones, of what was left out of it: four bars and more.

    None where it was not played so much shorter: it went another way through parts that are alike.
    """
    played = np.zeros(way.of_beats + 2, np.int8)
    played[way.known_beats + 1] = 1
    edges = np.flatnonzero(np.diff(1 - played[1:-1], prepend=0, append=0))
    gaps = [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a >= LEAST_MISSING]
    fewer = way.of_beats - len(way.known_beats)
    return gaps if sum(b - a for a, b in gaps) <= fewer + LEAST_MISSING / 2 else []


def _compared(
    song: Fingerprint,
    title: str,
    known: Fingerprint,
    transposed: Sequence[int] = SEMITONES,
    *,
    jump: float = _JUMP,
    first: int | None = None,
) -> Recognised:
    """How alike a song is to a known one at best; `first`: how many of its beats may be the first one."""
    best = Recognised(
        title=title, similarity=0.0, semitones=0, known_beats=np.zeros(0, np.intp), of_beats=known.beats.shape[1]
    )
    for mine, theirs in at_one_tempo(song, known):
        played, other = mine.fingerprint, theirs.fingerprint
        versions = np.stack([weighted(played, -semitones) for semitones in transposed])
        of_known = weighted(other, 0)
        score, version, path = _best_way(versions, of_known, jump, first)
        similarity = (
            score
            + _DRUMS * _agreement(played.beats[_DRUM_ROWS], other.beats[_DRUM_ROWS][:, path])
            + _OTHERS * _agreement(played.beats[_OTHER_ROWS], other.beats[_OTHER_ROWS][:, path])
        ) / (1.0 + _DRUMS + _OTHERS)
        if similarity > best.similarity:
            best = replace(
                best,
                similarity=similarity,
                semitones=transposed[version],
                known_beats=np.repeat(theirs.of * path, mine.of),
            )
    return best


def _agreement(onsets: NDArray[np.uint8], of_known: NDArray[np.uint8]) -> float:
    """Correlation of what differs from beat to beat in two patterns of onsets: -1..1."""
    here, there = (
        rows / np.maximum(np.linalg.norm(rows.astype(np.float64), axis=0), 1e-9) for rows in (onsets, of_known)
    )
    here, there = here - here.mean(axis=1, keepdims=True), there - there.mean(axis=1, keepdims=True)
    power = float((here**2).sum() * (there**2).sum())
    return float((here * there).sum()) / power**0.5 if power > 1e-12 else 0.0


def at_one_tempo(song: Fingerprint, known: Fingerprint) -> Iterator[tuple[Counted, Counted]]:
    """The two with beats of about the same length: the one that was counted twice as fast is counted in pairs."""
    ratio = song.tempo_bpm / known.tempo_bpm
    if 1.0 / MOST_FASTER < ratio < MOST_FASTER:
        yield Counted(song), Counted(known)
    elif 2.0 / MOST_FASTER < ratio < 2.0 * MOST_FASTER:
        yield from ((Counted(_in_pairs(song, first), 2, first), Counted(known)) for first in (0, 1))
    elif 0.5 / MOST_FASTER < ratio < 0.5 * MOST_FASTER:
        yield from ((Counted(song), Counted(_in_pairs(known, first), 2, first)) for first in (0, 1))


def _in_pairs(one: Fingerprint, first: int) -> Fingerprint:
    """The same with two beats counted as one, from its first or second beat on."""
    beats = one.beats[:, first:].astype(np.float32)
    beats = beats[:, : beats.shape[1] // 2 * 2]
    front, back = beats[:, ::2], beats[:, 1::2]
    above, bass = slice(0, 2 * CHROMA), slice(2 * CHROMA, 4 * CHROMA)
    rows = [(half[part][:CHROMA] + half[part][CHROMA:]) / 2.0 for part in (above, bass) for half in (front, back)]
    onsets = slice(4 * CHROMA, None)
    for bands, start in ((DRUM_BANDS, 0), (OTHER_BANDS, QUARTERS * DRUM_BANDS)):
        for half in (front, back):
            # Every other quarter of a beat is a quarter of two.
            part = half[onsets][start : start + QUARTERS * bands].reshape(QUARTERS, bands, -1)
            rows.append(part[::2].reshape(-1, part.shape[2]))
    return Fingerprint(tempo_bpm=one.tempo_bpm / 2.0, beats=np.round(np.concatenate(rows)).astype(np.uint8))


def weighted(one: Fingerprint, semitones: int) -> Beats:
    """Beats as vectors whose products are their similarity, transposed: ``(rows, beats)``."""
    rows: list[NDArray[np.float32]] = []
    start = 0
    for size, weight in zip(_GROUPS, _WEIGHTS, strict=True):
        part = one.beats[start : start + size].astype(np.float32)
        if size == CHROMA:
            part = np.roll(part, semitones, axis=0)
        rows.append(np.float32(weight) * part / np.maximum(np.linalg.norm(part, axis=0), np.float32(1e-9)))
        start += size
    return np.concatenate(rows)


def _best_way(versions: Beats, known: Beats, jump: float, first: int | None) -> tuple[float, int, NDArray[np.intp]]:
    """The best of several versions of a song ``(versions, rows, beats)`` and its best way through the known one.

    Returns its mean similarity less the price of slips and jumps, which version it is, and each beat's known beat.
    """
    totals = np.einsum("vri,rj->ivj", versions, known, optimize=True).astype(np.float64, order="C")
    if first is not None:
        totals[0, :, first:] = -np.inf
    for before, total in pairwise(totals):
        best = np.repeat(before.max(axis=1, keepdims=True) - jump, total.shape[1], axis=1)
        for ahead, price in _STEPS:
            way = before[:, : total.shape[1] - ahead] - price
            np.maximum(best[:, ahead:], way, out=best[:, ahead:])
        total += best
    version, last = np.unravel_index(int(totals[-1].argmax()), totals[-1].shape)
    path = np.empty(len(totals), np.intp)
    path[-1] = last
    for beat in range(len(totals) - 1, 0, -1):
        before, at = totals[beat - 1, version], int(path[beat])
        ways = [(before.max() - jump, int(before.argmax()))]
        ways += [(before[at - ahead] - price, at - ahead) for ahead, price in _STEPS if at >= ahead]
        path[beat - 1] = max(ways, key=lambda way: way[0])[1]
    return float(totals[-1, version, last]) / len(totals), int(version), path
