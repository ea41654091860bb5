"""Which known song was played.

Every beat of the song is matched with one of the known song, in order, with a price for every slip and for every jump
to another place (Viterbi; compare the alignments with gaps and jumps of J. Serrà, X. Serrà, R. G. Andrzejak, "Cross
recurrence quantification for cover song identification", New J. Physics 11, 2009, and M. Müller, "Fundamentals of
Music Processing", 2015, section 7.2). So verses may be left out and the end may be missing. Unlike in that literature
the likeness is not judged against the other beats of the two songs: a loop of chords is in many songs, and what is
strummed and drummed to it must be alike too. All numbers are design choices.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from morningmix.model.fingerprint import CHROMA, DRUM_BANDS, OTHER_BANDS, QUARTERS, Fingerprint, Recognised

LEAST_LIKENESS = 0.865
"""Of generated songs and rehearsals the same song has 0.883 and more, another one, also with the same chords, 0.845 and
less (57 songs, measured)."""
LEAST_LEAD = 0.02
"""How much more alike the best title must be than the next."""
LEAST_BEATS = 24
SEMITONES = (0, 1, -1, 2, -2)
MOST_FASTER = 1.18
"""Ratio of tempi up to which songs may be the same."""

_JUMP, _SLIP = 2.0, 0.3
_WEIGHTS = np.sqrt(np.array([0.5, 0.5, 0.5, 0.5, 0.7, 0.5]) / 3.2)
"""Of the groups of rows: two halves above the bass, two of the bass, drums, other onsets."""
_GROUPS = (*[CHROMA] * 4, QUARTERS * DRUM_BANDS, QUARTERS * OTHER_BANDS)

Beats = NDArray[np.float32]


def recognise(song: Fingerprint, known: Mapping[str, Fingerprint]) -> Recognised | None:
    """The known song that this is; None where none is alike enough, or two are."""
    found = sorted(((*_likeness(song, other), title) for title, other in known.items()), key=lambda each: -each[0])
    if not found or song.beats.shape[1] < LEAST_BEATS:
        return None
    likeness, semitones, title = found[0]
    if likeness < LEAST_LIKENESS or (len(found) > 1 and likeness - found[1][0] < LEAST_LEAD):
        return None
    return Recognised(
        title=title,
        likeness=likeness,
        semitones=semitones,
        known_beats=_known_beats(song, known[title], semitones),
        of_beats=known[title].beats.shape[1],
    )


def _likeness(song: Fingerprint, known: Fingerprint) -> tuple[float, int]:
    """How alike two songs are at best, and how many semitones higher the first was played."""
    best = (0.0, 0)
    for played, other, *_ in _at_one_tempo(song, known):
        beats = np.stack([_weighted(played, -semitones) for semitones in SEMITONES])
        scores = _match(beats, _weighted(other, 0))[0]
        at = int(scores.argmax())
        best = max(best, (float(scores[at]), SEMITONES[at]), key=lambda each: each[0])
    return best


def _at_one_tempo(song: Fingerprint, known: Fingerprint) -> Iterator[tuple[Fingerprint, Fingerprint, int, int]]:
    """The two with beats of about the same length: the one that was counted twice as fast is counted in pairs.

    Also how many beats of each are one beat then.
    """
    ratio = song.tempo_bpm / known.tempo_bpm
    if 1.0 / MOST_FASTER < ratio < MOST_FASTER:
        yield song, known, 1, 1
    elif 2.0 / MOST_FASTER < ratio < 2.0 * MOST_FASTER:
        yield from ((_in_pairs(song, first), known, 2, 1) for first in (0, 1))
    elif 0.5 / MOST_FASTER < ratio < 0.5 * MOST_FASTER:
        yield from ((song, _in_pairs(known, first), 1, 2) for first in (0, 1))


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


def _weighted(one: Fingerprint, semitones: int) -> Beats:
    """Beats as vectors whose products are their likeness, transposed: ``(rows, beats)``."""
    rows: list[NDArray[np.float32]] = []
    start = 0
    for size, weight in zip(_GROUPS, _WEIGHTS, strict=True):
        part = one.beats[start : start + size].astype(np.float32)
        if size == CHROMA:
            part = np.roll(part, semitones, axis=0)
        rows.append(np.float32(weight) * part / np.maximum(np.linalg.norm(part, axis=0), np.float32(1e-9)))
        start += size
    return np.concatenate(rows)


def _match(beats: Beats, known: Beats) -> tuple[NDArray[np.float64], NDArray[np.int8], NDArray[np.intp]]:
    """Mean likeness of versions of a song ``(versions, rows, beats)`` along the best way through the known one.

    Also, for every beat, the step that led to each known beat (0 and 2: a slip, 1: the next beat, -1: a jump), and the
    best known beat so far: ``(beats, versions, known beats)`` and ``(beats, versions)``.
    """
    alike = np.einsum("vri,rj->ivj", beats, known, optimize=True).astype(np.float64)
    total = alike[0]
    steps = np.zeros(alike.shape, np.int8)
    leads = np.zeros(alike.shape[:2], np.intp)
    for beat in range(1, len(alike)):
        leads[beat] = total.argmax(axis=1)
        best = np.repeat(total.max(axis=1, keepdims=True) - _JUMP, total.shape[1], axis=1)
        step = steps[beat]
        step[:] = -1
        for ahead, price in ((1, 0.0), (0, _SLIP), (2, _SLIP)):
            way = total[:, : total.shape[1] - ahead] - price
            better = way > best[:, ahead:]
            best[:, ahead:][better] = way[better]
            step[:, ahead:][better] = ahead
        total = best + alike[beat]
    return total.max(axis=1) / len(alike), steps, np.concatenate((leads[1:], total.argmax(axis=1)[None]))


def _known_beats(song: Fingerprint, known: Fingerprint, semitones: int) -> NDArray[np.intp]:
    """The beat of the known song for each beat of this one, both as they were counted."""
    ways = []
    for played, other, mine, theirs in _at_one_tempo(song, known):
        scores, steps, leads = _match(_weighted(played, -semitones)[None], _weighted(other, 0))
        path = np.empty(len(steps), np.intp)
        at = int(leads[-1, 0])
        for beat in range(len(steps) - 1, -1, -1):
            path[beat] = at
            step = int(steps[beat, 0, at])
            at = int(leads[beat - 1, 0]) if step < 0 else at - step
        ways.append((float(scores[0]), np.repeat(path * theirs, mine)))
    return max(ways, key=lambda each: each[0])[1]
