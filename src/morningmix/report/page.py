"""The page of a rehearsal: what happened and what to do next, then pictures, then every number with its reason.

Pure: data in, one self-contained HTML document out, the same bytes for the same data. Names and titles are whatever
somebody typed; all text is escaped where it enters.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from morningmix.laws.track_power import k_powers
from morningmix.model.found import Finding
from morningmix.model.measured import Measurements
from morningmix.report import pictures
from morningmix.report.contents import ReportedSong, ReportedTake
from morningmix.report.decision_words import FINDINGS
from morningmix.report.numbers import Array, columns
from morningmix.report.parts import table, wrapped
from morningmix.report.recording import Heard, Stretch, files_of, hear, recording_section
from morningmix.report.song import song_section
from morningmix.report.style import CSS
from morningmix.report.words import (
    count,
    hertz,
    listed,
    loudness_in_words,
    minutes,
    named,
    number,
    safe,
    sentence,
)
from morningmix.units import powers_db


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
            wrapped(song_section(place, song, heard[song.take], takes[song.take].measured))
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
            f'<p class="big">{loudness_in_words(song.loudness_lufs)}</p>{peak}'
            f'<p class="quiet">{minutes(song.plan.end_s - song.plan.start_s)} long, '
            f"from {minutes(song.plan.start_s)} to {minutes(song.plan.end_s)} of {take}</p></li>"
        )
    empty = "<p>There is no mix yet. What was recorded is below.</p>"
    return f"<section><h2>Mixed</h2>{_cards(cards) or empty}</section>"


def _cards(cards: Sequence[str]) -> str:
    return f'<ul class="plain cards">{"".join(cards)}</ul>' if cards else ""


def _findings_section(findings: Sequence[Finding], heard: Sequence[Heard]) -> str:
    cards = [
        f'<li class="card finding"><h3>{named(finding.name) if finding.name else "The whole take"}: '
        f"{safe(FINDINGS.get(finding.kind, finding.kind))}</h3><p>{safe(sentence(finding.says))}</p></li>"
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
