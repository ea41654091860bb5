"""The section of one song: its pictures, then every decision."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from morningmix.laws.loudness import METERS_AGREE_LU
from morningmix.model.measured import Measurements, SongFacts
from morningmix.report import pictures
from morningmix.report.contents import ReportedSong
from morningmix.report.decisions import decisions, master_decisions
from morningmix.report.numbers import bleed_rise_db, columns, loudness_in_mix_lu, octave_levels, slope_levels
from morningmix.report.parts import figure, in_numbers, in_percent, table
from morningmix.report.recording import Heard
from morningmix.report.words import (
    hertz,
    loudness_in_words,
    minutes,
    named,
    number,
    side,
)

SHORT_TERM_S = 3.0
"""Window of the loudness over time; the first one ends this long after a song starts."""

_HELD_DB = 0.1
"""Less than this of limiting is not told."""


def song_section(place: int, song: ReportedSong, heard: Sequence[Heard], measured: Measurements) -> str:
    """The whole section of one song."""
    key = f"song-{place}"
    seconds = max(song.plan.end_s - song.plan.start_s, song.facts.hop_s)
    return (
        f'<section id="{key}" aria-labelledby="{key}-h"><h2 id="{key}-h">{place}. {named(song.title)}</h2>'
        f"<p>{_song_words(song)}</p>"
        f"{_loudness_figure(key, song, seconds)}"
        f'<div class="pair">{_places_figure(key, song, heard, measured)}{_spectrum_figure(key, song)}</div>'
        f"{_reductions_figure(key, song, heard, measured, seconds)}{decisions(song)}{master_decisions(song)}</section>"
    )


def _song_words(song: ReportedSong) -> str:
    if song.loudness_lufs is None:
        return "This mix is silent."
    said = f"It plays at {number(song.loudness_lufs)} LUFS"
    if song.true_peak_dbtp is not None:
        said += f" with peaks up to {number(song.true_peak_dbtp)} dBTP"
    return f"{said}. {_second_meter(song.facts.meters_differ_lu)}{_limiter_words(song.facts)}"


def _second_meter(differ_lu: float | None) -> str:
    """What a second loudness meter says, where it disagrees."""
    if differ_lu is None or abs(differ_lu) <= METERS_AGREE_LU:
        return ""
    return f"A second meter reads it {abs(differ_lu):.2f} dB {'quieter' if differ_lu > 0.0 else 'louder'}. "


def _limiter_words(facts: SongFacts) -> str:
    held = facts.limiter_db < -_HELD_DB
    if not held.any():
        return "The limiter has nothing to do."
    return (
        f"The limiter catches peaks in {in_percent(float(held.mean()))} of it, "
        f"by {number(-float(facts.limiter_db.min()))} dB at most."
    )


def _loudness_figure(key: str, song: ReportedSong, seconds: float) -> str:
    lufs = song.facts.short_term_lufs
    target = song.master.target_lufs
    if len(lufs):
        when_s = SHORT_TERM_S + song.facts.hop_s * int(np.argmax(lufs))
        loudest = f"The loudest 3 seconds, {number(float(lufs.max()))} LUFS, end at {minutes(when_s)}."
    else:
        loudest = "The song is too short for a curve."
    desc = f"Aim {number(target)} LUFS. {loudest} {_limiter_words(song.facts)}"
    numbers = table(
        "Loudness of the mix",
        ("What", "Value"),
        [
            ["Whole song", loudness_in_words(song.loudness_lufs)],
            ["Aim", f"{number(target)} LUFS"],
            ["Loudest 3 s", loudness_in_words(float(lufs.max()) if len(lufs) else None)],
            ["Median of all 3 s windows", loudness_in_words(float(np.median(lufs)) if len(lufs) else None)],
            ["True peak", "none" if song.true_peak_dbtp is None else f"{number(song.true_peak_dbtp)} dBTP"],
            ["Most limiting", f"{number(-float(song.facts.limiter_db.min(initial=0.0)))} dB"],
        ],
    )
    return figure(
        "Loud and quiet",
        pictures.loudness(
            f"{key}-loud",
            desc,
            columns(lufs),
            SHORT_TERM_S,
            max(seconds, SHORT_TERM_S),
            target,
            columns(song.facts.limiter_db, lowest=True),
        ),
        f"Each point is the loudness of the three seconds before it. {loudest} Below: what the limiter holds back.",
        in_numbers(numbers),
    )


def _places_figure(key: str, song: ReportedSong, heard: Sequence[Heard], measured: Measurements) -> str:
    by_files = {one.one.facts.files: one for one in heard}
    rows = []
    for track in song.plan.tracks:
        one = by_files.get(track.files)
        if not track.sounds or one is None:
            continue
        loudness_lu = (
            loudness_in_mix_lu(
                one.one, track, one.playing, measured, song.plan, song.master, song.facts, song.loudness_lufs
            )
            if song.loudness_lufs is not None
            else None
        )
        rows.append(
            pictures.Place(name=track.name, pan=track.pan, wide=one.one.facts.channels == 2, loudness_lu=loudness_lu)
        )
    if not rows:
        return ""
    rows.sort(key=lambda row: -1000.0 if row.loudness_lu is None else row.loudness_lu, reverse=True)
    desc = " ".join(
        f"{row.name}: {side(row.pan)}, "
        + ("not heard." if row.loudness_lu is None else f"{number(row.loudness_lu)} LU re the mix.")
        for row in rows
    )
    numbers = table(
        "Places and loudness",
        ("Input", "Place", "Loudness re the mix"),
        [
            [
                named(row.name),
                side(row.pan) + (", in stereo" if row.wide else ""),
                "not heard" if row.loudness_lu is None else f"{number(row.loudness_lu)} LU",
            ]
            for row in rows
        ],
    )
    return figure(
        "Who stands where",
        pictures.places(f"{key}-place", desc, rows),
        "As you hear it between two loudspeakers, loudest on top. A bigger dot is louder, a pale bar a stereo input. "
        "The figures: loudness while it plays against the whole mix, in LU, estimated.",
        in_numbers(numbers),
    )


def _spectrum_figure(key: str, song: ReportedSong) -> str:
    octaves = octave_levels(song.facts)
    if song.loudness_lufs is None or not octaves:
        return ""
    slope = slope_levels(octaves)
    words = _spectrum_words(octaves, slope)
    lines = dict(slope)
    numbers = table(
        "Octave bands of the mix",
        ("Octave", "Mix", "Slope"),
        [
            [hertz(hz), f"{number(level)} dBFS", f"{number(lines[hz])} dBFS" if hz in lines else ""]
            for hz, level in octaves
        ],
    )
    return figure(
        "From deep to high",
        pictures.spectrum(f"{key}-tone", words, octaves, slope),
        f"{words} The dashed line is how hit records fall on average, 2 dB per octave from 100 Hz to 4 kHz in octave "
        "bands (Pestana et al., AES 135, 2013; they print 5 dB per octave of spectral density). A hint, no rule.",
        in_numbers(numbers),
    )


def _spectrum_words(octaves: Sequence[tuple[float, float]], slope: Sequence[tuple[float, float]]) -> str:
    levels = dict(octaves)
    apart = [(levels[hz] - level, hz) for hz, level in slope]
    if not apart:
        return "There are too few octaves to compare."
    most, hz = max(apart, key=lambda one: abs(one[0]))
    if abs(most) < 3.0:
        return "The mix keeps within 3 dB of the slope of hit records."
    return (
        f"Farthest from the slope of hit records: {pictures.octave_words(hz)} is {number(abs(most))} dB "
        f"{'stronger' if most > 0 else 'weaker'}."
    )


def _reductions_figure(
    key: str, song: ReportedSong, heard: Sequence[Heard], measured: Measurements, seconds: float
) -> str:
    rows = [
        (name, f"mean {number(float(gain.mean()))} dB, most {number(float(gain.min()))} dB", columns(gain, 300))
        for name, gain in song.facts.reduction_db
        if len(gain)
    ]
    if not rows:
        return ""
    deepest = max(6.0, *(-float(gain.min()) for _, _, gain in rows))
    rises = {
        name: bleed_rise_db(gain, song.facts.hop_s, one.playing, measured, song.plan)
        for name, gain in song.facts.reduction_db
        for one in heard
        if one.is_ear and not one.unclear and one.one.name == name
    }
    numbers = table(
        "Gain of the compressors",
        ("Input", "Mean", "Most", "Bleed comes up by"),
        [
            [
                named(name),
                f"{number(float(gain.mean()))} dB",
                f"{number(float(gain.min()))} dB",
                "" if (up_db := rises.get(name)) is None else f"{number(up_db)} dB",
            ]
            for name, gain in song.facts.reduction_db
            if len(gain)
        ],
    )
    return figure(
        "How far the compressors turn down",
        pictures.reductions(f"{key}-less", " ".join(f"{name}: {says}." for name, says, _ in rows), rows, seconds),
        f"Each lane hangs down where its input is turned down, the whole lane being {number(deepest)} dB. Short and "
        "shallow is gentle; a lane that is always full means it is squeezed all the time. What is turned down while it "
        "sounds comes up against that while it rests, before its gate: the numbers say by how much.",
        in_numbers(numbers),
    )
