"""Plans in words: what was done to each input and to the whole song, and why.

A summary names what matters most; papers are only named on request.
"""

from __future__ import annotations

from collections.abc import Sequence

from morningmix.model.plan import Goal, MasterPlan, Reason, SongPlan, TrackPlan
from morningmix.model.tempo import Tempo
from morningmix.report.decision_words import input_decision, song_decision
from morningmix.report.words import cited, tempo_in_words
from morningmix.units import clock

ExplainedSong = tuple[SongPlan, MasterPlan, Tempo | None]

MOST_LINES = 60
"""A summary is at most this long, to be read on one or two screens. Design choice."""
_OF_WHOLE, _OF_SONG = 5, 8
"""Lines of a summary about a song as a whole, at most, and about a song with its inputs, at least."""


def songs_in_brief(songs: Sequence[ExplainedSong], *, sources: bool) -> list[str]:
    """What matters most in every song: the whole first, then one line per input, the biggest decisions first."""
    kept = songs[: MOST_LINES // _OF_SONG]
    left = MOST_LINES - 2
    lines: list[str] = []
    for number, song in enumerate(kept):
        share = left // (len(kept) - number)
        brief = _in_brief(song, share, sources=sources)
        lines += brief
        left -= len(brief)
    if len(kept) < len(songs):
        lines.append(f"{len(songs) - len(kept)} more songs: name one with --song.")
    return lines


def _in_brief(song: ExplainedSong, most: int, *, sources: bool) -> list[str]:
    plan, *_ = song
    whole = whole_in_words(*song, sources=sources)
    lines = whole[:_OF_WHOLE]
    inputs = sorted(((_loudest(track), track) for track in plan.tracks), key=lambda each: -_weight(*each))
    room = most - len(lines)
    shown = inputs if len(inputs) <= room else inputs[: room - 1]
    for reason, track in shown:
        if reason is None:
            lines.append(f"  {track.name}: left as recorded.")
        else:
            lines.append(f"  {track.name}: {_line(input_decision(reason.what, track).says, reason, sources)}")
    if len(shown) < len(inputs):
        lines.append(f"  {len(inputs) - len(shown)} more inputs with smaller changes.")
    return lines


def _loudest(track: TrackPlan) -> Reason | None:
    return max(track.reasons, key=lambda reason: _weight(reason, track), default=None)


def _weight(reason: Reason | None, track: TrackPlan) -> float:
    """How much a decision matters, in decibels of change; faults and what is left out outweigh all levels.

    Common practice, no source.
    """
    if reason is None or (reason.what != "mute" and not track.sounds):
        return -1.0
    squeezed = 0.0 if track.compressor is None else 3.0 * (1.0 - 1.0 / track.compressor.ratio)
    return {
        "gain_step": 200.0 if track.gain_step else 0.0,
        "flip": 190.0 if track.flip else 0.0,
        "ducked_s": 180.0 if track.ducked_s else 0.0,
        "repair_s": 170.0 if track.repair_s else 0.0,
        "mute": 150.0,
        "cleaned": 20.0,
        "gain_db": abs(track.gain_db),
        "fader_db": abs(track.fader_db),
        "ride": max((abs(db) for _, db in track.ride), default=0.0),
        "peak_hz": _filtered_db(track, "peak"),
        "tone_db": _filtered_db(track, "peak"),
        "low_shelf_hz": _filtered_db(track, "low_shelf"),
        "high_shelf_hz": _filtered_db(track, "high_shelf"),
        "delay_s": 2.0 if track.delay_s else 0.0,
        "compressor": squeezed,
    }.get(reason.what, 0.0)


def _filtered_db(track: TrackPlan, kind: str) -> float:
    return max((abs(planned.gain_db) for planned in track.filters if planned.kind == kind), default=0.0)


def whole_in_words(plan: SongPlan, master: MasterPlan, tempo: Tempo | None, *, sources: bool) -> list[str]:
    """The whole song: how long and loud, tone, drums and room, then how much of what."""
    length = f"{clock(plan.end_s - plan.start_s)} long"
    played = length if tempo is None else f"{length}, {tempo_in_words(tempo)}"
    lines = [f"{plan.title}: {played}, aimed at a loudness of {master.target_lufs:.1f} LUFS."]
    room = plan.reverb.reasons if plan.reverb else ()
    trims = [reason for reason in master.trims.reasons if reason.what.startswith("trim ")]
    others = [reason for reason in master.trims.reasons if not reason.what.startswith("trim ")]
    first = [*master.reasons, *plan.reasons, *others, *room]
    trimmed = {reason.what for reason in trims}
    goals = [goal for goal in plan.goals if f"trim {goal.family}" not in trimmed]
    lines += [
        f"  {_line(song_decision(reason.what, plan, master).says, reason, sources)}" for reason in (*first, *trims)
    ]
    lines += [f"  {_line(goal.family.capitalize(), goal, sources)}" for goal in goals]
    return lines


def input_in_words(track: TrackPlan, *, sources: bool) -> list[str]:
    """One input: every decision with the measurement or the setting behind it."""
    guess = ", a guess" if track.role_is_guess else ""
    where = f"in the {track.family} stem" if track.sounds else "left out of the mix"
    lines = [f"{track.name} ({' + '.join(track.files)}): {track.role}{guess}, {where}."]
    lines += [f"  {_line(input_decision(reason.what, track).says, reason, sources)}" for reason in track.reasons]
    lines += [
        f"  {move.level_db:+.1f} dB from {clock(move.from_s)} to {clock(move.to_s)}: as the recipe says."
        for move in track.moves
    ]
    return lines


def _line(says: str, why: Reason | Goal, sources: bool) -> str:
    """A decision and its reason on one line; a terminal has no true minus sign."""
    source = f" [{cited(why.source)}]" if sources else ""
    because = why.in_full if isinstance(why, Reason) else why.because
    return f"{says}: {because}.{source}".replace("\N{MINUS SIGN}", "-")


def changes_in_words(before: SongPlan, after: SongPlan) -> list[str]:
    """What differs in a new version of a song, most telling first, without the consequences."""
    changes: list[str] = []
    former = {track.name: track for track in before.tracks}
    for track in after.tracks:
        was = former.pop(track.name, None)
        if was is None:
            changes.append(f"{track.name} is new")
            continue
        if track.sounds != was.sounds:
            changes.append(f"{track.name} is {'back in' if track.sounds else 'left out'}")
        elif track.role != was.role:
            changes.append(f"{track.name} is the {track.role}")
        elif track.sounds:
            changes += _changes_of_track(was, track)
    changes += [f"{name} is gone" for name in former]
    if (before.start_s, before.end_s) != (after.start_s, after.end_s):
        changes.append("it starts or ends somewhere else")
    if before.target_lufs != after.target_lufs:
        louder = "louder" if after.target_lufs > before.target_lufs else "softer"
        changes.append(f"the whole song is {louder} ({after.target_lufs:.1f} LUFS)")
    return changes


def _changes_of_track(was: TrackPlan, track: TrackPlan) -> list[str]:
    by_db = track.fader_db + track.gain_db - was.fader_db - was.gain_db
    changes = [f"{track.name} {by_db:+.1f} dB"] if abs(by_db) >= 0.05 else []
    if track.moves != was.moves:
        changes.append(f"{track.name} is louder or softer in one part")
    if track.pan != was.pan:
        changes.append(f"{track.name} is panned somewhere else")
    for kind, what in (("low_shelf", "lows"), ("high_shelf", "highs")):
        before_db, after_db = (sum(each.gain_db for each in plan.filters if each.kind == kind) for plan in (was, track))
        if before_db != after_db:
            by_db = after_db - before_db
            changes.append(f"{track.name} has {'more' if by_db > 0.0 else 'less'} {what} ({by_db:+.1f} dB)")
    changes += _room_changes(was, track)
    chains = [
        (
            [each for each in plan.filters if not each.is_shelf],
            plan.gate,
            plan.de_esser,
            plan.compressor,
            plan.cleaned,
            plan.flip,
        )
        for plan in (was, track)
    ]
    if chains[0] != chains[1]:
        changes.append(f"{track.name} is processed differently")
    return changes


def _room_changes(was: TrackPlan, track: TrackPlan) -> list[str]:
    """More or less room where that was asked for; all sends move together when the balance changes."""
    reasons = [next((why.because for why in plan.reasons if why.what == "send_db"), "") for plan in (was, track)]
    if was.send_db == track.send_db or reasons[0] == reasons[1]:
        return []
    if was.send_db is None or track.send_db is None:
        return [f"{track.name} {'is dry' if track.send_db is None else 'has some reverb'}"]
    by_db = track.send_db - was.send_db
    return [f"{track.name} has {'more' if by_db > 0.0 else 'less'} reverb ({by_db:+.1f} dB)"]
