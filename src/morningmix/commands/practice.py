"""Practice mixes: one part of a player left out or turned up.

What the microphones that stay still pick up of who is left out is turned down in them (`bleed.without`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

from morningmix.audio.scratch import Scratch, recording_of
from morningmix.bleed.without import Leak, Microphone, Turned, measure_leaks, write_without
from morningmix.commands.former import sheet_in
from morningmix.commands.rendering import Desk, Raw, Ready, Song, mixing_cost, mp3_job, render, sum_of
from morningmix.decide.master import decide_master
from morningmix.laws.grid import on_grid
from morningmix.model.plan import Gate, MasterPlan, SongPlan, Spans, Trims
from morningmix.model.recording import Recording
from morningmix.render.families import Rendered, family_names, joined
from morningmix.render.master import master_curve_db
from morningmix.render.output import file_names
from morningmix.storage.cache import key, path_of, take_key
from morningmix.units import power_db
from morningmix.workers.jobs import Job, Lane

UP_DB = 6.0
"""Level of a player's own part over the rest (design choice): twice as much, without hiding the band."""
FOLDER = "practice"
_SHARE_OF_COST, _SHARE_WITHOUT = 0.3, 1.3
"""Of what a song costs, for a practice mix with more of a player: one family, the sum and an MP3; and for one without,
which turns down what most other microphones pick up (from what these cost)."""
_PARTS = {
    "drums": "drums",
    "bass": "bass",
    "guitars": "guitar",
    "keys": "keys",
    "vocals": "voice",
    "horns": "horn",
    "strings": "strings",
    "playback": "playback",
}
"""What a player's part in a family is called; who plays something else has a "part"."""
_LINES = frozenset({"bass", "keys", "playback"})
"""Families that mostly come through cables; what plays along with who is left out would be taken for them."""
AUDIBLE_DB = -40.0
"""Bleed further under its source in the mix stays (design choice)."""
_MEASURE_COST, _WITHOUT_COST = 0.15, 0.008
"""Seconds of one core per microphone, and per second of one (measured)."""
_LONGEST_NAME, _LEAST_TITLE = 58, 20
"""Letters of a file's name, and of the song's title in it, which is cut before what follows it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Practice:
    """One practice mix."""

    name: str
    """Title of its file, unique within a song."""
    plan: SongPlan
    absent: tuple[int, ...] = ()
    """Tracks that are left out."""


def wants_practice(ordered: bool | None, folder: Path) -> bool:
    """Whether a song gets practice mixes: as ordered, or else if the mix in its folder has them."""
    if ordered is not None:
        return ordered
    former = sheet_in(folder)
    return former is not None and former.settings.practice


def practice_mixes(plan: SongPlan) -> list[Practice]:
    """For every named player and what they play or sing: the song without it, and with it well up."""
    found = []
    for player, family in dict.fromkeys((track.player, track.family) for track in plan.tracks if track.sounds):
        if player is None:
            continue
        mine = [index for index, track in enumerate(plan.tracks) if (track.player, track.family) == (player, family)]
        whose = f"{player}'s {_PARTS.get(family, 'part')}"
        absent = [replace(track, family="") if index in mine else track for index, track in enumerate(plan.tracks)]
        raised = [
            on_grid(replace(track, fader_db=track.fader_db + UP_DB)) if index in mine else track
            for index, track in enumerate(plan.tracks)
        ]
        for says, tracks, gone in ((f"without {whose}", absent, mine), (f"more of {whose}", raised, [])):
            if any(track.sounds for track in tracks):
                title = plan.title[: max(_LEAST_TITLE, _LONGEST_NAME - len(f" - {says}"))].rstrip()
                name = f"{title} - {says}"
                of_song = replace(plan, title=name, tracks=tuple(tracks))
                found.append(Practice(name=name, plan=of_song, absent=tuple(gone)))
    names = file_names([practice.name for practice in found])
    return [replace(practice, name=name) for practice, name in zip(found, names, strict=True)]


def cost_of(song: Song) -> float:
    """Seconds of one core that a song takes with its practice mixes, about."""
    mixes = practice_mixes(song.plan) if song.practice else []
    return mixing_cost(song.plan) * (1.0 + sum(_SHARE_WITHOUT if one.absent else _SHARE_OF_COST for one in mixes))


def practice_trims(trims: Trims, plan: SongPlan, mix: SongPlan) -> Trims:
    """The trims of the mix; where the drums are turned up, the ceiling of their peaks rises with them."""
    up_db = max(
        (
            mine.fader_db - other.fader_db
            for mine, other in zip(plan.tracks, mix.tracks, strict=True)
            if mine.family == "drums"
        ),
        default=0.0,
    )
    if trims.drum_peak_dbfs is None:
        return trims
    return on_grid(replace(trims, drum_peak_dbfs=trims.drum_peak_dbfs + up_db))


def write_practice(practice: Practice, ready: Ready, master: MasterPlan, desk: Desk, lane: Lane) -> None:
    """One practice mix as an MP3, mastered afresh at the song's target with the trims of the mix.

    Families in which nothing is different are those of the mix.
    """
    folder = ready.partial / FOLDER
    mixed, plan = ready.song.plan.tracks, practice.plan
    with ExitStack() as stack:
        cleaner = _without_absent(practice, ready.song, desk, lane, stack)
        song = replace(ready.song, plan=plan, raw=_with(ready.song, cleaner))
        changed = [
            name
            for name in family_names(plan)
            if [track for track in mixed if track.family == name]
            != [track for track in plan.tracks if track.family == name]
            or any(plan.tracks[index].family == name for index in cleaner)
        ]
        rendered = {
            name: Rendered(
                sound=sound,
                drum_peaks_db=ready.families.drum_peaks_db if name == "drums" else None,
                reduction_db=(),
            )
            for name, sound in zip(ready.families.names, ready.families.sound, strict=True)
        }
        rendered |= dict(zip(changed, render(song, changed, desk, lane, stack), strict=True))
        # Its trims are those of the mix, so its balance need not be measured.
        families = joined(plan, [rendered[name] for name in family_names(plan)], np.zeros((0, 0, 0)))
        trims = practice_trims(ready.trims, plan, ready.song.plan)
        summed = sum_of(song, folder, families, trims, desk, lane)
        target_lufs = min(master.target_lufs, summed.reachable_lufs)
        afresh = decide_master(replace(plan, target_lufs=master.target_lufs), summed.trims, summed.facts, target_lufs)
        curve_db = master_curve_db(summed.facts, afresh)
        lane.one(mp3_job(summed, afresh, curve_db, folder / f"{practice.name}.mp3", desk))


def hears(plan: SongPlan, absent: Sequence[int]) -> list[int]:
    """Tracks of microphones that may pick up something of those that are left out.

    Clipped runs are found by their level, so what needs a repair stays as it was recorded.
    """
    return [
        index
        for index, track in enumerate(plan.tracks)
        if track.sounds and index not in absent and track.family not in _LINES and (track.cleaned or not track.repair_s)
    ]


def _without_absent(practice: Practice, song: Song, desk: Desk, lane: Lane, stack: ExitStack) -> dict[int, Recording]:
    """Microphones without what they pick up of who is left out, by track; their files go when `stack` closes."""
    plan, sounds = song.plan, song.raw.sounds(song.plan)
    microphones = hears(plan, practice.absent)
    if not practice.absent or not microphones:
        return {}
    # With a second more on either side, for whatever looks ahead.
    first, last = (max(0, round(at_s * plan.rate_hz)) for at_s in (plan.start_s - 1.0, plan.end_s + 1.0))
    heard = {
        index: Microphone(
            sound=sounds[index],
            recorded=song.raw.recordings[index],
            open_s=None if (gate := plan.tracks[index].gate) is None else _in_stretch(gate, plan, first),
        )
        for index in microphones
    }
    absent = [sounds[index] for index in practice.absent]
    leaks = lane.one(
        Job(
            what="measure what is left of a player",
            cost=_MEASURE_COST * len(heard),
            call=partial(measure_leaks, heard, absent, plan.rate_hz, (first, last)),
        )
    )
    turned = {
        index: Turned(
            sound=sounds[index],
            ratios=tuple(leak.ratio for leak in leaks[index]),
            scratch=Scratch(
                path=path_of(
                    desk.home.cache, "scratch", take_key(song.raw.folder), key(song.folder_name, practice.name, index)
                ),
                rate_hz=plan.rate_hz,
                channels=sounds[index].channels,
                frames=last - first,
            ),
        )
        for index in microphones
        if audible(plan, index, practice.absent, leaks[index])
    }
    if not turned:
        return {}
    for one in turned.values():
        stack.callback(one.scratch.remove)
    lane.one(
        Job(
            what="turn down what is left of a player",
            cost=_WITHOUT_COST * song.seconds * len(turned),
            call=partial(write_without, tuple(turned.values()), absent, (first, last)),
        )
    )
    return {index: recording_of([one.scratch], first) for index, one in turned.items()}


def audible(plan: SongPlan, microphone: int, absent: Sequence[int], leaks: Sequence[Leak]) -> bool:
    """Whether any of a player's tracks leaks into a microphone as it is mixed, by level before dynamics and rides."""

    def level_db(index: int) -> float:
        return plan.tracks[index].gain_db + plan.tracks[index].fader_db

    return any(
        leak.of_all > 0.0 and power_db(leak.of_all) + level_db(microphone) - level_db(index) > AUDIBLE_DB
        for index, leak in zip(absent, leaks, strict=True)
    )


def _in_stretch(gate: Gate, plan: SongPlan, first: int) -> Spans:
    """Where a gate is open, from the frame `first` of the take on."""
    late_s = plan.start_s - first / plan.rate_hz
    return tuple((start_s + late_s, end_s + late_s) for start_s, end_s in gate.open_s)


def _with(song: Song, cleaner: Mapping[int, Recording]) -> Raw:
    """A song's recordings, some of them in place of what is mixed."""
    sounds = enumerate(song.raw.sounds(song.plan))
    return replace(song.raw, recordings=tuple(cleaner.get(index, sound) for index, sound in sounds), cleaned={})
