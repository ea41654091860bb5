"""What is set up once for a whole take: filters, gain, compressor, pan and resting faders.

All songs then sound as if one person had set up the desk for the evening. An input that changes roles between songs,
because singers swap, is set up once for each role, from what it plays there.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from morningmix.decide.align import LEAST_CORRELATION
from morningmix.decide.asked import asked
from morningmix.decide.bass_pair import line_and_microphone
from morningmix.decide.compress import crest_factor, decide_compressor, low_share
from morningmix.decide.cymbals import cymbals_rest, without_crashes
from morningmix.decide.de_ess import decide_de_esser
from morningmix.decide.family_levels import Strip, set_goals, solve_families, with_levels
from morningmix.decide.filters import decide_filters
from morningmix.decide.gain import match_gain
from morningmix.decide.gate import gated
from morningmix.decide.pan import decide_pans
from morningmix.decide.spectral_balance import WHY, balance_octaves
from morningmix.decide.tone import Cut, room_for
from morningmix.decide.wishes import with_added
from morningmix.laws.curves import gain_db as compressor_gain_db
from morningmix.laws.grid import on_grid
from morningmix.laws.track_power import (
    Powers,
    filtered,
    k_powers,
    loud_above,
    momentary,
    plays_over,
    spans_to_mask,
    sung_mask,
)
from morningmix.model.input import Input
from morningmix.model.measured import Measurements, Singing, TrackFacts
from morningmix.model.names import with_article
from morningmix.model.plan import Cleaning, Compressor, DeEsser, Filter, Reason
from morningmix.model.presets import RolePreset, TargetPreset
from morningmix.model.recipe import FamilyWish, SongWish
from morningmix.units import powers_db

Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """Everything that a take's songs are decided from."""

    inputs: tuple[Input, ...]
    singing: Mapping[int, Singing | None]
    """By `Input.index`, in seconds of the take."""
    measured: Measurements
    target: TargetPreset
    roles: Mapping[str, RolePreset]
    cleaning: Cleaning | None = None
    families: tuple[FamilyWish, ...] = ()
    """Settings of families for all songs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """One input in one role."""

    filters: tuple[Filter, ...]
    gain_db: float
    de_esser: DeEsser | None
    compressor: Compressor | None
    gate_floor_db: float | None
    plays_above: float
    """K-weighted `momentary` power after the filters, above which an input plays whose bleed is not modelled."""
    clear: bool
    """Its direct sound can be told from bleed."""
    why_gain: Reason
    why_filters: tuple[Reason, ...]
    why_de_esser: tuple[Reason, ...]
    why_compressor: Reason
    level_db: float = 0.0
    """Resting fader, before the family's gain and the recipe's settings."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Setups:
    """Everything that is set up for a take."""

    of: Mapping[tuple[int, str], Setup]
    """By `Input.index` and role."""
    pans: Mapping[int, tuple[float, Reason]]
    family_gains_db: Mapping[str, float]
    """Resting faders of the families; only their differences count."""


def set_up(take: Evidence, songs: Sequence[SongWish]) -> Setups:
    """What all songs of a take share, decided from all of them together."""
    measured = take.measured
    in_songs = [_slots_mask(song, measured.slots, measured.slot_s) for song in songs]
    used = np.any(in_songs, axis=0) if in_songs else np.zeros(measured.slots, np.bool_)
    here = replace(
        measured,
        tracks=tuple(replace(track, slots=track.slots.only(used)) for track in measured.tracks),
    )
    takes_part: dict[tuple[int, str], tuple[Input, Mask]] = {}
    for song, inside in zip(songs, in_songs, strict=True):
        for each in take.inputs:
            input_ = in_song(each, here, song, take)
            if left_out(input_, here.slot_s) is None:
                _, before = takes_part.get((input_.index, input_.role), (input_, np.zeros_like(inside)))
                takes_part[input_.index, input_.role] = input_, before | inside
    muted = {key: ~mask[used] for key, (_, mask) in takes_part.items()}
    sounding = {key: _only(input_, muted[key]) for key, (input_, _) in takes_part.items()}
    line_too = _line_too(sounding.values())
    drums = tuple(input_.facts for input_ in sounding.values() if input_.preset.family == "drums")
    stretch = _Stretch(used=used, here=here, drums=drums)
    played = {
        key: _played(input_, take.singing.get(input_.index), stretch, ~muted[key], line_too.get(input_.index))
        for key, input_ in sounding.items()
    }
    crests = [crest_factor(input_, played[key].plays) for key, input_ in sounding.items()]
    lows = [low_share(input_, here) for input_ in sounding.values()]
    setups: dict[tuple[int, str], Setup] = {}
    strips = []
    for place, (key, input_) in enumerate(sounding.items()):
        features = _Features(crests=crests, lows=lows, low=lows[place])
        setups[key] = _setup(input_, played[key], stretch, features)
        curve_db = dynamics_db(played[key].filtered, setups[key], played[key].opened)
        strips.append(
            Strip(
                input=input_,
                gain_db=setups[key].gain_db,
                plays=played[key].plays,
                judged=played[key].judged,
                clear=setups[key].clear,
                powers=played[key].powers * 10.0 ** (curve_db / 10.0),
                filters=setups[key].filters,
                dynamics_db=curve_db,
            )
        )
    strips = with_levels(strips)
    gains_db = solve_families(strips, set_goals(strips, here.slot_s, take.roles))
    cuts = _cuts(strips, gains_db, here)
    tones = _tones(strips, cuts, gains_db, here)
    return Setups(
        of={
            key: replace(
                setup,
                level_db=strip.level_db,
                filters=(*setup.filters, *(planned for planned, _ in (*cut, *tone))),
                why_filters=(*setup.why_filters, *(why for _, why in (*cut, *tone[:1]))),
            )
            for (key, setup), strip, cut, tone in zip(setups.items(), strips, cuts, tones, strict=True)
        },
        pans=decide_pans(_standing(sounding), here),
        family_gains_db=gains_db,
    )


def _cuts(strips: Sequence[Strip], gains_db: Mapping[str, float], here: Measurements) -> list[tuple[Cut, ...]]:
    """Cuts per strip that make room: in guitars and keys for the lead vocal, in the bass for the kick."""

    def at_db(strip: Strip) -> float:
        return strip.level_db + gains_db[strip.input.preset.family]

    def first(role: str) -> Strip | None:
        found = [strip for strip in strips if strip.input.role == role and strip.clear]
        return max(found, key=lambda strip: np.count_nonzero(strip.plays)) if found else None

    lead, kick = first("lead vocal"), first("kick")
    cuts: list[tuple[Cut, ...]] = []
    for strip in strips:
        masked = (
            lead if strip.input.preset.family in ("guitars", "keys") else kick if strip.input.role == "bass" else None
        )
        cut = None
        if masked is not None and strip.input.wish.eq != "off":
            cut = room_for(masked, strip, here, (at_db(masked), at_db(strip)))
        cuts.append((cut,) if cut else ())
    return cuts


def _tones(
    strips: Sequence[Strip], cuts: Sequence[tuple[Cut, ...]], gains_db: Mapping[str, float], here: Measurements
) -> list[tuple[Cut, ...]]:
    """Filters per strip that bring the whole closer to the spectrum of records."""
    at_faders = [
        (
            replace(strip, filters=(*strip.filters, *(planned for planned, _ in cut))),
            strip.level_db + gains_db[strip.input.preset.family],
        )
        for strip, cut in zip(strips, cuts, strict=True)
    ]
    moves = balance_octaves(at_faders, here)
    return [
        () if strip.input.wish.eq == "off" else tuple((each, WHY) for each in moves.get(strip.input.preset.family, ()))
        for strip in strips
    ]


def _standing(sounding: Mapping[tuple[int, str], Input]) -> list[Input]:
    """Each input once; a vocal that leads in any song is panned as a lead in all."""
    chosen: dict[int, Input] = {}
    for (index, role), input_ in sounding.items():
        if index not in chosen or role == "lead vocal":
            chosen[index] = input_
    return [chosen[index] for index in sorted(chosen)]


def slots_of(start_s: float, end_s: float, slot_s: float) -> tuple[int, int]:
    """First slot of a stretch and the one after its last."""
    return int(start_s / slot_s), max(int(np.ceil(end_s / slot_s)), 1)


def _slots_mask(song: SongWish, slots: int, slot_s: float) -> Mask:
    mask = np.zeros(slots, np.bool_)
    first, last = slots_of(song.start_s, song.end_s, slot_s)
    mask[first:last] = True
    return mask


def _only(input_: Input, muted: Mask) -> Input:
    """The input with its statistics zeroed where it takes no part."""
    return replace(input_, facts=replace(input_.facts, slots=input_.facts.slots.scaled((~muted).astype(np.float32))))


def in_song(input_: Input, here: Measurements, song: SongWish, take: Evidence) -> Input:
    """The input in one song: that slice of the measurements, with the song's own settings and those of its family."""
    input_ = replace(input_, facts=here.tracks[input_.index])
    own = [wish for wish in song.inputs if input_.is_called(wish.name)]
    for wish in own:
        if wish.role is not None:
            preset = take.roles[wish.role]
            input_ = replace(
                input_,
                role=wish.role,
                preset=preset,
                role_is_guess=False,
                role_because="for this song",
                role_place=None,
            )
        own_settings = {key: value for key in ("pan", "mute") if (value := getattr(wish, key)) is not None}
        usual = tuple(one for one in input_.wish.usual if one.key not in own_settings)
        input_ = replace(input_, wish=replace(input_.wish, **own_settings, usual=usual))
    of_family = [wish for wish in (*take.families, *song.families) if wish.name == input_.preset.family]
    return with_added(input_, [*own, *of_family])


def left_out(input_: Input, slot_s: float) -> Reason | None:
    """Why an input takes no part; None if it does."""
    if input_.wish.mute:
        return asked(input_.wish, "mute", "muted").reason("mute")
    if input_.facts.silent:
        return Reason(what="mute", because="it recorded nothing", source="design choice")
    if input_.only_bleed:
        return Reason(what="mute", because="it recorded only the other inputs", source="design choice")
    if input_.facts.momentary(slot_s):
        return Reason(what="mute", because="it plays for less than 0.4 s", source="design choice")
    if input_.preset.family == "":
        return Reason(
            what="mute", because=f"{with_article(input_.role)} does not belong in a mix", source="design choice"
        )
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stretch:
    """What a take is set up from: everything that lies in any of its songs."""

    used: Mask
    """Whether each slot of the take lies in a song."""
    here: Measurements
    """Those slots alone."""
    drums: tuple[TrackFacts, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Features:
    """What a compressor is decided from: one input relative to all that take part."""

    crests: Sequence[float]
    lows: Sequence[float]
    low: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Played:
    """An input of which only the filters are decided."""

    filters: tuple[Filter, ...]
    why_filters: tuple[Reason, ...]
    filtered: Input
    """The input as its compressor hears it."""
    powers: Powers
    plays: Mask
    judged: Mask
    """Where its level is judged."""
    plays_above: float
    opened: Mask | None
    """Where its gate is open; None without one."""
    clear: bool


def _played(
    input_: Input, singing: Singing | None, stretch: _Stretch, takes_part: Mask, line_too: str | None
) -> _Played:
    here, used = stretch.here, stretch.used
    decided, why_filters = decide_filters(input_, here, line_too=line_too)
    filters = tuple(on_grid(each) for each in decided)
    powers = k_powers(input_.facts, here, filters)
    above = loud_above(momentary(powers, here.slot_s))
    sings = singing if input_.preset.cleaned else None
    plays = (
        plays_over(powers, above, here.slot_s)
        if sings is None
        else sung_mask(sings.sings_s, len(used), here.slot_s)[used]
    ) & takes_part
    return _Played(
        filters=filters,
        why_filters=why_filters,
        filtered=as_filtered(input_, here, filters),
        powers=powers,
        plays=plays,
        judged=plays if sings is None else without_crashes(stretch.drums, plays, here),
        plays_above=above,
        opened=spans_to_mask(sings.open_s, len(used), here.slot_s)[used] if sings and gated(input_) else None,
        clear=sings is not None or not input_.preset.cleaned,
    )


def as_filtered(input_: Input, here: Measurements, filters: Sequence[Filter]) -> Input:
    """The input with its levels and peaks as they are after the filters."""
    return replace(input_, facts=replace(input_.facts, slots=filtered(input_.facts, here, filters)))


def _line_too(inputs: Iterable[Input]) -> dict[int, str]:
    """Name of a bass's line input by the index of its microphone, where both carry the same bass."""
    pair = line_and_microphone(list(inputs))
    if pair is None:
        return {}
    line, microphone = pair
    alike = max(line.alignment.correlation, line.alignment.flipped_correlation) if line.alignment else 0.0
    return {microphone.index: line.name} if alike >= LEAST_CORRELATION else {}


def _setup(input_: Input, played: _Played, stretch: _Stretch, features: _Features) -> Setup:
    gain_db, why_gain = match_gain(input_.facts, played.powers, played.judged)
    rest = cymbals_rest(stretch.drums, played.plays, stretch.here)
    de_esser, why_de_esser = (
        decide_de_esser(input_, gain_db, played.plays & rest, played.filters, stretch.here)
        if played.clear
        else (None, ())
    )
    compressor, why_compressor = (
        (None, asked(input_.wish, "compress", "turned off").reason("compressor"))
        if input_.wish.compress == "off"
        else decide_compressor(played.filtered, gain_db, played.judged, features.crests, features.lows, features.low)
    )
    floor = input_.preset.gate_floor_db
    return Setup(
        filters=played.filters,
        gain_db=gain_db,
        de_esser=de_esser,
        compressor=compressor,
        gate_floor_db=floor.value if floor is not None and played.opened is not None else None,
        plays_above=played.plays_above,
        clear=played.clear,
        why_gain=why_gain,
        why_filters=played.why_filters,
        why_de_esser=why_de_esser,
        why_compressor=why_compressor,
    )


def dynamics_db(input_: Input, setup: Setup, opened: Mask | None) -> NDArray[np.float64]:
    """Gain of matching, gate (open in those slots; None: no gate) and compressor, dB: ``(slots,)``.

    The input's levels are those after the filters.
    """
    level_db = np.full(len(input_.facts.slots), setup.gain_db)
    if opened is not None and setup.gate_floor_db is not None:
        level_db += np.where(opened, 0.0, setup.gate_floor_db)
    compressor = setup.compressor
    if compressor is not None:
        peaks_db = powers_db(input_.facts.slots.peaks.astype(np.float64) ** 2) + level_db
        reduction = compressor_gain_db(peaks_db, compressor.threshold_db, compressor.ratio, compressor.knee_db)
        level_db += np.maximum(reduction, -compressor.max_reduction_db)
    return level_db
