"""The plan of one song up to its families: one slice of the measurements in, numbers with reasons out.

What the whole take shares comes from `decide.take_setup`; a song only moves faders.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from morningmix.decide.align import decide_alignment
from morningmix.decide.asked import added_db, asked
from morningmix.decide.cleaning import cleaning_of
from morningmix.decide.cymbals import without_crashes
from morningmix.decide.declip import decide_repair
from morningmix.decide.family_levels import Strip, own_level_db, set_goals, solve_families, whole_lufs
from morningmix.decide.gate import decide_gate
from morningmix.decide.pan import lows_in_the_middle
from morningmix.decide.reverb import decide_reverb, decide_send, room_offset_db
from morningmix.decide.ride import Points, Voice, decide_rides
from morningmix.decide.take_setup import Evidence, Setups, as_filtered, dynamics_db, in_song, left_out, slots_of
from morningmix.decide.wishes import as_wished, decide_shelves
from morningmix.laws.grid import on_grid
from morningmix.laws.track_power import Powers, k_powers, plays_over, spans_to_mask, spans_within, sung_mask
from morningmix.model.input import Input
from morningmix.model.measured import Measurements, Singing, Spans, TrackFacts
from morningmix.model.plan import Goal, Move, Reason, SongPlan, TrackPlan
from morningmix.model.recipe import SongWish
from morningmix.units import clock

MOVE_RAMP_S = 0.3
FADE_IN_S, FADE_OUT_S = 0.05, 0.5
"""Fades where a song is cut out of a take: against clicks, and as an engineer would pull the fader (design choice)."""
LEVEL_RANGE_DB, FAMILY_RANGE_DB = 3.0, 6.0
"""How far a song moves an input within its family, and a family, from their resting faders (design choice)."""


def decide_song(take: Evidence, setups: Setups, song: SongWish) -> SongPlan:
    """The plan of one song up to its families, on the set-up of the whole take."""
    measured, target = take.measured, take.target
    start_s, end_s = song.start_s, song.end_s
    here = _cut(measured, start_s, end_s)
    take_s = measured.frames / measured.rate_hz
    inputs = [in_song(input_, here, song, take) for input_ in take.inputs]
    sounding = [input_ for input_ in inputs if left_out(input_, here.slot_s) is None]
    drums = tuple(input_.facts for input_ in sounding if input_.preset.family == "drums")
    strips = [_strip(input_, setups, take.singing.get(input_.index), here, song, drums) for input_ in sounding]
    goals = set_goals(strips, here.slot_s, take.roles)
    gains_db = _near_take(solve_families(strips, goals), setups.family_gains_db)
    loud_lufs = whole_lufs(strips, gains_db, here.slot_s)
    room_db = _room_db(strips, gains_db)
    goals = set_goals([as_wished(strip, here, room_db) for strip in strips], here.slot_s, take.roles)
    balance = _Balance(
        goals={goal.family: goal for goal in goals},
        gains_db=gains_db,
        to_target_db=target.loudness_lufs.value - loud_lufs if loud_lufs is not None else 0.0,
        room_db=room_db,
        rides=_rides(strips, gains_db, here.slot_s),
        names={input_.index: input_.name for input_ in sounding},
    )
    by_index = {strip.input.index: strip for strip in strips}
    mono_below_hz, why_mono = lows_in_the_middle()
    tracks = tuple(
        _track(by_index[input_.index], balance, take, setups, song)
        if input_.index in by_index
        else _absent(input_, here.slot_s)
        for input_ in inputs
    )
    plan = SongPlan(
        title=song.title,
        start_s=start_s,
        end_s=end_s,
        rate_hz=measured.rate_hz,
        tracks=tracks,
        reverb=decide_reverb() if any(track.send_db is not None for track in tracks) else None,
        target_lufs=target.loudness_lufs.value,
        ceiling_dbtp=target.ceiling_dbtp.value,
        max_limiting_db=target.max_limiting_db.value,
        played_lufs=_played_lufs(strips, setups, here.slot_s),
        mono_below_hz=mono_below_hz,
        reasons=(why_mono,),
        goals=goals,
        cleaning=cleaning_of(take.cleaning, start_s, end_s, take_s),
        fade_in_s=min(FADE_IN_S, (end_s - start_s) / 4.0) if start_s > 0.0 else 0.0,
        fade_out_s=min(FADE_OUT_S, (end_s - start_s) / 4.0) if end_s < take_s - 0.01 else 0.0,
    )
    return on_grid(plan)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Balance:
    """Levels of a song's inputs relative to each other."""

    goals: Mapping[str, Goal]
    """By family."""
    gains_db: Mapping[str, float]
    """By family, before the gain that brings the mix to its target."""
    to_target_db: float
    room_db: float
    """Change of all sends."""
    rides: Mapping[int, tuple[Points, Reason]]
    """By `Input.index`."""
    names: Mapping[int, str]
    """Of the inputs that take part."""


def _cut(measured: Measurements, start_s: float, end_s: float) -> Measurements:
    first, last = slots_of(start_s, end_s, measured.slot_s)
    return replace(
        measured,
        frames=round((end_s - start_s) * measured.rate_hz),
        tracks=tuple(replace(track, slots=track.slots.only(slice(first, last))) for track in measured.tracks),
    )


def _strip(
    input_: Input,
    setups: Setups,
    singing: Singing | None,
    here: Measurements,
    song: SongWish,
    drums: Sequence[TrackFacts],
) -> Strip:
    setup = setups.of[input_.index, input_.role]
    powers = k_powers(input_.facts, here, setup.filters)
    sings = singing if input_.preset.cleaned else None
    opened = (
        None
        if sings is None
        else spans_to_mask(spans_within(sings.open_s, song.start_s, song.end_s), here.slots, here.slot_s)
    )
    plays = (
        plays_over(powers, setup.plays_above, here.slot_s)
        if sings is None
        else sung_mask(spans_within(sings.sings_s, song.start_s, song.end_s), here.slots, here.slot_s)
    )
    curve_db = dynamics_db(as_filtered(input_, here, setup.filters), setup, opened)
    strip = Strip(
        input=input_,
        gain_db=setup.gain_db,
        plays=plays,
        judged=plays if sings is None else without_crashes(drums, plays, here),
        clear=setup.clear,
        powers=powers * 10.0 ** (curve_db / 10.0),
        filters=setup.filters,
        dynamics_db=curve_db,
    )
    level_db = own_level_db(strip) if setup.clear else None
    if level_db is None:
        return replace(strip, level_db=setup.level_db)
    return replace(strip, level_db=_within(level_db, setup.level_db, LEVEL_RANGE_DB))


def _at_fader(strip: Strip, gains_db: Mapping[str, float]) -> Powers:
    powers: Powers = strip.powers * 10.0 ** ((strip.level_db + gains_db[strip.input.preset.family]) / 10.0)
    return powers


def _room_db(strips: Sequence[Strip], gains_db: Mapping[str, float]) -> float:
    """Change of all sends that brings the reverb to its level."""
    sent, dry = 0.0, 0.0
    for strip in strips:
        power = float(_at_fader(strip, gains_db).mean())
        dry += power
        if strip.input.preset.send_lu is not None:
            sent += power * 10.0 ** (strip.input.preset.send_lu.value / 10.0)
    return room_offset_db(sent, dry)


def _rides(
    strips: Sequence[Strip], gains_db: Mapping[str, float], slot_s: float
) -> Mapping[int, tuple[Points, Reason]]:
    """Rides of the vocals whose direct sound can be told from bleed."""
    voices = {
        strip.input.index: Voice(
            powers=_at_fader(strip, gains_db),
            sings=strip.plays,
            leads=strip.input.role == "lead vocal",
            level_lu=strip.input.preset.level_lu.value if strip.input.preset.level_lu else 0.0,
        )
        for strip in strips
        if strip.input.preset.family == "vocals" and strip.clear
    }
    if not voices:
        return {}
    return decide_rides(voices, np.sum([_at_fader(strip, gains_db) for strip in strips], axis=0), slot_s)


def _within(value: float, centre: float, range_db: float) -> float:
    return min(max(value, centre - range_db), centre + range_db)


def _near_take(gains_db: Mapping[str, float], take_db: Mapping[str, float]) -> dict[str, float]:
    """Family gains, each held to its range around where the family rests in the take."""
    if not gains_db:
        return {}
    usual = float(np.median([gain - take_db[family] for family, gain in gains_db.items()]))
    return {family: _within(gain, take_db[family] + usual, FAMILY_RANGE_DB) for family, gain in gains_db.items()}


def _played_lufs(strips: Sequence[Strip], setups: Setups, slot_s: float) -> float | None:
    """Loudness of the song with all faders at their resting levels in the take."""
    resting = [replace(strip, level_db=setups.of[strip.input.index, strip.input.role].level_db) for strip in strips]
    return whole_lufs(resting, setups.family_gains_db, slot_s)


def _absent(input_: Input, slot_s: float) -> TrackPlan:
    reason = left_out(input_, slot_s)
    return TrackPlan(
        files=input_.facts.files,
        name=input_.name,
        role=input_.role,
        role_is_guess=input_.role_is_guess,
        family="",
        reasons=(_role_reason(input_), *((reason,) if reason else ())),
    )


def _role_reason(input_: Input) -> Reason:
    return Reason(what="role", because=input_.role_because, source=input_.role_source, place=input_.role_place)


def _cleaned(input_: Input, names: Mapping[int, str]) -> tuple[Reason, ...]:
    """How bleed was removed, how much of the recording it was, and where it came from."""
    if input_.cleaned is None or input_.recorded is None:
        return ()
    left, recorded = (float(each.powers.sum(dtype=np.float64)) for each in (input_.facts.slots, input_.recorded))
    share = 100.0 * max(0.0, 1.0 - left / max(recorded, 1e-20))
    how = "predicted from the other inputs and subtracted" if input_.cleaned.subtracted else ""
    if input_.preset.cleaned:
        how = f"{how}, the rest turned down" if how else "turned down"
    because = f"{how}; it was {share:.0f} % of the recording"
    whose = [
        f"{names[index]} ({100.0 * part:.0f} %)" for index, part in input_.cleaned.bleed_sources if index in names
    ][:3]
    if whose:
        because += f", most of it from {', '.join(whose)}"
    return (
        Reason(
            what="cleaned",
            because=because,
            source="Nakatani et al. 2010; Ephraim, Malah 1985" if input_.preset.cleaned else "Nakatani et al. 2010",
        ),
    )


def _track(strip: Strip, balance: _Balance, take: Evidence, setups: Setups, song: SongWish) -> TrackPlan:
    input_ = strip.input
    setup = setups.of[input_.index, input_.role]
    start_s, end_s = song.start_s, song.end_s
    gate, why_gate = decide_gate(input_, take.singing.get(input_.index), start_s, end_s)
    shelves, why_shelves = decide_shelves(input_, take.measured.rate_hz)
    send, why_send = decide_send(input_, balance.room_db)
    flip, delay_s, why_aligned = decide_alignment(input_)
    repair_s, why_repaired = decide_repair(input_)
    ride, why_ride = balance.rides.get(input_.index, ((), None))
    pan, why_pan = (
        setups.pans[input_.index]
        if input_.wish.pan is None
        else (input_.wish.pan, asked(input_.wish, "pan").reason("pan"))
    )
    goal = balance.goals[input_.preset.family]
    family_gain_db = balance.gains_db[input_.preset.family] + balance.to_target_db
    fader = strip.level_db + family_gain_db + input_.wish.level_db
    wanted = input_.preset.level_lu
    because = f"its place in the {input_.preset.family} stem; {goal.because}"
    level = added_db(input_.wish, "level_db")
    if level.says:
        because += f"; {level.says}"
    return TrackPlan(
        files=input_.facts.files,
        name=input_.name,
        role=input_.role,
        role_is_guess=input_.role_is_guess,
        family=input_.preset.family,
        player=input_.wish.player,
        cleaned=input_.cleaned is not None,
        flip=flip,
        delay_s=delay_s,
        repair_s=repair_s,
        gain_step=None
        if input_.gain_step is None
        else (round(input_.gain_step.at_s - start_s, 3), -input_.gain_step.step_db),
        ducked_s=spans_within(_ducked_s(input_), start_s, end_s),
        gain_db=setup.gain_db,
        filters=(*setup.filters, *shelves),
        gate=gate,
        de_esser=setup.de_esser,
        compressor=setup.compressor,
        fader_db=fader,
        moves=tuple(
            Move(from_s=move.from_s, to_s=move.to_s, level_db=move.level_db, ramp_s=MOVE_RAMP_S)
            for move in song.moves
            if input_.is_called(move.name)
        ),
        ride=ride,
        pan=pan,
        send_db=send,
        reasons=(
            _role_reason(input_),
            *_cleaned(input_, balance.names),
            setup.why_gain,
            *setup.why_filters,
            why_gate,
            *setup.why_de_esser,
            setup.why_compressor,
            *why_shelves,
            *why_aligned,
            *why_repaired,
            *_mended(input_),
            Reason(
                what="fader_db",
                because=because,
                source=wanted.source if wanted else goal.source,
                place=level.place,
            ),
            *((why_ride,) if why_ride else ()),
            why_pan,
            why_send,
        ),
    )


def _ducked_s(input_: Input) -> Spans:
    """Spans of pops and feedback, in order; those that overlap are joined."""
    spans: list[tuple[float, float]] = []
    for start, end in sorted((*input_.facts.pops_s, *((tone.start_s, tone.end_s) for tone in input_.facts.feedback))):
        if spans and start <= spans[-1][1]:
            spans[-1] = (spans[-1][0], max(end, spans[-1][1]))
        else:
            spans.append((start, end))
    return tuple(spans)


def _mended(input_: Input) -> tuple[Reason, ...]:
    """Faults of the recording that are corrected, and why."""
    reasons = []
    if input_.gain_step is not None:
        at_s, step_db = input_.gain_step.at_s, input_.gain_step.step_db
        because = f"somebody turned its gain by {step_db:+.1f} dB at {clock(at_s)}"
        reasons.append(Reason(what="gain_step", because=because, source="design choice"))
    counts = ((len(input_.facts.pops_s), "pop"), (len(input_.facts.feedback), "feedback tone"))
    ducked = [f"{count} {what}{'s' if count > 1 else ''}" for count, what in counts if count]
    if ducked:
        reasons.append(
            Reason(what="ducked_s", because=f"{' and '.join(ducked)}, turned down by 20 dB", source="design choice")
        )
    return tuple(reasons)
