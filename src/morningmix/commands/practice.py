"""Practice mixes: one part of a player left out or turned up.

Vocal and drum microphones are cleaned of everybody else anyway, and those on amplifiers pick up little else. To predict
that little from who is left out was tried: it took 4 to 14 dB of a bass out of guitars' microphones, and added up to
12 dB of drums and samples there (measured against the truth). Bleed far below an amplifier's own sound is less than the
error of a filter.
"""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from morningmix.commands.former import sheet_in
from morningmix.commands.rendering import Desk, Ready, Song, mixing_cost, mp3_job, render, sum_of
from morningmix.decide.master import decide_master
from morningmix.laws.grid import on_grid
from morningmix.model.plan import MasterPlan, SongPlan, Trims
from morningmix.render.families import Rendered, family_names, joined
from morningmix.render.master import master_curve_db
from morningmix.render.output import file_names
from morningmix.workers.jobs import Lane

UP_DB = 6.0
"""Level of a player's own part over the rest (design choice): twice as much, without hiding the band."""
FOLDER = "practice"
_SHARE_OF_COST = 0.3
"""Of what a song costs, for each practice mix of it: one family, the sum and an MP3 (from what these cost)."""
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
_LONGEST_NAME, _LEAST_TITLE = 58, 20
"""Letters of a file's name, and of the song's title in it, which is cut before what follows it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Practice:
    """One practice mix."""

    name: str
    """Title of its file, unique within a song."""
    plan: SongPlan


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
        for says, tracks in ((f"without {whose}", absent), (f"more of {whose}", raised)):
            if any(track.sounds for track in tracks):
                title = plan.title[: max(_LEAST_TITLE, _LONGEST_NAME - len(f" - {says}"))].rstrip()
                name = f"{title} - {says}"
                found.append(Practice(name=name, plan=replace(plan, title=name, tracks=tuple(tracks))))
    names = file_names([practice.name for practice in found])
    return [replace(practice, name=name) for practice, name in zip(found, names, strict=True)]


def cost_of(song: Song) -> float:
    """Seconds of one core that a song takes with its practice mixes, about."""
    practice = _SHARE_OF_COST * len(practice_mixes(song.plan)) if song.practice else 0.0
    return mixing_cost(song.plan) * (1.0 + practice)


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
    song = replace(ready.song, plan=practice.plan)
    folder = ready.partial / FOLDER
    mixed, plan = ready.song.plan.tracks, practice.plan
    changed = [
        name
        for name in family_names(plan)
        if [track for track in mixed if track.family == name]
        != [track for track in plan.tracks if track.family == name]
    ]
    with ExitStack() as stack:
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
