"""Where the songs of a take start and end, from who plays together.

Separate inputs tell more than a mix could: the band plays where drums are hit and somebody else's direct sound is
there, or where several play and somebody sings. Talk is a voice without the band, noodling is one or two without drums,
a fill is drums without the band. Evenly spaced clicks before everybody comes in are a count-in and belong to the song;
so does the ring-out, until it has died away or somebody talks or plays over it. All thresholds are design choices.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from morningmix.decide.count_in import find_count_in
from morningmix.decide.playing import (
    HELD_PLAYING_S,
    HELD_S,
    HELD_TALKING_S,
    SONG_S,
    Band,
    closed,
    opened,
    runs_of,
    who_plays,
)
from morningmix.decide.song_whole import why_not
from morningmix.model.found import Boundary, Edges, FoundSong
from morningmix.model.measured import Activity

SILENT_S = 0.6
"""Longest silence while somebody plays on; where nobody does, one longer rest is allowed."""
TALK_S = 0.7
"""Shortest speech that counts as talk."""
SHORTEST_S = 5.0
"""Shorter playing is a fill or a jam, not the start of a song."""

PAUSE_S, ALONE_S = 2.0, 6.0
"""Around a longer silence within a song nobody plays alone for longer than that."""
STOPS_S = 1.0
"""Playing that pauses for longer has a last and a first note there; shorter playing has none."""
SAME_PLACE_S = 0.25
"""Places of a take that are nearer than this are one."""
BEFORE_S = 0.4
"""A song starts this long before its first sound."""
AFTER_S = 0.5
"""It ends this long after the last sound has died away."""

MOST_CLICKS = 8
"""Nobody counts in more than two bars; a longer row of clicks is part of the music."""

DIED_DB = 50.0
"""A ring-out has died away this far below its input's loud level."""
FALLEN_DB = 20.0
"""Once the ring has fallen this far, talk or new playing ends the song."""
RISES_DB = 6.0
"""New playing rises this far above the lowest level so far."""
FALLS_DB, FALLS_S = 3.0, 1.0
"""A ring under the others' bleed goes on while it falls that far in that time."""
DIED_AWAY = "the last note has died away"
RINGS_S = 12.0
"""Longest ring-out."""
OUTRO_S = 10.0
"""Longest playing of one alone, or of the drums alone, that still belongs to the end of a song."""


def find_songs(activity: Activity, families: Sequence[str]) -> tuple[FoundSong, ...]:
    """Songs in order, including those not to be kept; `families` are those of the activity's inputs."""
    if activity.powers.shape[2] * activity.frame_s < SHORTEST_S:
        return ()
    band = who_plays(activity, families)
    together = opened(closed(band.together, band.frame_s, HELD_TALKING_S), band.frame_s, SHORTEST_S)
    runs = _merged(runs_of(together), band)
    end_s = activity.powers.shape[2] * band.frame_s
    found: list[FoundSong] = []
    earliest = 0.0
    for at, (first, last) in enumerate(runs):
        next_s = runs[at + 1][0] * band.frame_s if at + 1 < len(runs) else end_s
        start = _start(band, first, earliest)
        end = _end(band, last, min(next_s, end_s))
        earliest = end.at_s
        reason, shown = why_not(activity, families, band, first, last)
        seconds = (last - first) * band.frame_s
        song = FoundSong(start=start, end=end, keep=reason is None, reason=reason, played_s=seconds, shown=shown)
        found.append(in_doubt(song) if song.keep and not shown else song)
    return tuple(found)


def in_doubt(song: FoundSong) -> FoundSong:
    """A short song that is kept though nothing shows that it is whole."""
    because = f"{song.end.because}; it is short, and may not be the whole song"
    end = replace(song.end, because=because, sure=min(song.end.sure, 0.55))
    return replace(song, end=end, keep=True, reason=None)


def find_edges(activity: Activity, families: Sequence[str], songs: Sequence[FoundSong]) -> Edges:
    """Where else the songs of a take may start and end: every count-in, first note and last note of anybody's playing.

    The boundaries of `songs` are among them, with their own reasons.
    """
    band = who_plays(activity, families)
    anybody, together = (
        runs_of(opened(closed(mask, band.frame_s, STOPS_S), band.frame_s, STOPS_S))
        for mask in (band.drums | (band.players > 0), band.together)
    )
    take_s = activity.powers.shape[2] * band.frame_s
    starts: list[Boundary] = []
    ends: list[Boundary] = []
    for at, (first, last) in enumerate(anybody):
        first_s = first * band.frame_s
        counted = find_count_in(band, first_s, 0.0)
        if counted is not None:
            because = f"counted in: {counted.clicks} clicks"
            starts.append(Boundary(at_s=max(0.0, counted.first_s - BEFORE_S), because=because, sure=0.8))
        starts.append(Boundary(at_s=max(0.0, first_s - BEFORE_S), because="the first note", sure=0.7))
        ends.append(_end(band, last, anybody[at + 1][0] * band.frame_s if at + 1 < len(anybody) else take_s))
    for first, _ in together:
        starts.append(Boundary(at_s=max(0.0, first * band.frame_s - BEFORE_S), because="the band comes in", sure=0.7))
    return Edges(
        starts=_with_others([song.start for song in songs], starts),
        ends=_with_others([song.end for song in songs], ends),
    )


def _with_others(found: Sequence[Boundary], others: Iterable[Boundary]) -> tuple[Boundary, ...]:
    """In order of time, without others that are the same place as one before."""
    edges = list(found)
    for other in others:
        if all(abs(other.at_s - edge.at_s) > SAME_PLACE_S for edge in edges):
            edges.append(other)
    return tuple(sorted(edges, key=lambda edge: edge.at_s))


# ---------------------------------------------------------------- one song or two


def _merged(runs: Sequence[tuple[int, int]], band: Band) -> list[tuple[int, int]]:
    merged: list[tuple[int, int]] = []
    for run in runs:
        if merged and _goes_on(band, merged[-1], run):
            merged[-1] = (merged[-1][0], run[1])
        else:
            merged.append(run)
    return merged


def _goes_on(band: Band, before: tuple[int, int], after: tuple[int, int]) -> bool:
    """Whether what lies between is a pause inside a song."""
    stop, start = before[1], after[0]
    gap_s = (start - stop) * band.frame_s
    drums, voices = band.drums[stop:start], band.voices[stop:start]
    plays = drums | (band.players[stop:start] > 0)
    talks_s = float(np.count_nonzero(voices & ~drums)) * band.frame_s
    counted = find_count_in(band, start * band.frame_s, stop * band.frame_s)
    if counted is not None and counted.clicks <= MOST_CLICKS:
        # A drummer may count the band in after a break, but not after the first few bars.
        return talks_s < TALK_S and gap_s <= HELD_S and (stop - before[0]) * band.frame_s >= SONG_S
    if gap_s > HELD_PLAYING_S:
        return False
    rests = [(b - a) * band.frame_s for a, b in runs_of(~plays) if (b - a) * band.frame_s > SILENT_S]
    if talks_s < TALK_S and len(rests) <= 1 and sum(rests) <= HELD_S:
        # After a silence the band comes back together; it is between songs that somebody plays on alone.
        return sum(rests) <= PAUSE_S or gap_s - sum(rests) <= ALONE_S
    silent_s = max((b - a for a, b in runs_of(~plays & ~voices)), default=0) * band.frame_s
    return silent_s <= SILENT_S and float(np.count_nonzero(voices & ~plays)) * band.frame_s < gap_s / 2


def _start(band: Band, first: int, earliest_s: float) -> Boundary:
    comes_in_s = first * band.frame_s
    counted = find_count_in(band, comes_in_s, earliest_s)
    if counted is not None:
        return Boundary(
            at_s=max(earliest_s, counted.first_s - BEFORE_S),
            because=f"counted in: {counted.clicks} clicks, one every {counted.period_s:.2f} s, then the band",
            sure=0.95 if counted.clicks >= 4 else 0.8,
        )
    frame = first
    least = int(np.ceil(earliest_s / band.frame_s))
    alone = band.drums | (band.players > 0)
    while frame > least and (alone[frame - 1] or alone[max(least, frame - 5) : frame].any()):
        frame -= 1
    lead_s = (first - frame) * band.frame_s
    if lead_s > 1.0:
        who = "the drums play" if band.drums[frame:first].mean() > 0.5 else "one player plays"
        return Boundary(
            at_s=max(earliest_s, frame * band.frame_s - BEFORE_S),
            because=f"{who} for {lead_s:.0f} s, then the band comes in; no count-in was found",
            sure=0.5,
        )
    return Boundary(
        at_s=max(earliest_s, frame * band.frame_s - BEFORE_S),
        because="the band comes in; no count-in was found",
        sure=0.7,
    )


# ---------------------------------------------------------------- where it ends


def _end(band: Band, last: int, latest_s: float) -> Boundary:
    """Where the ring after frame `last` has died away, or somebody talks or plays into it."""
    outro = last + round(OUTRO_S / band.frame_s)
    stop = min(round(latest_s / band.frame_s), outro + round(RINGS_S / band.frame_s), len(band.rings_db))
    alone = band.drums | (band.players > 0)
    while last < min(stop, outro) and alone[last] and band.rings_db[last] > -FALLEN_DB:
        last += 1
    # The decay is measured from the last frame of playing.
    last = max(0, last - 1)
    level = band.rings_db[last:stop]
    if not len(level):
        return Boundary(at_s=last * band.frame_s, because="the recording ends", sure=0.5)
    lowest = np.minimum.accumulate(level)
    fallen = lowest <= band.rings_db[max(0, last - round(1.0 / band.frame_s)) : last + 1].max() - FALLEN_DB
    died = level <= -DIED_DB
    talks = fallen & band.voices[last:stop]
    plays = fallen & (band.plays_db[last:stop] > np.maximum(lowest, -DIED_DB) + RISES_DB)
    ends = [
        (int(np.flatnonzero(mask)[0]), why, sure)
        for mask, why, sure in (
            (died, DIED_AWAY, 0.95),
            (talks, "someone talks while the last note rings", 0.85),
            (plays, "someone starts to play while the last note rings", 0.8),
        )
        if mask.any()
    ]
    if not ends:
        at = int(level.argmin())
        return Boundary(
            at_s=(last + at) * band.frame_s, because="someone plays on, so it is cut at the quietest point", sure=0.3
        )
    at, why, sure = min(ends)
    if why == DIED_AWAY:
        until = min([stop, *(last + end for end, *_ in ends if end > at)])
        at = _still_falling(band, last + at, until) - last
    more = AFTER_S if why == DIED_AWAY else 0.0
    return Boundary(at_s=min((last + at) * band.frame_s + more, latest_s), because=why, sure=sure)


def _still_falling(band: Band, frame: int, stop: int) -> int:
    """The frame from `frame` on at which a ring that does not stand out of the others' bleed has died away, too."""
    ahead = round(FALLS_S / band.frame_s)
    while (
        frame + ahead < stop
        and band.levels_db[frame] > -DIED_DB
        and band.levels_db[frame + ahead] <= band.levels_db[frame] - FALLS_DB
    ):
        frame += 1
    return frame
