"""Who plays in each frame of a take: the inputs whose level stands above the bleed of all others.

All thresholds are design choices.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import scipy
from numpy.typing import NDArray

from morningmix.model.measured import Activity
from morningmix.units import SILENCE_DB, powers_db

OWN_DB = 4.0
"""Mean level over bleed from which an input's own source plays."""
RINGS_DB = 1.0
"""Level over bleed from which ringing counts as direct sound."""
PLAYS_WITHIN_DB = 30.0
"""Its level must also be within this of its loud level."""
LOUD_DB = 6.0
"""An instrument this near its loud level plays, whatever the bleed: where all play all the time it is overrated."""
TALKS_DB = 6.0
"""Level over bleed of a voice that is certain."""
HIT_DB = 6.0
"""Rise of a drum that counts as a hit."""
CLOSE_DB = -15.0
"""Level of a drum in its own close microphone, re the loud level there; other drums stay below it."""
TICK_DB = 10.0
"""Rise of an input that may be a stick's click."""
STEADY_HITS_S = 2.0
"""Drums play on while hits follow one another at least this fast."""
FULL_DB, FULL_GAP_S, FULL_S = 15.0, 0.5, 2.0
"""They also play on while one of their inputs is this near its loud level, with gaps of up to that, for at least so
long."""
HELD_S, HELD_TALKING_S, HELD_PLAYING_S = 7.5, 3.0, 20.0
"""Longest pause within a song: in silence, while somebody speaks or sings alone, while somebody plays on."""

SONG_S = 25.0
"""Anything shorter is a false start."""

COUNTED = 4
"""After this many, evenly spaced sounds are taken for the first beats."""

VOICES = "vocals"
DRUMS = "drums"

Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Band:
    """Who plays in each frame."""

    frame_s: float
    drums: Mask
    """The drums play."""
    players: NDArray[np.intp]
    """How many inputs besides drums and voices play."""
    voices: Mask
    """Somebody sings or talks."""
    rings_db: NDArray[np.float64]
    """Loudest level that may be direct sound of drums and players, re its input's loud level."""
    plays_db: NDArray[np.float64]
    """The same for what is certainly direct sound, and lasts."""
    levels_db: NDArray[np.float64]
    """Loudest level in inputs of drums and players re its input's loud level, whatever sounds there."""
    hits_s: NDArray[np.float64]
    """Times of drum hits."""
    beats_s: NDArray[np.float64]
    """Hits that a close drum microphone picks up."""
    clicks_s: NDArray[np.float64]
    """All other hits, such as sticks."""
    ticks_s: NDArray[np.float64]
    """Short, sharp sounds in any input while no instrument plays."""
    together: Mask


def who_plays(activity: Activity, families: Sequence[str]) -> Band:
    """Who plays in each frame of a take; `families` are those of the activity's inputs."""
    level_db = powers_db(activity.powers.sum(axis=1, dtype=np.float64))
    over_bleed_db = activity.over_bleed_db.mean(axis=1, dtype=np.float64)
    relative_db = np.array([_re_loud(*rows) for rows in zip(level_db, over_bleed_db, strict=True)])
    own = (over_bleed_db > OWN_DB) & (relative_db > -PLAYS_WITHIN_DB)
    of = np.array(families)
    is_drum, is_voice = of == DRUMS, of == VOICES
    is_player = ~is_drum & ~is_voice & (of != "")
    frame_s = activity.frame_s
    plays = own | (relative_db > -LOUD_DB)
    playing = np.array([_steady(row, frame_s) for row in plays[is_player]], np.bool_).reshape(-1, own.shape[1])
    players = playing.sum(axis=0)
    voices = (over_bleed_db[is_voice] > TALKS_DB) & (relative_db[is_voice] > -PLAYS_WITHIN_DB)
    talking = _steady(voices.any(axis=0), frame_s)
    hits = _hits(activity, is_drum)
    drums = np.zeros(own.shape[1], np.bool_)
    hit_frames = np.minimum(hits // activity.hops_in_frame, own.shape[1] - 1)
    drums[hit_frames] = True
    drums = closed(drums, frame_s, STEADY_HITS_S)
    # Hits stand out little where one input holds the whole kit, or more; there, continuous sound counts.
    full = (own[is_drum] & (relative_db[is_drum] > -FULL_DB)).any(axis=0)
    drums |= opened(closed(full, frame_s, FULL_GAP_S), frame_s, FULL_S)
    struck = _close(relative_db[is_drum], hit_frames, drums)
    hits_s = hits.astype(np.float64) * activity.hop_s
    sounds = (is_player | is_drum)[:, None]
    rings_db = np.where((over_bleed_db > RINGS_DB) & sounds, relative_db, SILENCE_DB).max(axis=0, initial=SILENCE_DB)
    plays_db = np.where((over_bleed_db > OWN_DB) & sounds, relative_db, SILENCE_DB).max(axis=0, initial=SILENCE_DB)
    # With one instrument and no drums, that instrument and a voice are the band.
    several = 2 if is_drum.any() or np.count_nonzero(is_player) > 1 else 1
    together = (drums & (players >= 1)) | ((players >= several) & talking) | (players >= 3)
    levels_db = np.where(sounds, relative_db, SILENCE_DB).max(axis=0, initial=SILENCE_DB)
    return Band(
        frame_s=frame_s,
        drums=drums,
        players=players,
        voices=talking,
        rings_db=scipy.ndimage.grey_closing(rings_db, (7,)),
        plays_db=scipy.ndimage.minimum_filter1d(plays_db, 3),
        levels_db=levels_db,
        hits_s=hits_s,
        beats_s=hits_s[struck],
        clicks_s=hits_s[~struck],
        ticks_s=_ticks(activity, of != "", players, hits[struck]).astype(np.float64) * activity.hop_s,
        together=together,
    )


def _re_loud(level_db: NDArray[np.float64], over_bleed_db: NDArray[np.float64]) -> NDArray[np.float64]:
    """Level re the loud level of the input's direct sound; silence where there is hardly any."""
    own = level_db[over_bleed_db > OWN_DB]
    return level_db - np.percentile(own, 95) if len(own) >= 10 else np.full(len(level_db), SILENCE_DB)


def _hits(activity: Activity, is_drum: Mask) -> NDArray[np.intp]:
    """Hops in which a drum is hit: the highest rises near by, in frames that are the drums' own."""
    if not is_drum.any():
        return np.zeros(0, np.intp)
    rises = activity.rises_db[is_drum].max(axis=0)
    peaks = (rises >= HIT_DB) & (rises == scipy.ndimage.maximum_filter1d(rises, 5))
    own = activity.over_bleed_db[is_drum].mean(axis=1).max(axis=0) > OWN_DB
    # A hit at the very end of a frame shows in the next one.
    own = scipy.ndimage.maximum_filter1d(own.astype(np.uint8), 3).astype(bool)
    hops = np.flatnonzero(peaks)
    kept: NDArray[np.intp] = hops[own[np.minimum(hops // activity.hops_in_frame, len(own) - 1)]]
    return kept


def _ticks(activity: Activity, chosen: Mask, players: NDArray[np.intp], beats: NDArray[np.intp]) -> NDArray[np.intp]:
    """Hops with short sharp sounds in any of the inputs `chosen`, none of them a beat on a drum."""
    rises = activity.rises_db[chosen].max(axis=0, initial=0.0)
    sharp = (rises >= TICK_DB) & (rises == scipy.ndimage.maximum_filter1d(rises, 5))
    for beat in beats.tolist():
        sharp[max(0, beat - 2) : beat + 3] = False
    hops = np.flatnonzero(sharp)
    frames = np.minimum(hops // activity.hops_in_frame, len(players) - 1)
    ticks: NDArray[np.intp] = hops[players[frames] == 0]
    return ticks


def _close(relative_db: NDArray[np.float64], hit_frames: NDArray[np.intp], drums: Mask) -> Mask:
    """Which hits are on a drum with a microphone of its own; `relative_db` is ``(drums, frames)``.

    Such a microphone picks up little between hits on its own drum; others pick up the whole kit.
    """
    struck = np.zeros(len(hit_frames), np.bool_)
    if len(hit_frames):
        near_db = scipy.ndimage.maximum_filter1d(relative_db, 3, axis=1)[:, hit_frames]
        for hears_db, all_db in zip(near_db, relative_db, strict=True):
            if np.median(all_db[drums]) < CLOSE_DB:
                struck |= hears_db > CLOSE_DB
    return struck


def _steady(mask: Mask, frame_s: float) -> Mask:
    """Close gaps of up to 1 s, and remove blips of under 0.3 s."""
    return opened(closed(mask, frame_s, 1.0), frame_s, 0.3)


def closed(mask: Mask, frame_s: float, gap_s: float) -> Mask:
    """Close gaps of up to `gap_s` between runs."""
    filled = mask.copy()
    runs = runs_of(mask)
    for (_, stop), (start, _) in pairwise(runs):
        if (start - stop) * frame_s <= gap_s:
            filled[stop:start] = True
    return filled


def opened(mask: Mask, frame_s: float, least_s: float) -> Mask:
    """Remove runs shorter than `least_s`."""
    kept = mask.copy()
    for start, stop in runs_of(mask):
        if (stop - start) * frame_s < least_s:
            kept[start:stop] = False
    return kept


def runs_of(mask: Mask) -> list[tuple[int, int]]:
    """Runs of True: first frame, and frame after the last."""
    edges = np.flatnonzero(np.diff(mask.astype(np.int8), prepend=0, append=0))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))
