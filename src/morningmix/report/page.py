"""The page of a rehearsal: what happened and what to do next, then pictures, then every number with its reason.

Pure: data in, one self-contained HTML document out, the same bytes for the same data. Names and titles are whatever
somebody typed; all text is escaped where it enters.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from morningmix.facts import Boundary, Finding, Input, Measurements, Singing, SongFacts, Take
from morningmix.laws.levels import k_powers
from morningmix.plan import MasterPlan, Reason, SongPlan, TrackPlan
from morningmix.report import pictures
from morningmix.report.numbers import (
    MOST_COLUMNS,
    Array,
    Level,
    Mask,
    columns,
    covered,
    level_of,
    loudness_in_mix_lu,
    octave_levels,
    own_share,
    plays,
    slope_levels,
)
from morningmix.report.style import CSS
from morningmix.report.words import count, hertz, listed, minutes, named, number, safe, sentence, side
from morningmix.units import clock, powers_db

SHORT_TERM_S = 3.0
"""Window of the loudness over time; the first one ends this long after a song starts."""

_HELD_DB = 0.1
"""Less than this of limiting is not told."""
_TOLD = 0.01
"""Smaller shares of a microphone's sound are not told."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportedSong:
    """One mixed song, as the page shows it."""

    title: str
    plan: SongPlan
    master: MasterPlan
    facts: SongFacts
    loudness_lufs: float | None
    true_peak_dbtp: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """One stretch of the take that the recipe lists, and how its beginning and its end were told."""

    title: str
    start: Boundary
    end: Boundary
    aside: str | None
    """Why it is not mixed; None if it is."""

    @property
    def unsure(self) -> bool:
        """Somebody ought to listen to one of its ends."""
        return self.start.unsure or self.end.unsure


@dataclass(frozen=True, slots=True, kw_only=True)
class _Heard:
    """One input, and when it plays."""

    one: Input
    singing: Singing | None
    is_ear: bool
    """Its own sound is told from bleed, or ought to be."""
    playing: Mask
    level: Level

    @property
    def unclear(self) -> bool:
        return self.is_ear and self.singing is None and not self.one.facts.silent


def report_page(
    *,
    title: str,
    take: Take,
    measured: Measurements,
    inputs: Sequence[Input],
    singing: Mapping[int, Singing | None],
    findings: Sequence[Finding],
    songs: Sequence[ReportedSong],
    cuts: Sequence[Cut] = (),
) -> str:
    """The page as one HTML document without anything outside it.

    `singing` is by `Input.index`; None there says that own sound cannot be told from bleed. Loudnesses over time start
    with the window that ends 3 s after a song's start.
    """
    heard = [_hear(one, singing, measured) for one in inputs]
    found = sorted(findings, key=lambda finding: -finding.weight)
    body = [
        _header(title, take, measured, heard, found, songs),
        "<main>",
        _wrapped(_songs_section(songs) + _findings_section(found, heard) + _take_section(take, heard, songs, cuts)),
        *(_wrapped(_song_section(place, song, heard, measured)) for place, song in enumerate(songs, 1)),
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


def _hear(one: Input, singing: Mapping[int, Singing | None], measured: Measurements) -> _Heard:
    heard = singing.get(one.index)
    playing = plays(one, heard, measured)
    return _Heard(one=one, singing=heard, is_ear=one.index in singing, playing=playing, level=level_of(one, playing))


def _wrapped(content: str) -> str:
    return f'<div class="inside">{content}</div>'


def _figure(heading: str, picture: str, legend: str, alternative: str) -> str:
    """`legend` and `alternative` are HTML."""
    return f"<figure><h3>{heading}</h3>{picture}<figcaption>{legend}</figcaption>{alternative}</figure>"


def _table(caption: str, head: Sequence[str], rows: Sequence[Sequence[str]], *, wordy: int = 0) -> str:
    """A table in a region of its own that scrolls with the keys too; the cells are HTML.

    The last `wordy` columns hold sentences.
    """
    tops = "".join(f'<th scope="col">{cell}</th>' for cell in head)
    lines = []
    for first, *rest in rows:
        cells = "".join(
            f'<td class="words">{cell}</td>' if place >= len(rest) - wordy else f"<td>{cell}</td>"
            for place, cell in enumerate(rest)
        )
        lines.append(f'<tr><th scope="row">{first}</th>{cells}</tr>')
    return (
        f'<div class="scroll" tabindex="0" role="group" aria-label="{caption}"><table><caption>{caption}</caption>'
        f"<thead><tr>{tops}</tr></thead><tbody>{''.join(lines)}</tbody></table></div>"
    )


def _in_numbers(table: str) -> str:
    return f"<details><summary>The same in numbers</summary>{table}</details>"


# ---------------------------------------------------------------- what happened, what to do next


def _header(
    title: str,
    take: Take,
    measured: Measurements,
    heard: Sequence[_Heard],
    findings: Sequence[Finding],
    songs: Sequence[ReportedSong],
) -> str:
    ridges = _ridges(heard, measured)
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
    legend = f'<p class="legend">The take from start to end, loud is high: {keys}.</p>' if ridges else ""
    return (
        f'<header><div class="inside"><h1>{named(title)}: {_happened(songs)} {_next_step(heard, songs)}</h1>'
        f'<p class="lead">{_worth_knowing(heard, findings, songs)}</p>'
        f'<p class="quiet">{minutes(take.duration_s)} of recording, '
        f"{count(len(heard), 'input')} at {hertz(take.rate_hz)}.</p>"
        f"{_navigation(songs)}{hills}{legend}</div></header>"
    )


def _happened(songs: Sequence[ReportedSong]) -> str:
    return f"{count(len(songs), 'song is', 'songs are')} mixed." if songs else "nothing is mixed yet."


def _next_step(heard: Sequence[_Heard], songs: Sequence[ReportedSong]) -> str:
    guesses = [one for one in heard if one.one.role_is_guess and not one.one.facts.silent]
    if not songs:
        return "Look through what was found, then mix it."
    if guesses:
        return f"Listen, then check {count(len(guesses), 'guessed role')} in the recipe."
    return "Listen, then change in the recipe what is too loud or too soft."


def _worth_knowing(heard: Sequence[_Heard], findings: Sequence[Finding], songs: Sequence[ReportedSong]) -> str:
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


def _navigation(songs: Sequence[ReportedSong]) -> str:
    links = [("#next-time", "Next time"), ("#take", "The recording")]
    items = "".join(f'<li><a href="{place}">{name}</a></li>' for place, name in links)
    items += "".join(
        f'<li><a href="#song-{place}">{place}. {named(song.title)}</a></li>' for place, song in enumerate(songs, 1)
    )
    items += '<li><a href="#read">How to read it</a></li>'
    return f'<nav aria-label="On this page"><ul class="plain">{items}</ul></nav>'


def _ridges(heard: Sequence[_Heard], measured: Measurements) -> list[tuple[str, Array]]:
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


def _songs_section(songs: Sequence[ReportedSong]) -> str:
    cards = []
    for place, song in enumerate(songs, 1):
        peak = (
            "" if song.true_peak_dbtp is None else f'<p class="quiet">true peak {number(song.true_peak_dbtp)} dBTP</p>'
        )
        cards.append(
            f'<li class="card"><p><a href="#song-{place}">{place}. {named(song.title)}</a></p>'
            f'<p class="big">{_loudness(song.loudness_lufs)}</p>{peak}'
            f'<p class="quiet">{minutes(song.plan.end_s - song.plan.start_s)} long, '
            f"from {minutes(song.plan.start_s)} to {minutes(song.plan.end_s)} of the take</p></li>"
        )
    empty = "<p>There is no mix yet. What was recorded is below.</p>"
    return f"<section><h2>Mixed</h2>{_cards(cards) or empty}</section>"


def _cards(cards: Sequence[str]) -> str:
    return f'<ul class="plain cards">{"".join(cards)}</ul>' if cards else ""


def _loudness(lufs: float | None) -> str:
    return "silent" if lufs is None else f"{number(lufs)} LUFS"


def _findings_section(findings: Sequence[Finding], heard: Sequence[_Heard]) -> str:
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
        rows = [[named(one.name), f"{safe(one.role)}?", _files(one)] for one in guesses]
        content += (
            "<h3>Please check: these roles are guesses</h3><p>Open the recipe. Where a guess is right, take away its "
            "question mark; where it is wrong, write the right role.</p>"
            + _table("Guessed roles", ("Input", "Guess", "File"), rows)
        )
    return f'<section id="next-time"><h2>What to change at the desk next time</h2>{content}</section>'


def _files(one: Input) -> str:
    return " + ".join(named(name) for name in one.facts.files)


# ---------------------------------------------------------------- the whole take


def _take_section(take: Take, heard: Sequence[_Heard], songs: Sequence[ReportedSong], cuts: Sequence[Cut]) -> str:
    if not heard:
        return '<section id="take"><h2>The recording</h2><p>There are no inputs in this folder.</p></section>'
    return (
        f'<section id="take"><h2>The recording</h2>{_cuts(cuts)}'
        f"{_levels_figure(heard)}{_lanes_figure(take, heard, songs, cuts)}{_leaks_figure(heard)}</section>"
    )


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
        + _table("Where the take was cut", ("Stretch", "From", "To", "Begins", "Ends", "Aside"), rows, wordy=3)
    )


def _levels_figure(heard: Sequence[_Heard]) -> str:
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
    table = _table(
        "Levels of the inputs",
        ("Input", "Peak", "Under full scale", "Typical while it plays", "Full-scale hits", "File"),
        [
            [
                named(one.one.name),
                "nothing" if one.one.facts.silent else f"{number(one.level.peak_dbfs)} dBFS",
                "" if one.one.facts.silent else f"{number(max(-one.level.peak_dbfs, 0.0))} dB",
                "" if one.level.typical_dbfs is None else f"{number(one.level.typical_dbfs)} dBFS",
                str(one.one.facts.clipped_runs),
                _files(one.one),
            ]
            for one in heard
        ],
    )
    return _figure(
        "How much room was left",
        pictures.levels("levels", desc, rows),
        "The thick line at the right is full scale: nothing fits beyond it. The upright stroke is the loudest moment, "
        "the thick bar where the sound is while it plays, the dot its usual level (RMS). A burst: it hit the edge. "
        "The shaded band, −18 to −6 dBFS, is a comfortable place for the loudest moment (common practice).",
        _in_numbers(table),
    )


def _lanes_figure(take: Take, heard: Sequence[_Heard], songs: Sequence[ReportedSong], cuts: Sequence[Cut]) -> str:
    seconds = take.duration_s
    if not seconds > 0.0:
        return ""
    edges_s = np.linspace(0.0, seconds, MOST_COLUMNS + 1)
    rows = [_lane(one, edges_s, seconds) for one in heard]
    stretches = [(song.plan.start_s, song.plan.end_s) for song in songs]
    aside = [(cut.start.at_s, cut.end.at_s) for cut in cuts if cut.aside is not None]
    desc = " ".join(f"{one.one.name}: {row.says}." for one, row in zip(heard, rows, strict=True))
    table = _table(
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
        + ", ".join(f"{place} {named(song.title)}" for place, song in enumerate(songs, 1))
        + "."
        + (" Hatched heads between them: put aside." if aside else "")
        if songs
        else ""
    )
    return _figure(
        "Who plays when",
        pictures.lanes("lanes", desc, rows, seconds, stretches, aside),
        "Full colour: its own sound plays. Pale with an outline: a voice's microphone is open, a little before and "
        "after. Hatched: "
        f"nobody can be told from the bleed.{over}",
        _in_numbers(table),
    )


def _leaks_figure(heard: Sequence[_Heard]) -> str:
    names = {one.one.index: one.one.name for one in heard}
    rows = [_leak(one.one, names) for one in heard if one.one.cleaned is not None and one.one.cleaned.heard_of]
    if not rows:
        return ""
    desc = " ".join(
        f"{row.name}: {row.says}; the rest is {listed([f'{name} {_share(share)}' for name, share in row.others[:4]])}."
        for row in rows
    )
    table = _table(
        "Who leaks into whom",
        ("Microphone", "Own sound", "Others in it"),
        [
            [
                named(row.name),
                _share(row.own),
                ", ".join(f"{named(name)} {_share(share)}" for name, share in row.others if share >= _TOLD),
            ]
            for row in rows
        ],
        wordy=1,
    )
    return _figure(
        "Who leaks into whom",
        pictures.leaks("leaks", desc, rows),
        "All that a microphone recorded, by power. Full colour: what stayed after its bleed was taken out. Pale: what "
        "was taken out, by the inputs that it follows, the largest first. Inputs that hear the same drum share it.",
        _in_numbers(table),
    )


def _leak(one: Input, names: Mapping[int, str]) -> pictures.Leak:
    assert one.cleaned is not None
    own = own_share(one)
    others = [(names[other], share * (1.0 - own)) for other, share in one.cleaned.heard_of if other in names]
    says = f"{_share(own)} its own, then {others[0][0]}" if others else f"{_share(own)} its own"
    return pictures.Leak(name=one.name, says=says, own=own, others=others)


def _lane(one: _Heard, edges_s: Array, seconds: float) -> pictures.Lane:
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


# ---------------------------------------------------------------- one song


def _song_section(place: int, song: ReportedSong, heard: Sequence[_Heard], measured: Measurements) -> str:
    key = f"song-{place}"
    seconds = max(song.plan.end_s - song.plan.start_s, song.facts.hop_s)
    return (
        f'<section id="{key}" aria-labelledby="{key}-h"><h2 id="{key}-h">{place}. {named(song.title)}</h2>'
        f"<p>{_song_words(song)}</p>"
        f"{_loudness_figure(key, song, seconds)}"
        f'<div class="pair">{_places_figure(key, song, heard, measured)}{_spectrum_figure(key, song)}</div>'
        f"{_reductions_figure(key, song, seconds)}{_decisions(song)}{_master(song)}</section>"
    )


def _song_words(song: ReportedSong) -> str:
    if song.loudness_lufs is None:
        return "This mix is silent."
    said = f"It plays at {number(song.loudness_lufs)} LUFS"
    if song.true_peak_dbtp is not None:
        said += f" with peaks up to {number(song.true_peak_dbtp)} dBTP"
    return f"{said}. {_limiter_words(song.facts)}"


def _limiter_words(facts: SongFacts) -> str:
    held = facts.limiter_db < -_HELD_DB
    if not held.any():
        return "The limiter has nothing to do."
    return (
        f"The limiter catches peaks in {_share(float(held.mean()))} of it, "
        f"by {number(-float(facts.limiter_db.min()))} dB at most."
    )


def _share(share: float) -> str:
    return f"{100 * share:.0f} %" if share >= 0.01 else "less than 1 %"


def _loudness_figure(key: str, song: ReportedSong, seconds: float) -> str:
    lufs = song.facts.short_term_lufs
    target = song.master.target_lufs
    if len(lufs):
        when_s = SHORT_TERM_S + song.facts.hop_s * int(np.argmax(lufs))
        loudest = f"The loudest 3 seconds, {number(float(lufs.max()))} LUFS, end at {minutes(when_s)}."
    else:
        loudest = "The song is too short for a curve."
    desc = f"Aim {number(target)} LUFS. {loudest} {_limiter_words(song.facts)}"
    table = _table(
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
    return _figure(
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
        _in_numbers(table),
    )


def _places_figure(key: str, song: ReportedSong, heard: Sequence[_Heard], measured: Measurements) -> str:
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
    table = _table(
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
    return _figure(
        "Who stands where",
        pictures.places(f"{key}-place", desc, rows),
        "As you hear it between two loudspeakers, loudest on top. A bigger dot is louder, a pale bar a stereo input. "
        "The figures: loudness while it plays against the whole mix, in LU, estimated.",
        _in_numbers(table),
    )


def _spectrum_figure(key: str, song: ReportedSong) -> str:
    octaves = octave_levels(song.facts)
    if song.loudness_lufs is None or not octaves:
        return ""
    slope = slope_levels(octaves)
    words = _spectrum_words(octaves, slope)
    lines = dict(slope)
    table = _table(
        "Octave bands of the mix",
        ("Octave", "Mix", "Slope"),
        [
            [hertz(hz), f"{number(level)} dBFS", f"{number(lines[hz])} dBFS" if hz in lines else ""]
            for hz, level in octaves
        ],
    )
    return _figure(
        "From deep to high",
        pictures.spectrum(f"{key}-tone", words, octaves, slope),
        f"{words} The dashed line is how hit records fall on average, 2 dB per octave from 100 Hz to 4 kHz in octave "
        "bands (Pestana et al., AES 135, 2013; they print 5 dB per octave of spectral density). A hint, no rule.",
        _in_numbers(table),
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


def _reductions_figure(key: str, song: ReportedSong, seconds: float) -> str:
    rows = [
        (name, f"mean {number(float(gain.mean()))} dB, most {number(float(gain.min()))} dB", columns(gain, 300))
        for name, gain in song.facts.reduction_db
        if len(gain)
    ]
    if not rows:
        return ""
    deepest = max(6.0, *(-float(gain.min()) for _, _, gain in rows))
    table = _table(
        "Gain of the compressors",
        ("Input", "Mean", "Most"),
        [
            [named(name), f"{number(float(gain.mean()))} dB", f"{number(float(gain.min()))} dB"]
            for name, gain in song.facts.reduction_db
            if len(gain)
        ],
    )
    return _figure(
        "How far the compressors turn down",
        pictures.reductions(f"{key}-less", " ".join(f"{name}: {says}." for name, says, _ in rows), rows, seconds),
        f"Each lane hangs down where its input is turned down, the whole lane being {number(deepest)} dB. Short and "
        "shallow is gentle; a lane that is always full means it is squeezed all the time.",
        _in_numbers(table),
    )


# ---------------------------------------------------------------- every decision, with its reason


def _decisions(song: ReportedSong) -> str:
    head = ("Input", "Role", "Gain", "Filters", "Gate", "Compressor", "Fader", "Place", "Reverb")
    seconds = song.plan.end_s - song.plan.start_s
    rows = [[named(track.name), _role(track), *_cells(track, seconds)] for track in song.plan.tracks]
    whys = "".join(_why(track, seconds) for track in song.plan.tracks)
    return (
        "<h3>What was decided for each input</h3>"
        + (_table("Decisions for each input", head, rows) if rows else "<p>There are no inputs.</p>")
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
    return ", ".join(f"{words[one.kind]} {hertz(one.corner_hz)}" for one in kept) or "none"


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
        "gate": ("Gate", _gate(track, seconds)),
        "compressor": ("Compressor", _compressor(track)),
        "fader_db": ("Fader", _fader(track)),
        "pan": ("Place", side(track.pan)),
        "send_db": ("Reverb", "dry" if track.send_db is None else _decibels(track.send_db)),
        "flip": ("Polarity", "turned over" if track.flip else "as it is"),
        "delay_s": ("Timing", _timing(track.delay_s) or "as it is"),
        "turned": ("Gain, mid-take", "" if track.turned is None else _decibels(track.turned[1])),
        "ducked_s": ("Pops", f"{len(track.ducked_s)} turned down"),
    }
    rows = [[*values.get(reason.what, (_plain(reason.what), "")), *_because(reason)] for reason in track.reasons]
    name = safe(track.name)
    table = _table(f"Reasons for {name}", ("What", "Decided", "Why", "Source"), rows, wordy=2) if rows else ""
    summary = f"Why {named(track.name)} is as it is"
    return f'<details class="why"><summary>{summary}</summary>{table or "<p>No reason is kept.</p>"}</details>'


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
        + _table("Decisions for the whole mix", ("What", "Decided", "Why", "Source"), rows, wordy=2)
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
