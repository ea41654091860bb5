"""The page of a rehearsal: what happened and what to do next, then pictures, then every number with its reason.

Pure: data in, one self-contained HTML document out, the same bytes for the same data. Names and titles are whatever
somebody typed; all text is escaped where it enters.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from morningmix.facts import Finding, Measurements, SongFacts
from morningmix.laws.levels import k_powers
from morningmix.laws.loudness import METERS_AGREE_LU
from morningmix.plan import MasterPlan, Reason, SongPlan, TrackPlan
from morningmix.report import pictures
from morningmix.report.numbers import Array, bleed_rise_db, columns, loudness_in_mix_lu, octave_levels, slope_levels
from morningmix.report.parts import figure, in_numbers, in_percent, table, wrapped
from morningmix.report.recording import Heard, ReportedTake, Stretch, files_of, hear, recording_section
from morningmix.report.style import CSS
from morningmix.report.words import count, hertz, listed, minutes, named, number, safe, sentence, side
from morningmix.units import powers_db

SHORT_TERM_S = 3.0
"""Window of the loudness over time; the first one ends this long after a song starts."""

_HELD_DB = 0.1
"""Less than this of limiting is not told."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportedSong:
    """One mixed song, as the page shows it."""

    title: str
    take: int
    """Which take it is cut from."""
    plan: SongPlan
    master: MasterPlan
    facts: SongFacts
    loudness_lufs: float | None
    true_peak_dbtp: float | None


def report_page(
    *, title: str, takes: Sequence[ReportedTake], findings: Sequence[Finding], songs: Sequence[ReportedSong]
) -> str:
    """The page as one HTML document without anything outside it.

    Loudnesses over time start with the window that ends 3 s after a song's start.
    """
    heard = [[hear(one, take.singing, take.measured) for one in take.inputs] for take in takes]
    found = sorted(findings, key=lambda finding: -finding.weight)
    several = len(takes) > 1
    recordings = [
        recording_section(take, heard[place], _stretches(songs, place), place + 1 if several else None)
        for place, take in enumerate(takes)
    ]
    body = [
        _header(title, takes, heard, found, songs),
        "<main>",
        wrapped(_songs_section(songs, several) + _findings_section(found, _once(heard)) + "".join(recordings)),
        *(
            wrapped(_song_section(place, song, heard[song.take], takes[song.take].measured))
            for place, song in enumerate(songs, 1)
        ),
        "</main>",
        _footer(),
    ]
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8"/>\n'
        '<meta name="viewport" content="width=device-width,initial-scale=1"/>\n'
        '<meta http-equiv="Content-Security-Policy" '
        "content=\"default-src 'none'; style-src 'unsafe-inline'; img-src data:\"/>\n"
        f'<title>{safe(title)}: rehearsal report</title>\n<link rel="icon" href="data:,"/>\n'
        f"<style>{CSS}</style>\n</head>\n<body>\n{pictures.HATCH}\n" + "\n".join(body) + "\n</body>\n</html>\n"
    )


def _stretches(songs: Sequence[ReportedSong], take: int) -> list[Stretch]:
    return [
        Stretch(number=place, title=song.title, start_s=song.plan.start_s, end_s=song.plan.end_s)
        for place, song in enumerate(songs, 1)
        if song.take == take
    ]


def _once(heard: Sequence[Sequence[Heard]]) -> list[Heard]:
    """Every input once, as it is in the first take that has it."""
    found: dict[tuple[str, ...], Heard] = {}
    for take in heard:
        for one in take:
            found.setdefault(one.one.facts.files, one)
    return list(found.values())


# ---------------------------------------------------------------- what happened, what to do next


def _header(
    title: str,
    takes: Sequence[ReportedTake],
    heards: Sequence[Sequence[Heard]],
    findings: Sequence[Finding],
    songs: Sequence[ReportedSong],
) -> str:
    heard = _once(heards)
    longest = max(range(len(takes)), key=lambda place: takes[place].take.duration_s)
    ridges = _ridges(heards[longest], takes[longest].measured)
    seconds = sum(take.take.duration_s for take in takes)
    of = f" in {count(len(takes), 'take')}" if len(takes) > 1 else ""
    which = "The longest take" if len(takes) > 1 else "The take"
    hills = (
        pictures.landscape(
            "hills",
            "How loud everything together, drums and bass, and the voices were over the whole take, as hills "
            "behind each other.",
            ridges,
        )
        if ridges
        else ""
    )
    keys = ", ".join(
        f'<span class="key key-{place}" aria-hidden="true"></span> {safe(name)}'
        for place, (name, _) in enumerate(ridges, 1)
    )
    legend = f'<p class="legend">{which} from start to end, loud is high: {keys}.</p>' if ridges else ""
    return (
        f'<header><div class="inside"><h1>{named(title)}: {_happened(songs)} {_next_step(heard, songs)}</h1>'
        f'<p class="lead">{_worth_knowing(heard, findings, songs)}</p>'
        f'<p class="quiet">{minutes(seconds)} of recording{of}, '
        f"{count(len(heard), 'input')} at {hertz(takes[0].take.rate_hz)}.</p>"
        f"{_navigation(songs, len(takes))}{hills}{legend}</div></header>"
    )


def _happened(songs: Sequence[ReportedSong]) -> str:
    return f"{count(len(songs), 'song is', 'songs are')} mixed." if songs else "nothing is mixed yet."


def _next_step(heard: Sequence[Heard], songs: Sequence[ReportedSong]) -> str:
    guesses = [one for one in heard if one.one.role_is_guess and not one.one.facts.silent]
    if not songs:
        return "Look through what was found, then mix it."
    if guesses:
        return f"Listen, then check {count(len(guesses), 'guessed role')} in the recipe."
    return "Listen, then change in the recipe what is too loud or too soft."


def _worth_knowing(heard: Sequence[Heard], findings: Sequence[Finding], songs: Sequence[ReportedSong]) -> str:
    said = [safe(sentence(finding.says)) for finding in findings[:2]]
    lowered = [song for song in songs if song.master.target_lufs < song.plan.target_lufs]
    if lowered:
        said.append(
            f"The rehearsal aims at {number(lowered[0].master.target_lufs)} LUFS instead of "
            f"{number(lowered[0].plan.target_lufs)}, because more would squeeze the peaks too hard."
        )
    unclear = [named(one.one.name) for one in heard if one.unclear]
    if unclear and len(said) < 2:
        said.append(f"In {listed(unclear)} nobody can be told from the bleed, so it stays open and a little lower.")
    return " ".join(said) or "Nothing went wrong at the desk, as far as the recording tells."


def _navigation(songs: Sequence[ReportedSong], takes: int) -> str:
    links = [("#next-time", "Next time")]
    links += [("#take", "The recording")] if takes == 1 else [(f"#take-{n}", f"Take {n}") for n in range(1, takes + 1)]
    items = "".join(f'<li><a href="{place}">{name}</a></li>' for place, name in links)
    items += "".join(
        f'<li><a href="#song-{place}">{place}. {named(song.title)}</a></li>' for place, song in enumerate(songs, 1)
    )
    items += '<li><a href="#read">How to read it</a></li>'
    return f'<nav aria-label="On this page"><ul class="plain">{items}</ul></nav>'


def _ridges(heard: Sequence[Heard], measured: Measurements) -> list[tuple[str, Array]]:
    """Loudness over the take of everything, of drums and bass, and of the voices where they sing, 0..1."""
    sounding = [one for one in heard if one.one.preset.family and not one.one.facts.silent]
    if not sounding:
        return []
    powers = {one.one.index: k_powers(one.one.facts, measured, ()) for one in sounding}
    groups = (
        ("everything", [powers[one.one.index] for one in sounding]),
        (
            "drums and bass",
            [powers[one.one.index] for one in sounding if one.one.preset.family in ("drums", "bass")],
        ),
        (
            "voices",
            [powers[one.one.index] * one.playing for one in sounding if one.one.preset.family == "vocals"],
        ),
    )
    sums = [(name, columns(np.sum(group, axis=0), 200)) for name, group in groups if group]
    top = float(powers_db(sums[0][1]).max())
    window = np.hanning(9)[1:-1]
    return [
        (name, np.convolve(np.clip((powers_db(power) - top + 36.0) / 38.0, 0.0, 1.0), window / window.sum(), "same"))
        for name, power in sums
    ]


def _songs_section(songs: Sequence[ReportedSong], several: bool) -> str:
    cards = []
    for place, song in enumerate(songs, 1):
        peak = (
            "" if song.true_peak_dbtp is None else f'<p class="quiet">true peak {number(song.true_peak_dbtp)} dBTP</p>'
        )
        take = f"take {song.take + 1}" if several else "the take"
        cards.append(
            f'<li class="card"><p><a href="#song-{place}">{place}. {named(song.title)}</a></p>'
            f'<p class="big">{_loudness(song.loudness_lufs)}</p>{peak}'
            f'<p class="quiet">{minutes(song.plan.end_s - song.plan.start_s)} long, '
            f"from {minutes(song.plan.start_s)} to {minutes(song.plan.end_s)} of {take}</p></li>"
        )
    empty = "<p>There is no mix yet. What was recorded is below.</p>"
    return f"<section><h2>Mixed</h2>{_cards(cards) or empty}</section>"


def _cards(cards: Sequence[str]) -> str:
    return f'<ul class="plain cards">{"".join(cards)}</ul>' if cards else ""


def _loudness(lufs: float | None) -> str:
    return "silent" if lufs is None else f"{number(lufs)} LUFS"


def _findings_section(findings: Sequence[Finding], heard: Sequence[Heard]) -> str:
    cards = [
        f'<li class="card finding"><h3>{named(finding.name) if finding.name else "The whole take"}: '
        f"{safe(finding.kind)}</h3><p>{safe(sentence(finding.says))}</p></li>"
        for finding in findings
    ]
    content = _cards(cards) or (
        '<div class="card fine-day"><p>Nothing to change at the desk. Every input recorded something, none hit full '
        "scale, and none was too quiet to use. Leave the gains where they are.</p></div>"
    )
    guesses = [one.one for one in heard if one.one.role_is_guess and not one.one.facts.silent]
    if guesses:
        rows = [[named(one.name), f"{safe(one.role)}?", files_of(one)] for one in guesses]
        content += (
            "<h3>Please check: these roles are guesses</h3><p>Open the recipe. Where a guess is right, take away its "
            "question mark; where it is wrong, write the right role.</p>"
            + table("Guessed roles", ("Input", "Guess", "File"), rows)
        )
    return f'<section id="next-time"><h2>What to change at the desk next time</h2>{content}</section>'


# ---------------------------------------------------------------- one song


def _song_section(place: int, song: ReportedSong, heard: Sequence[Heard], measured: Measurements) -> str:
    key = f"song-{place}"
    seconds = max(song.plan.end_s - song.plan.start_s, song.facts.hop_s)
    return (
        f'<section id="{key}" aria-labelledby="{key}-h"><h2 id="{key}-h">{place}. {named(song.title)}</h2>'
        f"<p>{_song_words(song)}</p>"
        f"{_loudness_figure(key, song, seconds)}"
        f'<div class="pair">{_places_figure(key, song, heard, measured)}{_spectrum_figure(key, song)}</div>'
        f"{_reductions_figure(key, song, heard, measured, seconds)}{_decisions(song)}{_master(song)}</section>"
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
            ["Whole song", _loudness(song.loudness_lufs)],
            ["Aim", f"{number(target)} LUFS"],
            ["Loudest 3 s", _loudness(float(lufs.max()) if len(lufs) else None)],
            ["Median of all 3 s windows", _loudness(float(np.median(lufs)) if len(lufs) else None)],
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


# ---------------------------------------------------------------- every decision, with its reason


def _decisions(song: ReportedSong) -> str:
    head = ("Input", "Role", "Gain", "Filters", "Gate", "Compressor", "Fader", "Place", "Reverb")
    seconds = song.plan.end_s - song.plan.start_s
    rows = [[named(track.name), _role(track), *_cells(track, seconds)] for track in song.plan.tracks]
    whys = "".join(_why(track, seconds) for track in song.plan.tracks)
    return (
        "<h3>What was decided for each input</h3>"
        + (table("Decisions for each input", head, rows) if rows else "<p>There are no inputs.</p>")
        + whys
    )


def _role(track: TrackPlan) -> str:
    return f'{safe(track.role)} <span class="guess">(a guess)</span>' if track.role_is_guess else safe(track.role)


def _cells(track: TrackPlan, seconds: float) -> list[str]:
    if not track.sounds:
        why = next((reason.because for reason in track.reasons if reason.what == "mute"), "")
        return [f"not in the mix{f': {safe(why)}' if why else ''}", "", "", "", "", "", ""]
    return [
        _decibels(track.gain_db)
        + "".join(f", {extra}" for extra in ("turned over" if track.flip else "", _timing(track.delay_s)) if extra),
        _filters(track),
        _gate(track, seconds),
        _compressor(track),
        _fader(track),
        side(track.pan),
        "dry" if track.send_db is None else _decibels(track.send_db),
    ]


def _decibels(value_db: float) -> str:
    return f"{number(value_db, signed=True)} dB"


def _timing(delay_s: float) -> str:
    return f"{number(abs(delay_s) * 1000.0, 2)} ms {'later' if delay_s > 0 else 'earlier'}" if delay_s else ""


def _filters(track: TrackPlan, kind: str | None = None) -> str:
    words = {"high_pass": "from", "low_pass": "up to"}
    kept = [one for one in track.filters if kind is None or one.kind == kind]
    said = [
        f"{_decibels(one.gain_db)} at {hertz(one.corner_hz)}"
        if one.kind == "peak"
        else f"{words[one.kind]} {hertz(one.corner_hz)}"
        for one in kept
    ]
    return ", ".join(said) or "none"


def _gate(track: TrackPlan, seconds: float) -> str:
    if track.gate is None:
        return "none"
    open_s = sum(b - a for a, b in track.gate.open_s)
    share = f"open {100.0 * min(open_s / seconds, 1.0):.0f} %, " if seconds > 0.0 else ""
    return f"{share}else {_decibels(track.gate.floor_db)}"


def _compressor(track: TrackPlan) -> str:
    one = track.compressor
    return "none" if one is None else f"{number(one.ratio)}:1 over {number(one.threshold_db)} dB"


def _fader(track: TrackPlan) -> str:
    moves = "".join(
        f"; {_decibels(move.level_db)} from {minutes(move.from_s)} to {minutes(move.to_s)}" for move in track.moves
    )
    return _decibels(track.fader_db) + moves


def _why(track: TrackPlan, seconds: float) -> str:
    values = {
        "role": ("Role", _role(track)),
        "mute": ("Left out", "not in the mix"),
        "gain_db": ("Gain", _decibels(track.gain_db)),
        "high_pass_hz": ("High-pass", _filters(track, "high_pass")),
        "low_pass_hz": ("Low-pass", _filters(track, "low_pass")),
        "peak_hz": ("Cut", _filters(track, "peak")),
        "de_esser": ("De-essing", "" if track.de_esser is None else f"over {hertz(track.de_esser.corner_hz)}"),
        "gate": ("Gate", _gate(track, seconds)),
        "compressor": ("Compressor", _compressor(track)),
        "fader_db": ("Fader", _fader(track)),
        "ride": ("Ride", _ride(track)),
        "pan": ("Place", side(track.pan)),
        "send_db": ("Reverb", "dry" if track.send_db is None else _decibels(track.send_db)),
        "flip": ("Polarity", "turned over" if track.flip else "as it is"),
        "delay_s": ("Timing", _timing(track.delay_s) or "as it is"),
        "turned": ("Gain, mid-take", "" if track.turned is None else _decibels(track.turned[1])),
        "ducked_s": ("Pops", f"{len(track.ducked_s)} turned down"),
    }
    rows = [[*values.get(reason.what, (_plain(reason.what), "")), *_because(reason)] for reason in track.reasons]
    name = safe(track.name)
    numbers = table(f"Reasons for {name}", ("What", "Decided", "Why", "Source"), rows, wordy=2) if rows else ""
    summary = f"Why {named(track.name)} is as it is"
    return f'<details class="why"><summary>{summary}</summary>{numbers or "<p>No reason is kept.</p>"}</details>'


def _ride(track: TrackPlan) -> str:
    levels = [db for _, db in track.ride]
    return f"{_decibels(min(levels))} to {_decibels(max(levels))}" if levels else ""


def _because(reason: Reason) -> list[str]:
    return [safe(sentence(reason.because)), safe(reason.source)]


def _plain(what: str) -> str:
    return safe(sentence(what.replace("_", " ")).rstrip("."))


def _master(song: ReportedSong) -> str:
    master, trims = song.master, song.master.trims
    values = {f"trim {family}": ("Level of the " + safe(family), _decibels(db)) for family, db in trims.trims_db}
    if trims.drum_peak_dbfs is not None:
        values["drum_peak_dbfs"] = ("Drum peaks held at", f"{number(trims.drum_peak_dbfs)} dBFS before the last gain")
    values["gain_db"] = ("Last gain", _decibels(master.gain_db))
    values["target_lufs"] = ("Aim", f"{number(master.target_lufs)} LUFS")
    reverb = song.plan.reverb
    if reverb is not None:
        values["room"] = ("Reverb", f"one small room, nothing under {hertz(reverb.low_cut_hz)}")
    reasons = {reason.what: reason for reason in (*(reverb.reasons if reverb else ()), *trims.reasons, *master.reasons)}
    reasons |= {
        f"trim {goal.family}": Reason(what=f"trim {goal.family}", because=goal.because, source=goal.source)
        for goal in song.plan.goals
        if f"trim {goal.family}" in values and f"trim {goal.family}" not in reasons
    }
    rows = [[*values[what], *(_because(reasons[what]) if what in reasons else ("", ""))] for what in values]
    rows += [[_plain(what), "", *_because(reason)] for what, reason in reasons.items() if what not in values]
    rows.append(
        [
            "Limiter",
            f"at {number(master.ceiling_dbfs)} dBFS, {1000.0 * master.lookahead_s:.0f} ms ahead, "
            f"{1000.0 * master.release_s:.0f} ms to let go",
            f"So that true peaks stay under {number(song.plan.ceiling_dbtp)} dBTP.",
            "",
        ]
    )
    return (
        '<details class="why"><summary>Why the whole mix is as it is</summary>'
        + table("Decisions for the whole mix", ("What", "Decided", "Why", "Source"), rows, wordy=2)
        + "</details>"
    )


# ---------------------------------------------------------------- how to read it


def _footer() -> str:
    terms = (
        (
            "dB, decibel",
            "A step in level. One is hardly heard, two or three clearly; ten sounds about twice as loud.",
        ),
        (
            "dBFS, full scale",
            "How far under the recorder's upper edge. At 0 the edge is hit, and what lies beyond is lost.",
        ),
        ("dBTP, true peak", "The same for the wave between the samples, which players and encoders make."),
        (
            "LUFS and LU",
            "Loudness as ears judge it (ITU-R BS.1770). Nearer to zero is louder; one LU is one dB of it.",
        ),
        ("Bleed", "What a microphone hears of everything it is not meant for."),
        ("Gate", "Turns a microphone down while nobody is singing into it, so that the drums in it do not pile up."),
        ("Compressor, limiter", "Turn down what is loud for a moment: one gently, the other at the last edge."),
    )
    listed_terms = "".join(f"<dt>{term}</dt><dd>{says}</dd>" for term, says in terms)
    return (
        '<footer id="read"><div class="inside"><h2>How to read this page</h2>'
        "<p>Read the first lines, look at the pictures, and open the reasons only if you wonder. To change something, "
        "change a line of the recipe and mix again; a role with a question mark is a guess until you take the mark "
        f"away.</p><dl>{listed_terms}</dl><h2>Mind your ears</h2>"
        "<p>Start playback low, then turn it up slowly; a mix can be much louder than what you listened to before. "
        "In the rehearsal room, 85 dB(A) is held to be safe for eight hours, and every 3 dB more halves the time: "
        "15 minutes at 100 dB(A) (NIOSH recommended exposure limit). Wear protection, and take breaks.</p>"
        "</div></footer>"
    )
