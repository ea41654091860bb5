"""The recording itself: what every input got, who played when, who leaks into whom, and where the take was cut."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from morningmix.laws.track_power import k_powers
from morningmix.model.input import Input
from morningmix.model.measured import Measurements, Singing
from morningmix.report import pictures
from morningmix.report.contents import Cut, ReportedTake
from morningmix.report.numbers import MOST_COLUMNS, Array, Level, Mask, columns, covered, level_of, own_share, plays
from morningmix.report.parts import figure, in_numbers, in_percent, table
from morningmix.report.words import count, listed, minutes, named, number, safe
from morningmix.units import clock, powers_db

_OVER_DB = 50.0
"""Height of the picture of what was taken out."""
_COLUMNS = 300
_TOLD = 0.01
"""Smaller shares of a microphone's sound are not told."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A mixed song, as it lies in its take."""

    number: int
    title: str
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """One input, and when it plays."""

    one: Input
    singing: Singing | None
    is_ear: bool
    """Its own sound is told from bleed, or ought to be."""
    playing: Mask
    level: Level

    @property
    def unclear(self) -> bool:
        """Nobody can be told from the bleed in it."""
        return self.is_ear and self.singing is None and not self.one.facts.silent


def hear(one: Input, singing: Mapping[int, Singing | None], measured: Measurements) -> Heard:
    """An input of a take, as the page needs it."""
    heard = singing.get(one.index)
    playing = plays(one, heard, measured)
    return Heard(one=one, singing=heard, is_ear=one.index in singing, playing=playing, level=level_of(one, playing))


def files_of(one: Input) -> str:
    """Names of its files, as HTML."""
    return " + ".join(named(name) for name in one.facts.files)


def recording_section(take: ReportedTake, heard: Sequence[Heard], songs: Sequence[Stretch], place: int | None) -> str:
    """What one take got. `songs` are those cut from it; `place` counts the takes if there are several."""
    key = "take" if place is None else f"take-{place}"
    heading = "The recording" if place is None else f"Take {place}: {named(take.take.name)}"
    figures = (
        _levels_figure(key, heard),
        _lanes_figure(key, take, heard, songs),
        _leaks_figure(key, heard),
        _cleanings_figure(key, take, heard),
    )
    content = f"{_cuts(take.cuts)}{''.join(figures)}" if heard else "<p>There are no inputs in this folder.</p>"
    return f'<section id="{key}"><h2>{heading}</h2>{content}</section>'


def _cuts(cuts: Sequence[Cut]) -> str:
    """How each listed stretch was told, what is least sure first."""
    if not cuts:
        return ""
    unsure = sum(cut.unsure for cut in cuts)
    rows = [
        [
            named(cut.title) + ("" if cut.aside is None else ", put aside"),
            clock(cut.start.at_s),
            clock(cut.end.at_s),
            *(
                ("Please listen: " if boundary.unsure else "") + safe(boundary.because)
                for boundary in (cut.start, cut.end)
            ),
            "" if cut.aside is None else safe(cut.aside),
        ]
        for cut in sorted(cuts, key=lambda cut: (not cut.unsure, cut.start.at_s))
    ]
    says = "Every beginning and end was clear."
    if unsure:
        which = "row: its" if unsure == 1 else f"{count(unsure, 'row')}: their"
        says = f"Please listen to the first {which} beginning or end is not sure."
    return (
        f"<h3>Where the take was cut</h3><p>{says} Times and titles are in the recipe, to be changed there.</p>"
        + table("Where the take was cut", ("Stretch", "From", "To", "Begins", "Ends", "Aside"), rows, wordy=3)
    )


def _levels_figure(key: str, heard: Sequence[Heard]) -> str:
    rows = [
        pictures.LevelRow(
            name=one.one.name,
            level=one.level,
            silent=one.one.facts.silent,
            clipped_runs=one.one.facts.clipped_runs,
        )
        for one in heard
    ]
    clipped = [one.one.name for one in heard if one.one.facts.clipped_runs]
    silent = [one.one.name for one in heard if one.one.facts.silent]
    desc = (
        "One line per input, from -60 dBFS at the left to full scale at the right. "
        + (f"Hit full scale: {listed(clipped)}. " if clipped else "None hit full scale. ")
        + (f"Recorded nothing: {listed(silent)}." if silent else "All recorded something.")
    )
    numbers = table(
        "Levels of the inputs",
        ("Input", "Peak", "Under full scale", "Typical while it plays", "Full-scale hits", "File"),
        [
            [
                named(one.one.name),
                "nothing" if one.one.facts.silent else f"{number(one.level.peak_dbfs)} dBFS",
                "" if one.one.facts.silent else f"{number(max(-one.level.peak_dbfs, 0.0))} dB",
                "" if one.level.typical_dbfs is None else f"{number(one.level.typical_dbfs)} dBFS",
                str(one.one.facts.clipped_runs),
                files_of(one.one),
            ]
            for one in heard
        ],
    )
    return figure(
        "How much room was left",
        pictures.levels(f"{key}-levels", desc, rows),
        "The thick line at the right is full scale: nothing fits beyond it. The upright stroke is the loudest moment, "
        "the thick bar where the sound is while it plays, the dot its usual level (RMS). A burst: it hit the edge. "
        "The shaded band, −18 to −6 dBFS, is a comfortable place for the loudest moment (common practice).",
        in_numbers(numbers),
    )


def _lanes_figure(key: str, take: ReportedTake, heard: Sequence[Heard], songs: Sequence[Stretch]) -> str:
    seconds = take.take.duration_s
    if not seconds > 0.0:
        return ""
    edges_s = np.linspace(0.0, seconds, MOST_COLUMNS + 1)
    rows = [_lane(one, edges_s, seconds) for one in heard]
    stretches = [(song.number, song.start_s, song.end_s) for song in songs]
    aside = [(cut.start.at_s, cut.end.at_s) for cut in take.cuts if cut.aside is not None]
    desc = " ".join(f"{one.one.name}: {row.says}." for one, row in zip(heard, rows, strict=True))
    numbers = table(
        "Who plays how long",
        ("Input", "Plays", "Microphone open"),
        [
            [
                named(one.one.name),
                safe(row.says),
                "" if one.singing is None else minutes(sum(b - a for a, b in one.singing.open_s)),
            ]
            for one, row in zip(heard, rows, strict=True)
        ],
    )
    over = (
        " The numbers over it are the songs: "
        + ", ".join(f"{song.number} {named(song.title)}" for song in songs)
        + "."
        + (" Hatched heads between them: put aside." if aside else "")
        if songs
        else ""
    )
    return figure(
        "Who plays when",
        pictures.lanes(f"{key}-lanes", desc, rows, seconds, stretches, aside),
        "Full colour: its own sound plays. Pale with an outline: a voice's microphone is open, a little before and "
        "after. Hatched: "
        f"nobody can be told from the bleed.{over}",
        in_numbers(numbers),
    )


def _leaks_figure(key: str, heard: Sequence[Heard]) -> str:
    names = {one.one.index: one.one.name for one in heard}
    rows = [_leak(one.one, names) for one in heard if one.one.cleaned is not None and one.one.cleaned.bleed_sources]
    if not rows:
        return ""
    others = [listed([f"{name} {in_percent(share)}" for name, share in row.others[:4]]) for row in rows]
    desc = " ".join(f"{row.name}: {row.says}; the rest is {most}." for row, most in zip(rows, others, strict=True))
    numbers = table(
        "Who leaks into whom",
        ("Microphone", "Own sound", "Others in it"),
        [
            [
                named(row.name),
                in_percent(row.own),
                ", ".join(f"{named(name)} {in_percent(share)}" for name, share in row.others if share >= _TOLD),
            ]
            for row in rows
        ],
        wordy=1,
    )
    return figure(
        "Who leaks into whom",
        pictures.leaks(f"{key}-leaks", desc, rows),
        "All that a microphone recorded, by power. Full colour: what stayed after its bleed was taken out. Pale: what "
        "was taken out, by the inputs that it follows, the largest first. Inputs that hear the same drum share it.",
        in_numbers(numbers),
    )


def _cleanings_figure(key: str, take: ReportedTake, heard: Sequence[Heard]) -> str:
    rows = [_cleaning(one, take.measured) for one in heard if one.one.recorded is not None]
    if not rows:
        return ""
    numbers = [[named(name), safe(says)] for name, says, *_ in rows]
    desc = " ".join(f"{name}: {says}." for name, says, *_ in rows)
    return figure(
        "Before and after the bleed was taken out",
        pictures.cleanings(f"{key}-cleaned", desc, rows, take.take.duration_s),
        f"How loud each microphone was, over {_OVER_DB:.0f} dB: pale what it recorded, in front what is left of it, "
        "before its gate. While somebody sings or plays into it both should be as high; else, the less the better.",
        in_numbers(table("What was taken out while they rest", ("Microphone", "Bleed"), numbers)),
    )


def _cleaning(one: Heard, measured: Measurements) -> tuple[str, str, Array, Array]:
    """Name, words, and how loud the microphone was before and after, 0..1 per column."""
    assert one.one.recorded is not None
    before = k_powers(replace(one.one.facts, slots=one.one.recorded), measured, ())
    after = k_powers(one.one.facts, measured, ())
    rests = ~one.playing
    says = "it never rests"
    if rests.any():
        # The median: soft ends of lines count as rests too, and would drown the mean.
        less_db = float(np.median(powers_db(before[rests]) - powers_db(after[rests])))
        says = f"{number(less_db, 0)} dB less while it rests"
    top_db = float(powers_db(before).max(initial=-_OVER_DB))
    heights = [1.0 + (powers_db(columns(power, _COLUMNS)) - top_db) / _OVER_DB for power in (before, after)]
    return one.one.name, says, heights[0], heights[1]


def _leak(one: Input, names: Mapping[int, str]) -> pictures.Leak:
    assert one.cleaned is not None
    own = own_share(one)
    others = [(names[other], share * (1.0 - own)) for other, share in one.cleaned.bleed_sources if other in names]
    says = f"{in_percent(own)} its own, then {others[0][0]}" if others else f"{in_percent(own)} its own"
    return pictures.Leak(name=one.name, says=says, own=own, others=others)


def _lane(one: Heard, edges_s: Array, seconds: float) -> pictures.Lane:
    if one.singing is not None:
        own = covered(one.singing.sings_s, edges_s)
        opened = covered(one.singing.open_s, edges_s)
    else:
        own, opened = columns(one.playing.astype(np.float64)), None
    if one.one.facts.silent:
        says = "recorded nothing"
    elif one.unclear:
        says = "cannot be told"
    else:
        verb = "sings" if one.one.preset.family == "vocals" and one.singing is not None else "plays"
        played_s = (
            float(sum(b - a for a, b in one.singing.sings_s))
            if one.singing is not None
            else float(one.playing.mean()) * seconds
            if len(one.playing)
            else 0.0
        )
        says = f"{verb} {minutes(played_s)}"
    return pictures.Lane(name=one.one.name, says=says, own=own, open=opened, unclear=one.unclear)
