"""The recording itself: levels of every input, who plays when, bleed, and where the take is cut."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from markupsafe import Markup  # noqa: TID251

from morningmix.laws.track_power import k_powers
from morningmix.model.input import Input
from morningmix.model.measured import Measurements, Singing
from morningmix.report import pictures
from morningmix.report.contents import Cut, ReportedTake
from morningmix.report.numbers import (
    MOST_COLUMNS,
    RHYTHM,
    VOCALS,
    Array,
    Level,
    Mask,
    columns,
    covered,
    level_of,
    own_share,
    plays,
)
from morningmix.report.parts import Figure, Table, in_percent
from morningmix.report.words import below_clipping, count, listed, minutes, named, number
from morningmix.units import clock, powers_db

_OVER_DB = 50.0
"""Range of the picture of bleed removal."""
_COLUMNS = 300
_SMALLEST_SHARE = 0.01
"""Smaller shares of a microphone's sound are not listed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A mixed song, as it lies in its take."""

    number: int
    title: str
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class InputInTake:
    """One input, and when it plays."""

    input: Input
    singing: Singing | None
    is_target: bool
    """Its direct sound is separated from bleed, or should be."""
    playing: Mask
    level: Level

    @property
    def unclear(self) -> bool:
        """Its direct sound cannot be told from bleed."""
        return self.is_target and self.singing is None and not self.input.facts.silent


def input_in_take(input_: Input, singing: Mapping[int, Singing | None], measured: Measurements) -> InputInTake:
    """An input of a take, as the page needs it."""
    when = singing.get(input_.index)
    playing = plays(input_, when, measured)
    return InputInTake(
        input=input_, singing=when, is_target=input_.index in singing, playing=playing, level=level_of(input_, playing)
    )


def ridge_powers(inputs: Sequence[InputInTake], measured: Measurements) -> list[Array]:
    """Power per slot of everything, of drums and bass, and of the vocals where they sing, for `numbers.ridges`."""
    sounding = [in_take for in_take in inputs if in_take.input.preset.family and not in_take.input.facts.silent]
    powers = [(in_take, k_powers(in_take.input.facts, measured, ())) for in_take in sounding]
    groups = (
        [power for _, power in powers],
        [power for in_take, power in powers if in_take.input.preset.family in RHYTHM],
        [power * in_take.playing for in_take, power in powers if in_take.input.preset.family in VOCALS],
    )
    return [np.sum(group, axis=0) if group else np.zeros(0) for group in groups]


def files_of(input_: Input) -> Markup:
    """Names of its files."""
    return Markup(" + ").join(named(name) for name in input_.facts.files)


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingSection:
    """What the page shows of one take."""

    key: str
    name: str
    cuts_say: str
    cuts: Table | None
    figures: Sequence[Figure]


def recording_section(
    take: ReportedTake, inputs: Sequence[InputInTake], songs: Sequence[Stretch], key: str
) -> RecordingSection:
    """What one take recorded. `songs` are those cut from it."""
    figures = (
        _levels_figure(key, inputs),
        _lanes_figure(key, take, inputs, songs),
        _bleed_figure(key, inputs),
        _cleanings_figure(key, take, inputs),
    )
    return RecordingSection(
        key=key,
        name=take.take.name,
        cuts_say=_how_sure(take.cuts),
        cuts=_cuts(take.cuts) if take.cuts and inputs else None,
        figures=[each for each in figures if each is not None] if inputs else [],
    )


def _how_sure(cuts: Sequence[Cut]) -> str:
    unsure = sum(cut.unsure for cut in cuts)
    if not unsure:
        return "Every start and end is clear."
    which = "one stretch starts or ends" if unsure == 1 else f"{count(unsure, 'stretch', 'stretches')} start or end"
    return f"Have a listen where the table asks for it: where {which} is not certain."


def _cuts(cuts: Sequence[Cut]) -> Table:
    """Why each listed stretch starts and ends where it does, in the order of the take."""
    rows = [
        [
            Markup("{}{}").format(named(cut.title), "" if cut.left_out is None else f", left out: {cut.left_out}"),
            clock(cut.start.at_s),
            clock(cut.end.at_s),
            *(("Please listen: " if boundary.unsure else "") + boundary.because for boundary in (cut.start, cut.end)),
        ]
        for cut in sorted(cuts, key=lambda cut: cut.start.at_s)
    ]
    head = ("Stretch", "From", "To", "Why it starts here", "Why it ends here")
    return Table(caption="Where the take is cut", head=head, rows=rows, wordy=2)


def _levels_figure(key: str, inputs: Sequence[InputInTake]) -> Figure:
    rows = [
        pictures.LevelRow(
            name=in_take.input.name,
            level=in_take.level,
            silent=in_take.input.facts.silent,
            clipped_runs=in_take.input.facts.clipped_runs,
        )
        for in_take in inputs
    ]
    clipped = [in_take.input.name for in_take in inputs if in_take.input.facts.clipped_runs]
    silent = [in_take.input.name for in_take in inputs if in_take.input.facts.silent]
    desc = (
        "One line per input, from very quiet (-60 dBFS) on the left to clipping (full scale) on the right. "
        + (f"Clipped: {listed(clipped)}. " if clipped else "Nothing clipped. ")
        + (f"Recorded nothing: {listed(silent)}." if silent else "Every input recorded something.")
    )
    numbers = Table(
        caption="Recording levels",
        head=("Input", "Highest peak", "Typical level while it plays", "Clipped", "File"),
        rows=[
            [
                named(in_take.input.name),
                "nothing" if in_take.input.facts.silent else below_clipping(in_take.level.peak_dbfs, "dBFS"),
                "" if in_take.level.typical_dbfs is None else below_clipping(in_take.level.typical_dbfs, "dBFS"),
                count(in_take.input.facts.clipped_runs, "time") if in_take.input.facts.clipped_runs else "never",
                files_of(in_take.input),
            ]
            for in_take in inputs
        ],
    )
    return Figure(
        heading="Recording levels",
        picture=pictures.levels(f"{key}-levels", desc, rows),
        legend="The further right, the louder; at the thick line on the right it clips. The upright stroke is the "
        "loudest moment, the thick bar the range while it plays, the dot its typical level. A burst: it clipped. In "
        "the shaded band the loudest moment has a healthy level. The scale counts dB below clipping (dBFS).",
        numbers=numbers,
    )


def _lanes_figure(
    key: str, take: ReportedTake, inputs: Sequence[InputInTake], songs: Sequence[Stretch]
) -> Figure | None:
    seconds = take.take.duration_s
    if not seconds > 0.0:
        return None
    edges_s = np.linspace(0.0, seconds, MOST_COLUMNS + 1)
    rows = [_lane(in_take, edges_s, seconds) for in_take in inputs]
    stretches = [(song.number, song.start_s, song.end_s) for song in songs]
    left_out = [(cut.start.at_s, cut.end.at_s) for cut in take.cuts if cut.left_out is not None]
    desc = " ".join(f"{in_take.input.name}: {row.says}." for in_take, row in zip(inputs, rows, strict=True))
    numbers = Table(
        caption="Who plays how long",
        head=("Input", "Plays", "Mic open"),
        rows=[
            [
                named(in_take.input.name),
                row.says,
                "" if in_take.singing is None else minutes(sum(b - a for a, b in in_take.singing.open_s)),
            ]
            for in_take, row in zip(inputs, rows, strict=True)
        ],
    )
    legend = Markup("Solid: it plays.")
    if any(row.open is not None for row in rows):
        legend += " Pale with an outline: the mic is open, a little before and after."
    if any(row.unclear for row in rows):
        legend += " Hatched: it cannot be told from the bleed."
    if songs:
        titles = Markup(", ").join(Markup("{} {}").format(song.number, named(song.title)) for song in songs)
        legend += Markup(" The numbers on top are the songs: {}.").format(titles)
        legend += " Hatched heads: left out." if left_out else ""
    return Figure(
        heading="Who plays when",
        picture=pictures.lanes(f"{key}-lanes", desc, rows, seconds, stretches, left_out),
        legend=legend,
        numbers=numbers,
    )


def _bleed_figure(key: str, inputs: Sequence[InputInTake]) -> Figure | None:
    names = {in_take.input.index: in_take.input.name for in_take in inputs}
    rows = [
        _leak(in_take.input, names)
        for in_take in inputs
        if in_take.input.cleaned is not None and in_take.input.cleaned.bleed_sources
    ]
    if not rows:
        return None
    others = [listed([f"{name} {in_percent(share)}" for name, share in row.others[:4]]) for row in rows]
    desc = " ".join(f"{row.name}: {row.says}; the rest is {most}." for row, most in zip(rows, others, strict=True))
    return Figure(
        heading="Bleed between microphones",
        picture=pictures.leaks(f"{key}-leaks", desc, rows),
        legend="Everything each microphone picked up. Solid: what stays after bleed removal. Pale: bleed that was "
        "taken out, by the input it comes from, the largest first.",
        numbers=Table(
            caption="Bleed between microphones",
            head=("Microphone", "Its own sound", "Bleed from"),
            rows=[
                [
                    named(row.name),
                    in_percent(row.own),
                    Markup(", ").join(
                        Markup("{} {}").format(named(name), in_percent(share))
                        for name, share in row.others
                        if share >= _SMALLEST_SHARE
                    ),
                ]
                for row in rows
            ],
            wordy=1,
        ),
    )


def _cleanings_figure(key: str, take: ReportedTake, inputs: Sequence[InputInTake]) -> Figure | None:
    rows = [_cleaning(in_take, take.measured) for in_take in inputs if in_take.input.recorded is not None]
    if not rows:
        return None
    return Figure(
        heading="Before and after bleed removal",
        picture=pictures.cleanings(
            f"{key}-cleaned", " ".join(f"{name}: {says}." for name, says, *_ in rows), rows, take.take.duration_s
        ),
        legend="Pale: how loud the microphone was. Solid: what is left. When someone sings or plays, the two should "
        "match; otherwise, lower is better.",
        numbers=Table(
            caption="What bleed removal does",
            head=("Microphone", "Bleed"),
            rows=[[named(name), says] for name, says, *_ in rows],
        ),
    )


def _cleaning(in_take: InputInTake, measured: Measurements) -> tuple[str, str, Array, Array]:
    """Name, words, and how loud the microphone was before and after, 0..1 per column."""
    assert in_take.input.recorded is not None
    before = k_powers(replace(in_take.input.facts, slots=in_take.input.recorded), measured, ())
    after = k_powers(in_take.input.facts, measured, ())
    rests = ~in_take.playing
    says = "never pauses"
    if rests.any():
        # The median, because soft ends of lines count as rests too and would dominate a mean.
        less_db = float(np.median(powers_db(before[rests]) - powers_db(after[rests])))
        verb = "singing" if in_take.input.preset.family == "vocals" else "playing"
        less = f"{number(less_db, 0)} dB less" if less_db >= 0.5 else "no less"
        says = f"{less} bleed when nobody is {verb}"
    top_db = float(powers_db(before).max(initial=-_OVER_DB))
    heights = [1.0 + (powers_db(columns(power, _COLUMNS)) - top_db) / _OVER_DB for power in (before, after)]
    return in_take.input.name, says, heights[0], heights[1]


def _leak(input_: Input, names: Mapping[int, str]) -> pictures.Leak:
    assert input_.cleaned is not None
    own = own_share(input_)
    others = [(names[other], share * (1.0 - own)) for other, share in input_.cleaned.bleed_sources if other in names]
    says = f"{in_percent(own)} its own, then {others[0][0]}" if others else f"{in_percent(own)} its own"
    return pictures.Leak(name=input_.name, says=says, own=own, others=others)


def _lane(in_take: InputInTake, edges_s: Array, seconds: float) -> pictures.Lane:
    if in_take.singing is not None:
        own = covered(in_take.singing.sings_s, edges_s)
        opened = covered(in_take.singing.open_s, edges_s)
    else:
        own, opened = columns(in_take.playing.astype(np.float64)), None
    if in_take.input.facts.silent:
        says = "recorded nothing"
    elif in_take.unclear:
        says = "hidden in the bleed"
    else:
        verb = "sings" if in_take.input.preset.family == "vocals" and in_take.singing is not None else "plays"
        played_s = (
            float(sum(b - a for a, b in in_take.singing.sings_s))
            if in_take.singing is not None
            else float(in_take.playing.mean()) * seconds
            if len(in_take.playing)
            else 0.0
        )
        says = f"{verb} {minutes(played_s)}"
    return pictures.Lane(name=in_take.input.name, says=says, own=own, open=opened, unclear=in_take.unclear)
