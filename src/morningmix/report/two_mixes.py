"""What a band hears between two mixes of a song, in words: tempo, length, how loud each player is, what moves."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from morningmix.model.names import plain
from morningmix.model.plan import SongPlan, TrackPlan
from morningmix.model.tempo import Tempo
from morningmix.report.decision_words import decibels
from morningmix.report.words import LEAST_DRIFT_BPM, minutes

HEARD_LU = 1.0
"""About the just noticeable difference (AES TD1008.1.21-9, 2021)."""
_SAME_BEAT = 1.25
"""Tempi of a song that are further apart than this count different beats: half, double, threes (design choice)."""
_LEAST_LENGTH_S = 2.0
"""Less may be where the cut lies (design choice)."""
_MOST_OF_DRIFT = 0.7
"""Part of a drift that has a place, where it comes within two stretches of the tempo's curve (design choice)."""
_PLURAL = ("drums", "guitars", "keys", "vocals", "horns", "strings", "extras")


@dataclass(frozen=True, slots=True, kw_only=True)
class Played:
    """One mix of a song, as far as two of them are compared."""

    plan: SongPlan
    tempo: Tempo | None
    seconds: float
    balance_lu: Mapping[str, float]
    """Measured loudness of each family re the mix, as far as it was measured."""
    levels_lu: Sequence[float | None] | None
    """Loudness of each of the plan's tracks re the mix while it plays; None if the recall sheet holds none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlayerLevel:
    """How loud a player is in two mixes, re the whole of each."""

    who: str
    before_lu: float
    after_lu: float
    of_family: bool
    """Whether that is a whole family."""

    @property
    def by_lu(self) -> float:
        """How much louder in the second."""
        return round(self.after_lu - self.before_lu, 2)


def time_in_words(before: Played, after: Played, than: str) -> str:
    """Differences in tempo and length, as a sentence without its full stop; "" where there are none."""
    parts = [_tempo_in_words(before.tempo, after.tempo, than), _length_in_words(after.seconds - before.seconds, than)]
    said = [part for part in parts if part]
    if len(said) > 1 and than in said[0]:
        said[1] = said[1].removesuffix(f" {than}")
    return "; ".join(said)


def same_beat(before: Tempo | None, after: Tempo | None) -> bool:
    """Whether two tempi are known, beyond doubt, and count the same beats."""
    if before is None or after is None or before.is_doubtful or after.is_doubtful:
        return False
    return _near(before, after)


def _near(before: Tempo, after: Tempo) -> bool:
    return 1.0 / _SAME_BEAT <= after.tempo_bpm / before.tempo_bpm <= _SAME_BEAT


def _tempo_in_words(before: Tempo | None, after: Tempo | None, than: str) -> str:
    if after is None:
        return ""
    known = before if before is not None and _near(before, after) else None
    # A song at half or double the tempo is faster by the same percentage.
    in_doubt = after.is_doubtful or (known is not None and known.is_doubtful)
    unit = " %" if in_doubt else " BPM"

    def size(bpm: float, of: Tempo) -> int:
        return round(100.0 * bpm / of.tempo_bpm if in_doubt else bpm)

    parts = []
    by = 0 if known is None else size(after.tempo_bpm - known.tempo_bpm, known)
    if abs(by) >= LEAST_DRIFT_BPM:
        parts.append(f"{abs(by)}{unit} {_faster(by)} {than}")
    drift = size(after.drift_bpm, after)
    if abs(drift) >= LEAST_DRIFT_BPM:
        of_drift = "" if parts and not in_doubt else unit
        parts.append(f"{abs(drift)}{of_drift} {_faster(drift)} at the end than at the start{_where(after)}")
    elif known is not None and abs(then := size(known.drift_bpm, known)) >= LEAST_DRIFT_BPM:
        parts.append(f"steadier {than}, when the end was {abs(then)}{unit} {_faster(then)} than the start")
    return ", and ".join(parts)


def _faster(by: float) -> str:
    return "faster" if by > 0 else "slower"


def _where(tempo: Tempo) -> str:
    """Where most of a drift comes, if that is one place."""
    # The last stretch may be as short as a beat.
    curve = tempo.curve_bpm[:-1]
    whole = tempo.drift_bpm
    if len(curve) < 6:
        return ""
    # A leap within a stretch of the curve is two steps.
    steps = [
        ((after - before) / whole, (before_s + after_s) / 2.0)
        for (before_s, before), (after_s, after) in pairwise(curve)
    ]
    (first, first_s), (second, second_s) = max(pairwise(steps), key=lambda pair: pair[0][0] + pair[1][0])
    if first + second < _MOST_OF_DRIFT:
        return ""
    return f", most of it around {minutes((first * first_s + second * second_s) / (first + second))}"


def _length_in_words(by_s: float, than: str) -> str:
    if abs(by_s) < _LEAST_LENGTH_S:
        return ""
    length = f"{abs(by_s):.0f} s" if abs(by_s) < 59.5 else minutes(abs(by_s))
    return f"{length} {'longer' if by_s > 0 else 'shorter'} {than}"


def left_out_in_words(gaps: Sequence[tuple[int, int]], beats_s: Sequence[float], of_beats: int) -> str:
    """What a song leaves out, as a sentence without its full stop; "" for nothing.

    `gaps` are beats of the time before, first and after the last, `beats_s` its beats in seconds.
    """
    parts = []
    for first, last in gaps:
        from_s, to_s = minutes(beats_s[first]), minutes(beats_s[last])
        if first == 0:
            parts.append(f"its beginning, up to {to_s} of the time before")
        elif last >= of_beats:
            parts.append(f"its end, from {from_s} of the time before")
        else:
            parts.append(f"the part from {from_s} to {to_s} of the time before")
    return f"without {' and without '.join(parts)}" if parts else ""


def levels(before: Played, after: Played) -> list[PlayerLevel]:
    """How loud each player is in both mixes, the largest difference first; only those who are in both.

    A player who is a whole family is measured in its stem; of the others the recall sheets tell.
    """
    players = _players(before) & _players(after)
    befores, afters = _parts(before, players), _parts(after, players)
    found = []
    for key, mine in afters.items():
        family = key[0]
        alone = all(sum(of == family for of, _ in parts) == 1 for parts in (befores, afters))
        other = next((part for (of, _), part in befores.items() if of == family), None) if alone else befores.get(key)
        if other is None:
            continue
        measured = alone and other.in_stem_lu is not None and mine.in_stem_lu is not None
        then, now = (part.in_stem_lu if measured else part.in_mix_lu for part in (other, mine))
        if then is not None and now is not None:
            found.append(PlayerLevel(who=mine.who, before_lu=then, after_lu=now, of_family=alone))
    return sorted(found, key=lambda level: -abs(level.by_lu))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Part:
    """Tracks of a family that count as one."""

    who: str
    in_stem_lu: float | None
    in_mix_lu: float | None


def _players(played: Played) -> set[str]:
    return {plain(track.player) for track in played.plan.tracks if track.sounds and track.player}


def _parts(played: Played, players: set[str]) -> dict[tuple[str, str], _Part]:
    """What each family of a mix is made of: players, else inputs; drums of nobody in particular count as one."""
    groups: dict[tuple[str, str], list[tuple[TrackPlan, float | None]]] = {}
    levels_lu = played.levels_lu or (None,) * len(played.plan.tracks)
    for track, level_lu in zip(played.plan.tracks, levels_lu, strict=True):
        if track.sounds:
            groups.setdefault(_key(track, players), []).append((track, level_lu))
    families = [family for family, _ in groups]
    parts = {}
    for (family, key), group in groups.items():
        powers = [10.0 ** (level_lu / 10.0) for _, level_lu in group if level_lu is not None]
        parts[family, key] = _Part(
            who=_who([track for track, _ in group], players, alone=families.count(family) == 1),
            in_stem_lu=played.balance_lu.get(family),
            in_mix_lu=10.0 * float(np.log10(sum(powers))) if powers else None,
        )
    return parts


def _key(track: TrackPlan, players: set[str]) -> tuple[str, str]:
    player = plain(track.player or "")
    if player in players:
        return track.family, f"player {player}"
    return track.family, "" if track.family == "drums" else f"input {plain(track.name)}"


def _who(tracks: Sequence[TrackPlan], players: set[str], *, alone: bool) -> str:
    first, roles = tracks[0], {track.role for track in tracks}
    what = first.role if len(roles) == 1 else first.family
    if first.player and plain(first.player) in players:
        return f"{first.player}'s {what}"
    return f"the {what}" if alone or len(tracks) > 1 else first.name


def levels_in_words(found: Sequence[PlayerLevel], than: str) -> str:
    """Who is louder or softer, as a sentence without its full stop; "" where nobody hears a difference."""
    parts: list[str] = []
    for level in found:
        if abs(level.by_lu) > HEARD_LU:
            verb = "" if parts else " are" if level.who.split()[-1] in _PLURAL else " is"
            how = f"{abs(level.by_lu):.0f} dB {'louder' if level.by_lu > 0 else 'softer'}"
            parts.append(f"{level.who}{verb} {how}{'' if parts else f' {than}'}")
    return ", ".join(parts)


def moves_in_words(before: SongPlan, after: SongPlan) -> tuple[str, ...]:
    """Inputs that are turned in other stretches of the song, or by other amounts."""
    others = {plain(track.name): track for track in before.tracks}
    changes = []
    for track in after.tracks:
        other = others.get(plain(track.name))
        was, now = _moves(other), _moves(track)
        if was != now and other is not None:
            changes.append(f"{track.name}: {was or 'none'}, then {now or 'none'}")
    return tuple(changes)


def _moves(track: TrackPlan | None) -> str:
    moves = () if track is None else track.moves
    return " and ".join(
        f"{decibels(move.level_db)} from {minutes(move.from_s)} to {minutes(move.to_s)}" for move in moves
    )
