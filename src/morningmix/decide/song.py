"""The plan of one song up to its families: one slice of the measurements in, numbers with reasons out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from morningmix.decide.align import decide_alignment
from morningmix.decide.balance import solve_gains
from morningmix.decide.compress import crest_factor, decide_compressor, low_share
from morningmix.decide.filters import decide_filters
from morningmix.decide.gain import match_gain
from morningmix.decide.gate import RAMP_S
from morningmix.decide.pan import decide_pans
from morningmix.decide.repair import decide_repair
from morningmix.decide.roles import plain
from morningmix.decide.space import decide_reverb, decide_send
from morningmix.facts import Input, Measurements, Recipe, RolePreset, Singing, SongWish, Sourced, Spans
from morningmix.laws.curves import gain_db as compressor_gain_db
from morningmix.laws.levels import Powers, k_powers, loud_mask, loudness_of, mask_to_spans, spans_to_mask
from morningmix.plan import FAMILIES, Cleaning, Compressor, Filter, Gate, Goal, Move, Reason, SongPlan, TrackPlan
from morningmix.units import clock, db_to_gain, powers_db

MOVE_RAMP_S = 0.3
FADE_IN_S, FADE_OUT_S = 0.05, 0.5
"""Where a song is cut out of a take: no click, and as a hand on a fader (design choice)."""
UNCLEAR_VOICE_LU = -6.0
"""A microphone in which nobody can be told to sing stays this far under what its family would get."""
_CARRIES_KIT = ("overhead", "drum kit")


@dataclass(frozen=True, slots=True)
class _Strip:
    """One input half decided."""

    one: Input
    filters: tuple[Filter, ...]
    gain_db: float
    gate: Gate | None
    compressor: Compressor | None
    plays: NDArray[np.bool_]
    clear: bool
    """Its own sound is told from bleed."""
    powers: Powers
    """K-weighted, after gain, filters, gate and compressor, before the fader."""
    reasons: tuple[Reason, ...]
    level_db: float = 0.0
    """Fader before the family's gain and before wishes."""


def decide_song(
    *,
    title: str,
    start_s: float,
    end_s: float,
    inputs: Sequence[Input],
    singing: Mapping[int, Singing | None],
    measured: Measurements,
    recipe: Recipe,
    roles: Mapping[str, RolePreset],
    song: SongWish | None = None,
    cleaning: Cleaning | None = None,
) -> SongPlan:
    """Everything up to the families. `singing` is by `Input.index`, in seconds of the take."""
    here = _cut(measured, start_s, end_s)
    take_s = measured.frames / measured.rate_hz
    inputs = [_in_song(one, here, song, roles) for one in inputs]
    sounding = [one for one in inputs if _left_out(one, here.slot_s) is None]
    strips = _strips(sounding, singing, here, start_s, end_s, recipe)
    strips = _levels_inside_families(strips)
    goals = _goals(strips, here, roles)
    family_gain = _family_gains(strips, goals, recipe.target.loudness_lufs.value)
    pans = decide_pans(sounding, here)
    by_index = {strip.one.index: strip for strip in strips}
    tracks = tuple(
        _track(by_index[one.index], family_gain, pans[one.index], goals, recipe, song, start_s, end_s)
        if one.index in by_index
        else _absent(one, here.slot_s)
        for one in inputs
    )
    return SongPlan(
        title=title,
        start_s=start_s,
        end_s=end_s,
        rate_hz=measured.rate_hz,
        tracks=tracks,
        reverb=decide_reverb() if any(track.send_db is not None for track in tracks) else None,
        target_lufs=recipe.target.loudness_lufs.value,
        ceiling_dbtp=recipe.target.ceiling_dbtp.value,
        max_limiting_db=recipe.target.max_limiting_db.value,
        goals=goals,
        cleaning=cleaning,
        fade_in_s=min(FADE_IN_S, (end_s - start_s) / 4.0) if start_s > 0.0 else 0.0,
        fade_out_s=min(FADE_OUT_S, (end_s - start_s) / 4.0) if end_s < take_s - 0.01 else 0.0,
    )


def _cut(measured: Measurements, start_s: float, end_s: float) -> Measurements:
    first, last = int(start_s / measured.slot_s), max(int(np.ceil(end_s / measured.slot_s)), 1)
    return replace(
        measured,
        frames=round((end_s - start_s) * measured.rate_hz),
        tracks=tuple(
            replace(track, bands=track.bands[:, first:last], peaks=track.peaks[first:last]) for track in measured.tracks
        ),
    )


def _in_song(one: Input, here: Measurements, song: SongWish | None, roles: Mapping[str, RolePreset]) -> Input:
    """The input as it is in this song: its slice of the measurements, and the song's own wishes for it."""
    one = replace(one, facts=here.tracks[one.index])
    wish = next((w for w in (song.inputs if song else ()) if plain(w.name) == plain(one.name)), None)
    if wish is None:
        return one
    if wish.role is not None:
        one = replace(one, role=wish.role, preset=roles[wish.role], role_is_guess=False, role_because="for this song")
    return replace(
        one,
        wish=replace(
            one.wish,
            level_db=one.wish.level_db + wish.level_db,
            pan=one.wish.pan if wish.pan is None else wish.pan,
            mute=one.wish.mute if wish.mute is None else wish.mute,
        ),
    )


def _left_out(one: Input, slot_s: float) -> Reason | None:
    if one.wish.mute:
        return Reason(what="mute", because="muted", source="recipe")
    if one.facts.silent:
        return Reason(what="mute", because="it recorded nothing", source="design choice")
    if one.facts.momentary(slot_s):
        return Reason(what="mute", because="it sounds for less than 0.4 s, a block of BS.1770", source="design choice")
    if one.preset.family == "":
        return Reason(what="mute", because=f"{one.role}: no part of a mix", source="design choice")
    return None


def _absent(one: Input, slot_s: float) -> TrackPlan:
    reason = _left_out(one, slot_s)
    return TrackPlan(
        files=one.facts.files,
        name=one.name,
        role=one.role,
        role_is_guess=one.role_is_guess,
        family="",
        reasons=(_role_reason(one), *((reason,) if reason else ())),
    )


def _role_reason(one: Input) -> Reason:
    return Reason(what="role", because=one.role_because, source=one.role_source)


def _strips(
    sounding: Sequence[Input],
    singing: Mapping[int, Singing | None],
    here: Measurements,
    start_s: float,
    end_s: float,
    recipe: Recipe,
) -> list[_Strip]:
    slots = here.tracks[0].bands.shape[1]
    names = {one.index: one.name for one in sounding}
    raw = []
    for one in sounding:
        filters, reasons = decide_filters(one, recipe.defaults, here)
        powers = k_powers(one.facts, here, filters)
        heard = singing.get(one.index)
        loud = loud_mask(powers)
        told = heard is not None and one.preset.gate_floor_db is not None
        plays = spans_to_mask(_shift(heard.sings_s, start_s, end_s), slots, here.slot_s) if heard and told else loud
        raw.append((one, filters, reasons, powers, plays, heard if told else None))
    crests = [crest_factor(one, plays) for one, _, _, _, plays, _ in raw]
    lows = [low_share(one, here) for one, *_ in raw]
    strips = []
    for (one, filters, reasons, powers, plays, heard), low in zip(raw, lows, strict=True):
        gain, why_gain = match_gain(one.facts, powers, plays)
        gate, why_gate = _gate(one, heard, start_s, end_s, recipe)
        compressor, why_compressor = (
            (None, Reason(what="compressor", because="turned off", source="recipe"))
            if (one.wish.compress or recipe.defaults.compress) == "off"
            else decide_compressor(one, gain, plays, crests, lows, low)
        )
        strips.append(
            _Strip(
                one=one,
                filters=filters,
                gain_db=gain,
                gate=gate,
                compressor=compressor,
                plays=plays,
                clear=one.preset.gate_floor_db is None or heard is not None,
                powers=_after_dynamics(one, powers, gain, gate, compressor, here.slot_s),
                reasons=(_role_reason(one), *_cleaned(one, names), why_gain, *reasons, why_gate, why_compressor),
            )
        )
    return strips


def _shift(spans: Spans, start_s: float, end_s: float) -> Spans:
    """Spans of the take as spans of the song."""
    return tuple(
        (round(max(a, start_s) - start_s, 3), round(min(b, end_s) - start_s, 3))
        for a, b in spans
        if b > start_s and a < end_s
    )


def _cleaned(one: Input, names: Mapping[int, str]) -> tuple[Reason, ...]:
    """What was done about bleed before anything else, how much of what was recorded it was, and whose."""
    if one.cleaned is None or one.recorded_bands is None:
        return ()
    left, recorded = float(one.facts.bands.sum()), float(one.recorded_bands.sum())
    share = 100.0 * max(0.0, 1.0 - left / max(recorded, 1e-20))
    how = (
        "subtracted as the other inputs predict it, what was left turned down"
        if one.cleaned.subtracted
        else "turned down"
    )
    because = f"bleed {how}; that was {share:.0f} % of what it recorded"
    whose = [f"{names[index]} ({100.0 * part:.0f} %)" for index, part in one.cleaned.heard_of if index in names][:3]
    if whose:
        because += f", most of it from {', '.join(whose)}"
    return (Reason(what="cleaned", because=because, source="Ephraim, Malah 1985; Nakatani et al. 2010"),)


def _gate(
    one: Input, heard: Singing | None, start_s: float, end_s: float, recipe: Recipe
) -> tuple[Gate | None, Reason]:
    if (one.wish.bleed or recipe.defaults.bleed) == "off":
        return None, Reason(what="gate", because="turned off", source="recipe")
    floor = one.preset.gate_floor_db
    if floor is None:
        return None, Reason(what="gate", because=f"{one.role}: never gated", source="design choice")
    if heard is None:
        return None, Reason(
            what="gate", because="its own sound cannot be told from bleed, so it stays open", source="design choice"
        )
    gate = Gate(open_s=_shift(heard.open_s, start_s, end_s), floor_db=floor.value, ramp_s=RAMP_S)
    return gate, Reason(what="gate", because=heard.because, source=floor.source)


def _after_dynamics(
    one: Input, powers: Powers, gain: float, gate: Gate | None, compressor: Compressor | None, slot_s: float
) -> Powers:
    level_db = np.full(len(powers), gain)
    if gate is not None:
        level_db += np.where(spans_to_mask(gate.open_s, len(powers), slot_s), 0.0, gate.floor_db)
    if compressor is not None:
        peaks_db = powers_db(one.facts.peaks.astype(np.float64) ** 2) + level_db
        reduction = compressor_gain_db(peaks_db, compressor.threshold_db, compressor.ratio, compressor.knee_db)
        level_db += np.maximum(reduction, -compressor.max_reduction_db)
    after: Powers = powers * 10.0 ** (level_db / 10.0)
    return after


def _levels_inside_families(strips: Sequence[_Strip]) -> list[_Strip]:
    """Faders that bring each input's own sound to its role's level; what lies between families is solved later."""
    levels: dict[int, float] = {}
    for strip in strips:
        own_lufs = loudness_of(strip.powers, strip.plays)
        wanted = strip.one.preset.level_lu
        levels[strip.one.index] = (wanted.value if wanted else -12.0) - own_lufs if own_lufs is not None else 0.0
    for strip in strips:
        if strip.clear:
            continue
        # Nobody can be told to sing here: the desk gain that the other voices get, a little lower.
        others = [s for s in strips if s.clear and s.one.preset.family == strip.one.preset.family]
        if others:
            whole = float(np.median([s.gain_db + levels[s.one.index] for s in others]))
            levels[strip.one.index] = min(whole - strip.gain_db, levels[strip.one.index]) + UNCLEAR_VOICE_LU
        else:
            levels[strip.one.index] += UNCLEAR_VOICE_LU
    return [replace(strip, level_db=levels[strip.one.index]) for strip in strips]


def _goals(strips: Sequence[_Strip], here: Measurements, roles: Mapping[str, RolePreset]) -> tuple[Goal, ...]:
    goals: list[Goal] = []
    for family in FAMILIES:
        members = [strip for strip in strips if strip.one.preset.family == family]
        if not members:
            continue
        mask, where = _where(family, members)
        level = _family_level(family, roles)
        wished = sum(strip.powers * _gain2(strip.level_db + strip.one.wish.level_db) for strip in members)
        plain_powers = sum(strip.powers * _gain2(strip.level_db) for strip in members)
        turned = 10.0 * np.log10(_mean(wished, mask) / _mean(plain_powers, mask)) if mask.any() else 0.0
        goals.append(
            Goal(
                family=family,
                level_lu=level.value if level else None,
                where_s=mask_to_spans(mask, here.slot_s),
                wishes_db=round(float(turned), 2),
                because=where if level else "fills what the others leave",
                source=level.source if level else "design choice",
            )
        )
    return tuple(goals)


def _where(family: str, members: Sequence[_Strip]) -> tuple[NDArray[np.bool_], str]:
    """Slots over which a family is judged, in words too."""
    everywhere: NDArray[np.bool_] = np.any([strip.plays for strip in members], axis=0)
    if family == "drums":
        carrying = [strip for strip in members if strip.one.role in _CARRIES_KIT]
        return (np.any([s.plays for s in carrying], axis=0) if carrying else everywhere), "where the drums play"
    if family == "vocals":
        leads = [strip for strip in members if strip.one.role == "lead vocal"]
        if leads:
            lead = np.any([strip.plays for strip in leads], axis=0)
            backing = [strip.plays for strip in members if strip not in leads]
            alone = lead & ~np.any(backing, axis=0) if backing else lead
            if np.count_nonzero(alone) >= 50:
                return alone, "where the lead sings alone"
            return lead, "where the lead sings"
        return everywhere, "where somebody sings"
    return everywhere, "where it plays"


def _family_level(family: str, roles: Mapping[str, RolePreset]) -> Sourced | None:
    role = {"vocals": "lead vocal", "drums": "drum kit", "bass": "bass"}.get(family)
    return roles[role].level_lu if role else None


def _gain2(level_db: float) -> float:
    return db_to_gain(level_db) ** 2


def _mean(powers: Powers | int, mask: NDArray[np.bool_]) -> float:
    return max(float(np.asarray(powers)[mask].mean()), 1e-12)


def _family_gains(strips: Sequence[_Strip], goals: Sequence[Goal], target_lufs: float) -> dict[str, float]:
    """Gain per family from predicted powers, as if families were independent of each other.

    All of them together are brought to the target, so that the master has little left to do.
    """
    families = [goal.family for goal in goals]
    if not strips:
        return {}
    slots = len(strips[0].powers)
    gram = np.zeros((slots, len(families), len(families)))
    for strip in strips:
        index = families.index(strip.one.preset.family)
        gram[:, index, index] += strip.powers * _gain2(strip.level_db)
    where = {family: _where(family, [s for s in strips if s.one.preset.family == family])[0] for family in families}
    solved = solve_gains(gram, families, {goal.family: goal.level_lu for goal in goals}, where)
    powers = gram.diagonal(axis1=1, axis2=2) @ np.array([_gain2(solved[family]) for family in families])
    whole_lufs = loudness_of(powers, loud_mask(powers))
    shift = target_lufs - whole_lufs if whole_lufs is not None else 0.0
    return {family: gain + shift for family, gain in solved.items()}


def _track(
    strip: _Strip,
    family_gain: Mapping[str, float],
    pan: tuple[float, Reason],
    goals: Sequence[Goal],
    recipe: Recipe,
    song: SongWish | None,
    start_s: float,
    end_s: float,
) -> TrackPlan:
    one = strip.one
    send, why_send = decide_send(one)
    flip, delay_s, why_aligned = decide_alignment(one, recipe.defaults)
    repair_s, why_repaired = decide_repair(one, recipe.defaults)
    goal = next(goal for goal in goals if goal.family == one.preset.family)
    fader = strip.level_db + family_gain[one.preset.family] + one.wish.level_db
    wanted = one.preset.level_lu
    because = f"{one.role} in {one.preset.family}; {goal.because}"
    if one.wish.level_db:
        because += f"; {one.wish.level_db:+g} dB as written"
    return TrackPlan(
        files=one.facts.files,
        name=one.name,
        role=one.role,
        role_is_guess=one.role_is_guess,
        family=one.preset.family,
        cleaned=one.cleaned is not None,
        flip=flip,
        delay_s=delay_s,
        repair_s=repair_s,
        turned=None if one.turned is None else (round(one.turned.at_s - start_s, 3), -one.turned.step_db),
        ducked_s=_shift(_ducked_s(one), start_s, end_s),
        gain_db=strip.gain_db,
        filters=strip.filters,
        gate=strip.gate,
        compressor=strip.compressor,
        fader_db=round(fader, 2),
        moves=tuple(
            Move(from_s=move.from_s, to_s=move.to_s, level_db=move.level_db, ramp_s=MOVE_RAMP_S)
            for move in (song.moves if song else ())
            if plain(move.name) == plain(one.name)
        ),
        pan=pan[0],
        send_db=send,
        reasons=(
            *strip.reasons,
            *why_aligned,
            *why_repaired,
            *_mended(one),
            Reason(what="fader_db", because=because, source=wanted.source if wanted else goal.source),
            pan[1],
            why_send,
        ),
    )


def _ducked_s(one: Input) -> Spans:
    """Pops and howls, in order; what overlaps is one."""
    spans: list[tuple[float, float]] = []
    for start, end in sorted((*one.facts.pops_s, *((howl.start_s, howl.end_s) for howl in one.facts.howls))):
        if spans and start <= spans[-1][1]:
            spans[-1] = (spans[-1][0], max(end, spans[-1][1]))
        else:
            spans.append((start, end))
    return tuple(spans)


def _mended(one: Input) -> tuple[Reason, ...]:
    """What is made up for, and why."""
    reasons = []
    if one.turned is not None:
        reasons.append(
            Reason(
                what="turned",
                because=f"its gain was turned by {one.turned.step_db:+.1f} dB at {clock(one.turned.at_s)}; "
                "the rest of the take is brought back",
                source="design choice",
            )
        )
    counts = ((len(one.facts.pops_s), "pop"), (len(one.facts.howls), "howl"))
    ducked = [f"{count} {what}{'s' if count > 1 else ''}" for count, what in counts if count]
    if ducked:
        reasons.append(
            Reason(what="ducked_s", because=f"{' and '.join(ducked)} turned down by 20 dB", source="design choice")
        )
    return tuple(reasons)
