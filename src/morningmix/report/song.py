"""The section of one song: its pictures, then every decision."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from morningmix.laws.loudness import METERS_AGREE_LU
from morningmix.model.measured import Measurements, SongFacts
from morningmix.report import pictures
from morningmix.report.contents import ReportedSong
from morningmix.report.decisions import decisions, left_out, master_decisions, reasons
from morningmix.report.numbers import bleed_rise_db, columns, loudness_in_mix_lu, octave_levels, slope_levels
from morningmix.report.parts import Figure, Table, in_percent
from morningmix.report.recording import InputInTake
from morningmix.report.words import (
    below_clipping,
    hertz,
    loudness_in_words,
    minutes,
    named,
    number,
    side,
    tempo_in_words,
)

SHORT_TERM_S = 3.0
"""Window of the loudness over time; the first one ends this long after a song starts."""

_HELD_DB = 0.1
"""Limiting below this is not reported."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SongSection:
    """What the page shows of one song."""

    key: str
    title: str
    length: str
    tempo: str
    """In words; "" if unknown."""
    loudness: str
    since: str
    """How it differs from the last time it was played; "" for nothing."""
    notes: Sequence[tuple[str, str, str]]
    """When, who, and what they have noted."""
    where: str
    """Its place in the recording, and its highest peak."""
    sound: str | None
    """Path of the file that plays it, relative to the page."""
    says: str
    over_time: Figure
    pair: Sequence[Figure]
    """Shown beside each other."""
    compressors: Figure | None
    decisions: Table
    left_out: Sequence[tuple[str, str]]
    """Inputs that are not in the mix, and why."""
    reasons: Sequence[tuple[str, Table]]
    """Per input, by name."""
    master: Table


def song_section(
    key: str, song: ReportedSong, inputs: Sequence[InputInTake], measured: Measurements, take: str
) -> SongSection:
    """The whole section of one song; `take` says in words which one it is cut from."""
    plan = song.plan
    seconds = max(plan.end_s - plan.start_s, song.facts.hop_s)
    peak = "" if song.true_peak_dbtp is None else f" Its peaks stay {below_clipping(song.true_peak_dbtp, 'dBTP')}."
    pair = (_places_figure(key, song, inputs, measured), _spectrum_figure(key, song))
    return SongSection(
        key=key,
        title=song.title,
        length=minutes(plan.end_s - plan.start_s),
        tempo="" if song.tempo is None else tempo_in_words(song.tempo),
        loudness=loudness_in_words(song.loudness_lufs),
        since=song.since,
        notes=[(minutes(note.at_s), note.who, note.says) for note in song.notes],
        where=f"From {minutes(plan.start_s)} to {minutes(plan.end_s)} of {take}.",
        sound=song.sound,
        says=_song_words(song, peak),
        over_time=_loudness_figure(key, song, seconds),
        pair=[each for each in pair if each is not None],
        compressors=_reductions_figure(key, song, inputs, measured, seconds),
        decisions=decisions(song),
        left_out=left_out(song),
        reasons=reasons(song),
        master=master_decisions(song),
    )


def _song_words(song: ReportedSong, peak: str) -> str:
    if song.loudness_lufs is None:
        return "This mix is silent."
    loudness = f"This mix is {loudness_in_words(song.loudness_lufs)}.{peak}"
    return f"{loudness} {_second_meter(song.facts.meters_differ_lu)}{_limiter_words(song.facts)}"


def _second_meter(differ_lu: float | None) -> str:
    """The reading of a second loudness meter, where it disagrees."""
    if differ_lu is None or abs(differ_lu) <= METERS_AGREE_LU:
        return ""
    return f"A second meter reads it {abs(differ_lu):.2f} dB {'quieter' if differ_lu > 0.0 else 'louder'}. "


def _limiter_words(facts: SongFacts) -> str:
    held = facts.limiter_db < -_HELD_DB
    if not held.any():
        return "No peaks needed limiting."
    return (
        f"The limiter catches peaks {in_percent(float(held.mean()))} of the time, "
        f"by {number(-float(facts.limiter_db.min()))} dB at most."
    )


def _loudness_figure(key: str, song: ReportedSong, seconds: float) -> Figure:
    lufs = song.facts.short_term_lufs
    target = song.master.target_lufs
    if len(lufs):
        when_s = SHORT_TERM_S + song.facts.hop_s * int(np.argmax(lufs))
        loudest = f"The loudest 3 seconds ({number(float(lufs.max()))} LUFS) end at {minutes(when_s)}."
    else:
        loudest = "The song is too short for a curve."
    peak = "none" if song.true_peak_dbtp is None else below_clipping(song.true_peak_dbtp, "dBTP")
    return Figure(
        heading="Loud and soft",
        picture=pictures.loudness(
            f"{key}-loud",
            f"Target: {loudness_in_words(target)}. {loudest} {_limiter_words(song.facts)}",
            pictures.LoudnessCurve(
                short_term_lufs=columns(lufs),
                first_s=SHORT_TERM_S,
                seconds=max(seconds, SHORT_TERM_S),
                target_lufs=target,
                limiter_db=columns(song.facts.limiter_db, lowest=True),
            ),
        ),
        legend=f"How loud the mix is from start to end; the dashed line is the target for the whole song. {loudest} "
        "The scale is in LUFS: nearer to zero is louder. At the bottom: how far the limiter turns peaks down.",
        numbers=Table(
            caption="Loudness of the mix",
            head=("What", "Value"),
            rows=[
                ["Whole song", loudness_in_words(song.loudness_lufs)],
                ["Target", loudness_in_words(target)],
                ["Loudest 3 s", loudness_in_words(float(lufs.max()) if len(lufs) else None)],
                ["Typical 3 s (median)", loudness_in_words(float(np.median(lufs)) if len(lufs) else None)],
                ["Highest peak", peak],
                ["Most limiting", f"{number(-float(song.facts.limiter_db.min(initial=0.0)))} dB"],
            ],
        ),
    )


def _places_figure(
    key: str, song: ReportedSong, inputs: Sequence[InputInTake], measured: Measurements
) -> Figure | None:
    by_files = {in_take.input.facts.files: in_take for in_take in inputs}
    rows = []
    for track in song.plan.tracks:
        in_take = by_files.get(track.files)
        if not track.sounds or in_take is None:
            continue
        loudness_lu = loudness_in_mix_lu(in_take.input, track, in_take.playing, measured, song.mixed)
        rows.append(
            pictures.Place(
                name=track.name, pan=track.pan, wide=in_take.input.facts.channels == 2, loudness_lu=loudness_lu
            )
        )
    if not rows:
        return None
    rows.sort(key=lambda row: -1000.0 if row.loudness_lu is None else row.loudness_lu, reverse=True)
    desc = " ".join(
        f"{row.name}: {side(row.pan)}, "
        + ("silent." if row.loudness_lu is None else f"{number(row.loudness_lu, signed=True)} dB against the mix.")
        for row in rows
    )
    return Figure(
        heading="Left, centre, right",
        picture=pictures.places(f"{key}-place", desc, rows),
        legend="As you hear it between two loudspeakers, loudest on top. A bigger dot is louder; a pale bar is a "
        "stereo input. The figures compare each input, while it plays, with the whole mix, in dB (estimated).",
        numbers=Table(
            caption="Position and loudness",
            head=("Input", "Position", "Loudness against the whole mix"),
            rows=[
                [
                    named(row.name),
                    side(row.pan) + (", in stereo" if row.wide else ""),
                    "silent" if row.loudness_lu is None else f"{number(row.loudness_lu)} dB",
                ]
                for row in rows
            ],
        ),
    )


def _spectrum_figure(key: str, song: ReportedSong) -> Figure | None:
    octaves = octave_levels(song.facts)
    if song.loudness_lufs is None or not octaves:
        return None
    slope = slope_levels(octaves)
    words = _spectrum_words(octaves, slope)
    lines = dict(slope)
    return Figure(
        heading="Lows to highs",
        picture=pictures.spectrum(f"{key}-tone", words, octaves, slope),
        legend=f"{words} The dashed line is the average slope of number-one singles: 2 dB down per octave. A hint, not "
        "a rule. The figures are dB below clipping (dBFS).",
        numbers=Table(
            caption="Octave bands of the mix",
            head=("Octave", "Mix, below clipping (dBFS)", "Average slope"),
            rows=[
                [hertz(hz), f"{number(level)} dB", f"{number(lines[hz])} dB" if hz in lines else ""]
                for hz, level in octaves
            ],
        ),
    )


def _spectrum_words(octaves: Sequence[tuple[float, float]], slope: Sequence[tuple[float, float]]) -> str:
    levels = dict(octaves)
    apart = [(levels[hz] - level, hz) for hz, level in slope]
    if not apart:
        return "There are too few octaves to compare."
    most, hz = max(apart, key=lambda octave: abs(octave[0]))
    if abs(most) < 3.0:
        return "The mix stays within 3 dB of the usual slope."
    return (
        f"Furthest from the usual slope: {pictures.octave_words(hz)}, {number(abs(most))} dB "
        f"{'stronger' if most > 0 else 'weaker'}."
    )


def _reductions_figure(
    key: str, song: ReportedSong, inputs: Sequence[InputInTake], measured: Measurements, seconds: float
) -> Figure | None:
    rows = [
        (
            name,
            f"up to {number(float(gain.min()))} dB",
            columns(gain, 300, lowest=True),
        )
        for name, gain in song.facts.reduction_db
        if len(gain)
    ]
    if not rows:
        return None
    deepest = max(6.0, *(-float(gain.min()) for _, _, gain in rows))
    rises = {
        name: bleed_rise_db(gain, song.facts.hop_s, in_take.playing, measured, song.plan)
        for name, gain in song.facts.reduction_db
        for in_take in inputs
        if in_take.is_target and not in_take.unclear and in_take.input.name == name
    }
    return Figure(
        heading="Compressors at work",
        picture=pictures.reductions(
            f"{key}-less", " ".join(f"{name}: {says}." for name, says, _ in rows), rows, seconds
        ),
        legend="The further a row hangs down, the more that input is turned down "
        f"({number(deepest)} dB at most). Short and shallow is gentle; a row that is always full is squeezed all the "
        "time. Compression also brings bleed up; the numbers say by how much, before the gate.",
        numbers=Table(
            caption="Gain of the compressors",
            head=("Input", "Average", "Most", "Bleed comes up by"),
            rows=[
                [
                    named(name),
                    f"{number(float(gain.mean()))} dB",
                    f"{number(float(gain.min()))} dB",
                    "" if (up_db := rises.get(name)) is None else f"{number(up_db)} dB",
                ]
                for name, gain in song.facts.reduction_db
                if len(gain)
            ],
        ),
    )
