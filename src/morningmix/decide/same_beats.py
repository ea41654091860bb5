"""Which beat of one performance of a song is which of another: from beginning to end, without what one leaves out.

The best alignment of both whole songs, in which a part that only one has costs much the same however long it is (affine
gaps: O. Gotoh, "An improved algorithm for matching biological sequences", J. Mol. Biol. 162, 1982). That price makes
the second verse go with the second, though the first is as much like it. Numbers are design choices.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from morningmix.decide.recognise import SEMITONES, at_one_tempo, weighted
from morningmix.model.fingerprint import Fingerprint

_LEFT_OUT, _LEFT_OUT_BEAT = 6.0, 0.02
"""Price of a part that only one song has, and of each of its beats; a pair of beats that are alike earns up to 1."""

Matrix = NDArray[np.float64]
Stretch = tuple[tuple[float, float], ...]
"""A part of a song that both performances have: in each, seconds at its beats, and at its end."""


def same_beats(then: Fingerprint, now: Fingerprint) -> list[tuple[range, range]]:
    """Parts that both performances have, in order: their beats in each, one beat of one for one or two of the other.

    None at all where the tempi are too far apart.
    """
    best = -np.inf
    found: list[tuple[range, range]] = []
    for of_now, of_then in at_one_tempo(now, then):
        known = _apart(weighted(of_then.fingerprint, 0))
        for semitones in SEMITONES:
            similarity = _apart(weighted(of_now.fingerprint, -semitones)).T @ known
            score, pairs = _aligned(similarity.astype(np.float64))
            if score * of_now.of > best:
                best = score * of_now.of
                found = [(of_then.beats(one), of_now.beats(two)) for two, one in _runs(pairs)]
    return found


def in_seconds(
    parts: Sequence[tuple[range, range]], beats_s: tuple[Sequence[float], Sequence[float]], seconds: tuple[float, float]
) -> list[Stretch]:
    """The same parts in seconds of both songs, with as much before the first and after the last as both have.

    `beats_s` are the beats of each, and the end of the last one; `seconds` how long each is.
    """
    stretches = [
        [
            (beats_s[0][a], beats_s[1][b])
            for a, b in zip((*then, then[-1] + then.step), (*now, now[-1] + now.step), strict=True)
        ]
        for then, now in parts
    ]
    if stretches:
        first, last = stretches[0][0], stretches[-1][-1]
        before_s, after_s = min(first), min(length - at_s for length, at_s in zip(seconds, last, strict=True))
        if before_s > 0.0:
            stretches[0].insert(0, (first[0] - before_s, first[1] - before_s))
        if after_s > 0.0:
            stretches[-1].append((last[0] + after_s, last[1] + after_s))
    return [tuple(stretch) for stretch in stretches]


def _apart(beats: NDArray[np.float32]) -> NDArray[np.float32]:
    """Beats without what all beats of the song have in common, each of length 1."""
    apart: NDArray[np.float32] = beats - beats.mean(axis=1, keepdims=True)
    apart /= np.maximum(np.linalg.norm(apart, axis=0), np.float32(1e-9))
    return apart


def _aligned(similarity: Matrix) -> tuple[float, list[tuple[int, int]]]:
    """The best alignment by ``similarity (beats of one, beats of the other)``: its score, and its pairs in order."""
    rows, columns = similarity.shape
    at = np.arange(columns + 1)
    shape = (rows + 1, columns + 1)
    # Scores of the beats so far, by what comes last: a pair, or beats of one only.
    paired, of_rows, of_columns, best = (np.full(shape, -np.inf) for _ in range(4))
    for row in range(rows + 1):
        if row == 0:
            paired[0, 0] = 0.0
        else:
            paired[row, 1:] = best[row - 1, :-1] + similarity[row - 1]
            of_rows[row] = np.maximum(best[row - 1] - _LEFT_OUT, of_rows[row - 1]) - _LEFT_OUT_BEAT
        else_best = np.maximum(paired[row], of_rows[row])
        furthest = np.maximum.accumulate(else_best + _LEFT_OUT_BEAT * at)
        of_columns[row, 1:] = furthest[:-1] - _LEFT_OUT - _LEFT_OUT_BEAT * at[1:]
        best[row] = np.maximum(else_best, of_columns[row])
    pairs = []
    row, column = rows, columns
    while row or column:
        if best[row, column] == of_columns[row, column]:
            before = np.maximum(paired[row, :column], of_rows[row, :column]) + _LEFT_OUT_BEAT * at[:column]
            column = int(before.argmax())
        elif best[row, column] == of_rows[row, column]:
            row -= 1
            while of_rows[row, column] >= best[row, column] - _LEFT_OUT:
                row -= 1
        else:
            row, column = row - 1, column - 1
            pairs.append((row, column))
    return float(best[-1, -1]), pairs[::-1]


def _runs(pairs: Sequence[tuple[int, int]]) -> list[tuple[range, range]]:
    """Pairs that follow each other: their rows and their columns."""
    runs: list[tuple[range, range]] = []
    for row, column in pairs:
        rows, columns = runs[-1] if runs else (range(0), range(0))
        if runs and (row, column) == (rows.stop, columns.stop):
            runs[-1] = range(rows.start, row + 1), range(columns.start, column + 1)
        else:
            runs.append((range(row, row + 1), range(column, column + 1)))
    return runs
