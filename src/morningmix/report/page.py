"""The page of a rehearsal: what happened and what to do next, then pictures, then every number with its reason.

Pure: data in, one self-contained HTML document out, the same bytes for the same data.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup  # noqa: TID251

from morningmix.model.found import Finding, FoundThen
from morningmix.report import pictures
from morningmix.report.contents import ReportedSong, ReportedTake
from morningmix.report.decision_words import FINDINGS
from morningmix.report.numbers import ridges
from morningmix.report.parts import Table
from morningmix.report.recording import (
    InputInTake,
    Stretch,
    files_of,
    input_in_take,
    recording_section,
    ridge_powers,
)
from morningmix.report.song import song_section
from morningmix.report.templates import render
from morningmix.report.weeks import weeks_figure
from morningmix.report.words import all_named, count, hertz, minutes, named, number, sentence


def report_page(
    *,
    title: str,
    takes: Sequence[ReportedTake],
    findings: Sequence[Finding],
    songs: Sequence[ReportedSong],
    weeks: Sequence[FoundThen] = (),
) -> str:
    """The page as one HTML document without anything outside it.

    Loudnesses over time start with the window that ends 3 s after a song's start.
    """
    inputs = [[input_in_take(in_take, take.singing, take.measured) for in_take in take.inputs] for take in takes]
    found = sorted(findings, key=lambda finding: -finding.weight)
    several = len(takes) > 1
    return render(
        "report.html",
        title=title,
        hatch=pictures.HATCH,
        top=_top(takes, inputs, found, songs),
        findings=found,
        kinds=FINDINGS,
        weeks=weeks_figure(weeks),
        guesses=_guesses(_once(inputs)),
        takes=[
            recording_section(take, inputs[place], _stretches(songs, place), f"take-{place + 1}" if several else "take")
            for place, take in enumerate(takes)
        ],
        songs=[
            song_section(
                f"song-{place}",
                song,
                inputs[song.take],
                takes[song.take].measured,
                f"take {song.take + 1}" if several else "the take",
            )
            for place, song in enumerate(songs, 1)
        ],
    )


def _stretches(songs: Sequence[ReportedSong], take: int) -> list[Stretch]:
    return [
        Stretch(number=place, title=song.title, start_s=song.plan.start_s, end_s=song.plan.end_s)
        for place, song in enumerate(songs, 1)
        if song.take == take
    ]


def _once(inputs: Sequence[Sequence[InputInTake]]) -> list[InputInTake]:
    """Every input once, from the first take that has it."""
    found: dict[tuple[str, ...], InputInTake] = {}
    for take in inputs:
        for in_take in take:
            found.setdefault(in_take.input.facts.files, in_take)
    return list(found.values())


# ---------------------------------------------------------------- what happened, what to do next


@dataclass(frozen=True, slots=True, kw_only=True)
class _Top:
    happened: str
    next_step: str
    worth_knowing: Markup
    recorded: str
    hills: Markup
    ridges: Sequence[str]


def _top(
    takes: Sequence[ReportedTake],
    inputs_by_take: Sequence[Sequence[InputInTake]],
    findings: Sequence[Finding],
    songs: Sequence[ReportedSong],
) -> _Top:
    inputs = _once(inputs_by_take)
    longest = max(range(len(takes)), key=lambda place: takes[place].take.duration_s)
    groups = ridges(ridge_powers(inputs_by_take[longest], takes[longest].measured))
    seconds = sum(take.take.duration_s for take in takes)
    of = f" in {count(len(takes), 'take')}" if len(takes) > 1 else ""
    return _Top(
        happened=f"{count(len(songs), 'song is', 'songs are')} ready." if songs else "nothing is mixed yet.",
        next_step=_next_step(inputs, songs),
        worth_knowing=_worth_knowing(inputs, findings, songs),
        recorded=f"{minutes(seconds)} of recording{of}, {count(len(inputs), 'input')} at "
        f"{hertz(takes[0].take.rate_hz)}.",
        hills=pictures.landscape(
            "hills",
            "How loud everything together, drums and bass, and the vocals were over the whole take, as hills one "
            "behind another.",
            groups,
        ),
        ridges=[name for name, _ in groups],
    )


def _next_step(inputs: Sequence[InputInTake], songs: Sequence[ReportedSong]) -> str:
    guesses = [in_take for in_take in inputs if in_take.input.role_is_guess and not in_take.input.facts.silent]
    if not songs:
        return "See what was found, then mix it."
    if guesses:
        return f"Have a listen, then check {count(len(guesses), 'guess', 'guesses')} in the recipe."
    return "Have a listen, then turn up or down whatever needs it."


def _worth_knowing(inputs: Sequence[InputInTake], findings: Sequence[Finding], songs: Sequence[ReportedSong]) -> Markup:
    sentences = [Markup.escape(sentence(finding.says)) for finding in findings[:2]]
    lowered = [song for song in songs if song.master.target_lufs < song.plan.target_lufs]
    if lowered:
        less_db = lowered[0].plan.target_lufs - lowered[0].master.target_lufs
        sentences.append(
            Markup.escape(
                f"The mixes are {number(less_db)} dB quieter than asked "
                f"({number(lowered[0].master.target_lufs)} instead of {number(lowered[0].plan.target_lufs)} LUFS): "
                "louder would squash the peaks."
            )
        )
    unclear = [in_take.input.name for in_take in inputs if in_take.unclear]
    if unclear and len(sentences) < 2:
        sentences.append(
            Markup("{} cannot be told from the bleed, so {} stays open and a little lower in the mix.").format(
                all_named(unclear), "it" if len(unclear) == 1 else "each"
            )
        )
    return Markup(" ").join(sentences) or Markup("No problems found in the recording.")


def _guesses(inputs: Sequence[InputInTake]) -> Table | None:
    rows = [
        [named(in_take.input.name), f"{in_take.input.role}?", files_of(in_take.input)]
        for in_take in inputs
        if in_take.input.role_is_guess and not in_take.input.facts.silent
    ]
    return Table(caption="Guessed roles", head=("Input", "Guess", "File"), rows=rows) if rows else None
