"""Where the songs of a take begin and end, from who plays together.

What only separate inputs can tell: a band plays where drums are hit and somebody else's own sound is there, or where
several play and somebody sings. Talk is a voice without a band, noodling one or two without drums, a fill drums without
a band. Clicks in even time before everybody comes in are a count-in and belong to the song; what rings after the last
stroke belongs to it until it has died, or somebody talks or plays into it. All thresholds are design choices.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import scipy
from numpy.typing import NDArray

from morningmix.facts import Activity, Boundary, FoundSong
from morningmix.units import SILENCE_DB, powers_db

OWN_DB = 4.0
"""Mean excess from which an input's own source plays."""
RINGS_DB = 1.0
"""And from which what rings is still its own."""
PLAYS_WITHIN_DB = 30.0
"""And its level is within this of its loud level."""
TALKS_DB = 6.0
"""Excess of a voice that cannot be missed."""
HIT_DB = 6.0
"""Rise of a drum that counts as a hit."""
CLOSE_DB = -15.0
"""Re its loud level: what a microphone close to a drum hears of its own drum, and does not hear of others."""
TICK_DB = 10.0
"""Rise of an input that may be a stick's click."""
STEADY_HITS_S = 2.0
"""Drums go on while hits follow one another at least this fast."""
FULL_DB, FULL_GAP_S, FULL_S = 15.0, 0.5, 2.0
"""And while one of their inputs is this near its loud level, with gaps up to that, for at least so long."""
HELD_S, HELD_TALKING_S, HELD_PLAYING_S = 7.5, 3.0, 20.0
"""A song may pause this long: in silence, while somebody speaks or sings alone, while somebody plays on."""
SILENT_S = 0.6
"""While one plays on there is no silence longer than this, and no more than one where nobody does."""
TALK_S = 0.7
"""Least of speech that is taken for talk."""
SHORTEST_S = 5.0
"""Shorter than this it was a fill or a jam, not the beginning of a song."""
SONG_S = 25.0
"""Shorter than this it was a false start."""
BEFORE_S = 0.4
"""A song begins this long before its first sound."""
AFTER_S = 0.5
"""And ends this long after the last has died."""
CLICKS, PERIOD_S, UNEVEN = 3, (0.2, 1.3), 0.08
"""A count-in: at least so many clicks, from one to the next in seconds, and how uneven they may be."""
MOST_CLICKS = 8
"""Nobody counts more than two bars; a longer row is a part of the music."""
COUNTED = 4
"""Even sounds after so many are taken for the first beats."""
COUNT_IN_S = 9.0
"""How long before the band comes in a count-in is looked for."""
DIED_DB = 50.0
"""A ring-out has died this far under the loud level of its input."""
FALLEN_DB = 20.0
"""Once it has fallen this far, talk or new playing ends it."""
RISES_DB = 6.0
"""New playing rises this far over the lowest level so far."""
RINGS_S = 12.0
"""Longest ring-out."""
OUTRO_S = 10.0
"""Longest playing of one alone, or of the drums alone, that still belongs to a song's end."""
SHORT_S = 50.0
"""Shorter than this it must be shown to be whole."""
BROKEN_S = 120.0
"""A song that is longer than this is never put aside."""
PASSAGE_S = 6.0
"""Length of what is compared to tell whether a song broke off."""
OFTEN = 0.4
"""Share of a song over which an instrument must play to be compared."""
ALIKE, ABOUT = 0.6, 0.1
"""Likeness (a correlation) from which two passages are the same music, and what is about as much."""
AGAIN = 0.58
"""The beginning came again where this share of that likeness is reached."""

_VOICES = "vocals"
_DRUMS = "drums"

Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class _Band:
    """Who plays in each frame."""

    frame_s: float
    drums: Mask
    """The drums are played on."""
    players: NDArray[np.intp]
    """How many inputs besides drums and voices play."""
    voices: Mask
    """Somebody sings or talks."""
    rings_db: NDArray[np.float64]
    """Loudest of what may be own sound of drums and players, re its input's loud level."""
    plays_db: NDArray[np.float64]
    """The same for what is surely own, and lasts."""
    hits_s: NDArray[np.float64]
    """When a drum is hit."""
    beats_s: NDArray[np.float64]
    """Those of the hits that a microphone close to a drum hears."""
    clicks_s: NDArray[np.float64]
    """The others, as of sticks."""
    ticks_s: NDArray[np.float64]
    """When any input hears something short and sharp while no instrument plays."""
    together: Mask


def find_songs(activity: Activity, families: Sequence[str]) -> tuple[FoundSong, ...]:
    """Songs in order, with those that are not to be kept among them; `families` are those of the activity's inputs."""
    if activity.powers.shape[2] * activity.frame_s < SHORTEST_S:
        return ()
    band = _band(activity, families)
    together = _opened(_closed(band.together, band.frame_s, HELD_TALKING_S), band.frame_s, SHORTEST_S)
    runs = _merged(_runs(together), band)
    end_s = activity.powers.shape[2] * band.frame_s
    found: list[FoundSong] = []
    earliest = 0.0
    for at, (first, last) in enumerate(runs):
        next_s = runs[at + 1][0] * band.frame_s if at + 1 < len(runs) else end_s
        start = _start(band, first, earliest)
        end = _end(band, last, min(next_s, end_s))
        earliest = end.at_s
        reason, shown = _why_not(activity, families, band, first, last)
        if reason is None and not shown:
            end = replace(
                end, because=f"{end.because}; short, and nothing shows that it is whole", sure=min(end.sure, 0.55)
            )
        found.append(FoundSong(start=start, end=end, keep=reason is None, reason=reason))
    return tuple(found)


# ---------------------------------------------------------------- who plays


def _band(activity: Activity, families: Sequence[str]) -> _Band:
    level_db = powers_db(activity.powers.sum(axis=1, dtype=np.float64))
    excess_db = activity.excess_db.mean(axis=1, dtype=np.float64)
    relative_db = np.array([_re_loud(*rows) for rows in zip(level_db, excess_db, strict=True)])
    own = (excess_db > OWN_DB) & (relative_db > -PLAYS_WITHIN_DB)
    of = np.array(families)
    is_drum, is_voice = of == _DRUMS, of == _VOICES
    is_player = ~is_drum & ~is_voice & (of != "")
    frame_s = activity.frame_s
    playing = np.array([_steady(row, frame_s) for row in own[is_player]], np.bool_).reshape(-1, own.shape[1])
    players = playing.sum(axis=0)
    voices = (excess_db[is_voice] > TALKS_DB) & (relative_db[is_voice] > -PLAYS_WITHIN_DB)
    talking = _steady(voices.any(axis=0), frame_s)
    hits = _hits(activity, is_drum)
    drums = np.zeros(own.shape[1], np.bool_)
    hit_frames = np.minimum((hits * activity.hop_s / frame_s).astype(int), own.shape[1] - 1)
    drums[hit_frames] = True
    drums = _closed(drums, frame_s, STEADY_HITS_S)
    # Hits stand out little where one input holds the whole kit, or more than the kit; then it is sound without a break.
    full = (own[is_drum] & (relative_db[is_drum] > -FULL_DB)).any(axis=0)
    drums |= _opened(_closed(full, frame_s, FULL_GAP_S), frame_s, FULL_S)
    struck = _close(relative_db[is_drum], hit_frames, drums)
    hits_s = hits.astype(np.float64) * activity.hop_s
    sounds = (is_player | is_drum)[:, None]
    rings_db = np.where((excess_db > RINGS_DB) & sounds, relative_db, SILENCE_DB).max(axis=0, initial=SILENCE_DB)
    plays_db = np.where((excess_db > OWN_DB) & sounds, relative_db, SILENCE_DB).max(axis=0, initial=SILENCE_DB)
    # Where there is but one instrument and no drums, a voice and that one are the band.
    several = 2 if is_drum.any() or np.count_nonzero(is_player) > 1 else 1
    together = (drums & (players >= 1)) | ((players >= several) & talking) | (players >= 3)
    return _Band(
        frame_s=frame_s,
        drums=drums,
        players=players,
        voices=talking,
        rings_db=scipy.ndimage.grey_closing(rings_db, (7,)),
        plays_db=scipy.ndimage.minimum_filter1d(plays_db, 3),
        hits_s=hits_s,
        beats_s=hits_s[struck],
        clicks_s=hits_s[~struck],
        ticks_s=_ticks(activity, of != "", players, hits[struck]).astype(np.float64) * activity.hop_s,
        together=together,
    )


def _re_loud(level_db: NDArray[np.float64], excess_db: NDArray[np.float64]) -> NDArray[np.float64]:
    """Level re the loud level of the input's own sound; silence where it has hardly any."""
    own = level_db[excess_db > OWN_DB]
    return level_db - np.percentile(own, 95) if len(own) >= 10 else np.full(len(level_db), SILENCE_DB)


def _instruments(activity: Activity, families: Sequence[str], first: int, last: int) -> NDArray[np.float64]:
    """What drums and instruments sound like from frame `first` to `last`: ``(lanes, frames)``, dB.

    A lane for each input and broad band; what plays in a few places only is left out.
    """
    plays = np.mean(activity.excess_db[:, :, first:last].mean(axis=1) > OWN_DB, axis=1) > OFTEN
    chosen = [
        family == _DRUMS or (family not in ("", _VOICES) and bool(often))
        for family, often in zip(families, plays, strict=True)
    ]
    level_db = powers_db(activity.powers[chosen, :, first:last])
    level_db = np.maximum(level_db - np.percentile(level_db, 95, axis=2, keepdims=True), -PLAYS_WITHIN_DB)
    lanes: NDArray[np.float64] = scipy.ndimage.uniform_filter1d(level_db.reshape(-1, last - first), 3, axis=1)
    return lanes


def _hits(activity: Activity, is_drum: Mask) -> NDArray[np.intp]:
    """Hops in which a drum is hit: the highest rises near, in frames that are the drums' own."""
    if not is_drum.any():
        return np.zeros(0, np.intp)
    rises = activity.rises_db[is_drum].max(axis=0)
    peaks = (rises >= HIT_DB) & (rises == scipy.ndimage.maximum_filter1d(rises, 5))
    own = activity.excess_db[is_drum].mean(axis=1).max(axis=0) > OWN_DB
    # A hit at the very end of a frame is heard in the next one.
    own = scipy.ndimage.maximum_filter1d(own.astype(np.uint8), 3).astype(bool)
    per_frame = round(activity.frame_s / activity.hop_s)
    hops = np.flatnonzero(peaks)
    kept: NDArray[np.intp] = hops[own[np.minimum(hops // per_frame, len(own) - 1)]]
    return kept


def _ticks(activity: Activity, heard: Mask, players: NDArray[np.intp], beats: NDArray[np.intp]) -> NDArray[np.intp]:
    """Hops of short sharp sounds in any of the inputs `heard`, none of them a beat on a drum."""
    rises = activity.rises_db[heard].max(axis=0, initial=0.0)
    sharp = (rises >= TICK_DB) & (rises == scipy.ndimage.maximum_filter1d(rises, 5))
    for beat in beats.tolist():
        sharp[max(0, beat - 2) : beat + 3] = False
    hops = np.flatnonzero(sharp)
    frames = np.minimum((hops * activity.hop_s / activity.frame_s).astype(int), len(players) - 1)
    ticks: NDArray[np.intp] = hops[players[frames] == 0]
    return ticks


def _close(relative_db: NDArray[np.float64], hit_frames: NDArray[np.intp], drums: Mask) -> Mask:
    """Which hits are on a drum with a microphone of its own; `relative_db` is ``(drums, frames)``.

    Such a microphone hears little between its own drum's hits, where others hear the whole kit.
    """
    struck = np.zeros(len(hit_frames), np.bool_)
    if len(hit_frames):
        near_db = scipy.ndimage.maximum_filter1d(relative_db, 3, axis=1)[:, hit_frames]
        for hears_db, all_db in zip(near_db, relative_db, strict=True):
            if np.median(all_db[drums]) < CLOSE_DB:
                struck |= hears_db > CLOSE_DB
    return struck


def _steady(mask: Mask, frame_s: float) -> Mask:
    """Without gaps of up to 1 s and without blips of under 0.3 s."""
    return _opened(_closed(mask, frame_s, 1.0), frame_s, 0.3)


def _closed(mask: Mask, frame_s: float, gap_s: float) -> Mask:
    """Gaps of up to `gap_s` between two runs filled."""
    filled = mask.copy()
    runs = _runs(mask)
    for (_, stop), (start, _) in pairwise(runs):
        if (start - stop) * frame_s <= gap_s:
            filled[stop:start] = True
    return filled


def _opened(mask: Mask, frame_s: float, least_s: float) -> Mask:
    kept = mask.copy()
    for start, stop in _runs(mask):
        if (stop - start) * frame_s < least_s:
            kept[start:stop] = False
    return kept


def _runs(mask: Mask) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(mask.astype(np.int8), prepend=0, append=0))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


# ---------------------------------------------------------------- one song or two


def _merged(runs: Sequence[tuple[int, int]], band: _Band) -> list[tuple[int, int]]:
    merged: list[tuple[int, int]] = []
    for run in runs:
        if merged and _goes_on(band, merged[-1], run):
            merged[-1] = (merged[-1][0], run[1])
        else:
            merged.append(run)
    return merged


def _goes_on(band: _Band, before: tuple[int, int], after: tuple[int, int]) -> bool:
    """Whether what lies between is a pause inside a song."""
    stop, start = before[1], after[0]
    gap_s = (start - stop) * band.frame_s
    drums, voices = band.drums[stop:start], band.voices[stop:start]
    plays = drums | (band.players[stop:start] > 0)
    talks_s = float(np.count_nonzero(voices & ~drums)) * band.frame_s
    counted = _count_in(band, start * band.frame_s, stop * band.frame_s)
    if counted is not None and counted.clicks <= MOST_CLICKS:
        # A drummer may count the band in after a break, but not after the first few bars.
        return talks_s < TALK_S and gap_s <= HELD_S and (stop - before[0]) * band.frame_s >= SONG_S
    if gap_s > HELD_PLAYING_S:
        return False
    rests = [(b - a) * band.frame_s for a, b in _runs(~plays) if (b - a) * band.frame_s > SILENT_S]
    if talks_s < TALK_S and len(rests) <= 1 and sum(rests) <= HELD_S:
        return True
    silent_s = max((b - a for a, b in _runs(~plays & ~voices)), default=0) * band.frame_s
    return silent_s <= SILENT_S and float(np.count_nonzero(voices & ~plays)) * band.frame_s < gap_s / 2


# ---------------------------------------------------------------- where it begins


@dataclass(frozen=True, slots=True)
class _CountIn:
    first_s: float
    clicks: int
    period_s: float


def _count_in(band: _Band, comes_in_s: float, earliest_s: float) -> _CountIn | None:
    """Clicks that lead to where the band comes in; if the drums' microphones hear none, anybody's."""
    return _even(band, band.clicks_s, CLICKS, comes_in_s, earliest_s) or _even(
        band, band.ticks_s, COUNTED, comes_in_s, earliest_s
    )


def _even(
    band: _Band, clicks_s: NDArray[np.float64], least: int, comes_in_s: float, earliest_s: float
) -> _CountIn | None:
    """At least so many of the clicks in even time; of several rows the longest, then the latest."""
    near = clicks_s[(clicks_s > max(earliest_s, comes_in_s - COUNT_IN_S)) & (clicks_s < comes_in_s - 0.05)]
    best: _CountIn | None = None
    for last in range(len(near) - 1, 0, -1):
        beats_s = band.beats_s[(band.beats_s > near[last]) & (band.beats_s < comes_in_s)]
        follows_s = float(beats_s[0]) if len(beats_s) else comes_in_s
        for before in range(last - 1, -1, -1):
            period = float(near[last] - near[before])
            if period < PERIOD_S[0]:
                continue
            if period > PERIOD_S[1]:
                break
            if not 0.5 * period <= follows_s - near[last] <= 1.6 * period:
                continue
            chain = [near[last], near[before]]
            while True:
                wanted = chain[-1] - period
                off = np.abs(near - wanted)
                if not len(off) or off.min() > max(0.03, UNEVEN * period):
                    break
                chain.append(near[int(off.argmin())])
            if len(chain) >= least and (best is None or len(chain) > best.clicks):
                best = _CountIn(float(chain[-1]), len(chain), period)
    return best


def _start(band: _Band, first: int, earliest_s: float) -> Boundary:
    comes_in_s = first * band.frame_s
    counted = _count_in(band, comes_in_s, earliest_s)
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
        who = "the drums" if band.drums[frame:first].mean() > 0.5 else "one of the band"
        return Boundary(
            at_s=max(earliest_s, frame * band.frame_s - BEFORE_S),
            because=f"{who} for {lead_s:.0f} s, then the band; no count-in was heard",
            sure=0.5,
        )
    return Boundary(
        at_s=max(earliest_s, frame * band.frame_s - BEFORE_S),
        because="the band comes in; no count-in was heard",
        sure=0.7,
    )


# ---------------------------------------------------------------- where it ends


def _end(band: _Band, last: int, latest_s: float) -> Boundary:
    """Where what rings after frame `last` has died, or somebody talks or plays into it."""
    outro = last + round(OUTRO_S / band.frame_s)
    stop = min(round(latest_s / band.frame_s), outro + round(RINGS_S / band.frame_s), len(band.rings_db))
    alone = band.drums | (band.players > 0)
    while last < min(stop, outro) and alone[last] and band.rings_db[last] > -FALLEN_DB:
        last += 1
    # The last frame of playing is where falling is counted from.
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
            (died, "the last sound has died", 0.95),
            (talks, "somebody speaks into what is left of the last sound", 0.85),
            (plays, "somebody plays into what is left of the last sound", 0.8),
        )
        if mask.any()
    ]
    if not ends:
        at = int(level.argmin())
        return Boundary(
            at_s=(last + at) * band.frame_s, because="somebody plays on; cut where it is quietest", sure=0.3
        )
    at, why, sure = min(ends)
    more = AFTER_S if why.endswith("died") else 0.0
    return Boundary(at_s=min((last + at) * band.frame_s + more, latest_s), because=why, sure=sure)


# ---------------------------------------------------------------- whole or not


def _why_not(
    activity: Activity, families: Sequence[str], band: _Band, first: int, last: int
) -> tuple[str | None, bool]:
    """Why frames `first` to `last` hold no whole song, None if they do; and whether that shows."""
    seconds = (last - first) * band.frame_s
    if seconds < SONG_S:
        return f"false start: the band stops after {seconds:.0f} s", True
    if seconds > BROKEN_S:
        return None, True
    # What rings after the last beat is in every ending, but not in the middle of a song; nor are clicks.
    beats = (band.hits_s / band.frame_s).astype(int)
    beats = beats[(beats >= first) & (beats < last)]
    counted = _count_in(band, first * band.frame_s, 0.0)
    clicks = min(counted.clicks, COUNTED) if counted else 0
    begins = round((counted.first_s + clicks * counted.period_s) / band.frame_s) if counted else first
    stops = int(beats[-1]) if len(beats) else last
    whole = _whole(_instruments(activity, families, begins, stops), band.frame_s) if stops > begins else None
    if whole is False:
        return f"broke off: the band stops after {seconds:.0f} s, at a place where it went on the time before", True
    if whole is None and seconds < SHORT_S:
        return f"broke off: the band stops after {seconds:.0f} s", True
    return None, whole is not None


def _whole(instruments: NDArray[np.float64], frame_s: float) -> bool | None:
    """Whether the song's beginning followed when its last passage came before; None if that passage came only once.

    Songs are made of parts that come again. One that is played through stops where a part ends, so where its last
    passage was heard before, a part began after it (perhaps after a pause). `instruments` is ``(lanes, frames)``.
    """
    length = round(PASSAGE_S / frame_s)
    frames = instruments.shape[1]
    spread_db = instruments.std(axis=1, keepdims=True) + 1.0
    lanes = (instruments - instruments.mean(axis=1, keepdims=True)) / spread_db
    likeness = _likeness(lanes[:, -length:], lanes[:, : frames - length])
    if not len(likeness):
        return None
    alike = float(likeness.max())
    if alike < ALIKE:
        return None
    again = -1.0
    for twin in np.flatnonzero(likeness >= alike - ABOUT).tolist():
        early = max(0, twin + length - round(HELD_TALKING_S / frame_s))
        near = lanes[:, early : twin + length + round(HELD_S / frame_s) + length]
        again = max(again, float(_likeness(lanes[:, :length], near).max(initial=-1.0)))
    return again >= AGAIN * alike


def _likeness(passage: NDArray[np.float64], lanes: NDArray[np.float64]) -> NDArray[np.float64]:
    """Correlation of a passage with every stretch of the same length: ``(places,)``."""
    places = lanes.shape[1] - passage.shape[1] + 1
    if places < 1:
        return np.zeros(0)
    stretches = np.lib.stride_tricks.sliding_window_view(lanes, passage.shape[1], axis=1)
    products = np.einsum("lpf,lf->p", stretches, passage)
    energies = np.einsum("lpf,lpf->p", stretches, stretches) * np.sum(passage**2)
    return np.asarray(products / np.sqrt(np.maximum(energies, 1e-12)))
