"""What commands print when they are done: what happened and what to do next, figures second."""

from __future__ import annotations

import json
import re
import shlex
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer  # noqa: TID251 - the command line's own words

from morningmix.model.names import visible

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from morningmix.commands.agreement import Agreed, Conflict
    from morningmix.commands.feedback import Taken
    from morningmix.commands.result import Found, Result
    from morningmix.commands.song import MixedSong
    from morningmix.model.fingerprint import Recognised
    from morningmix.model.found import Finding
    from morningmix.model.input import Input


PARTS = {"level": "{} is", "low": "The lows of {} are", "high": "The highs of {} are", "room": "The reverb on {} is"}
"""What was turned, as a sentence begins."""


def line(text: str = "", *, err: bool = False, nl: bool = True) -> None:
    """Print one line; whatever would control a terminal or reverse text is shown escaped."""
    typer.echo(visible(text), err=err, nl=nl)


def flush() -> None:
    """Hand on what was printed, to whoever reads it through a pipe."""
    sys.stdout.flush()


def mixed(result: Result) -> None:
    """Print what was mixed, where it is, how loud, what was found, and what to look at."""
    from morningmix.units import clock

    line(_what_was_mixed(result))
    for song in result.songs:
        line(f"  {near(song.mix)}: {_loudness(song)}")
    for finding in result.findings:
        line(f"  {sentence(finding)}")
    for title, changes in result.changes:
        if changes:
            more = f" and {len(changes) - _CHANGES} more" if len(changes) > _CHANGES else ""
            of = f' in "{title}"' if len(result.songs) > 1 else ""
            line(f"Since the last mix{of}: {', '.join(changes[:_CHANGES])}{more}.")
    if result.found:
        line(
            f"The take of {clock(result.take_s)} was cut into songs: {found_in_words(result.found)}. "
            f"Their times and titles are in {near(result.recipe)}; --whole mixes the take in one piece."
        )
        found(result)
    elif result.found is not None:
        line(f"The take is {clock(result.take_s)} long, but no song was found in it, so it was mixed in one piece.")
    lowered = [song for song in result.songs if song.target_lufs < song.wanted_lufs]
    if lowered:
        line(
            "A little softer than asked, because more would have squeezed the peaks too hard "
            f"({lowered[0].target_lufs:.1f} instead of {lowered[0].wanted_lufs:.1f} LUFS)."
        )
    if result.reproduced is not None:
        line(result.reproduced.says)
    if result.inputs:
        _say_usual(result)
        if result.recipe_is_new:
            line(f"New recipe: {near(result.recipe)}. Change a line in it, and mix again.")
        else:
            line(f"Mixed from the recipe {near(result.recipe)}.")
        if result.guesses:
            _say_guesses(result.guesses)
        if result.report is not None:
            line(f"What we found and decided, with pictures: {near(result.report)}")


def ready(note: Callable[[str], None], song: MixedSong) -> None:
    """Say that a song is in its place while others are still being mixed."""
    note(f"{song.title} is ready: {near(song.mix)}")


_CHANGES = 4
"""Most changes that are named in one line."""


def _what_was_mixed(result: Result) -> str:
    fresh = sum(song.partial is not None for song in result.songs)
    kept = len(result.songs) - fresh
    if not fresh:
        return "Nothing has changed since the last mix."
    ready = f"{_NUMBERS.get(fresh, str(fresh))} {'song is' if fresh == 1 else 'songs are'} ready."
    stay = f" {counted(kept, 'other song')} {'stays as it is' if kept == 1 else 'stay as they are'}." if kept else ""
    return f"{ready} Have a listen, then turn up or down whatever needs it.{stay}"


_NUMBERS = {
    1: "One",
    2: "Two",
    3: "Three",
    4: "Four",
    5: "Five",
    6: "Six",
    7: "Seven",
    8: "Eight",
    9: "Nine",
    10: "Ten",
}


def counted(number: int, what: str) -> str:
    """A number and what it counts."""
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def found_in_words(found: Sequence[Found]) -> str:
    """How many songs were found, and how many tries were left out."""
    kept = sum(stretch.song.keep for stretch in found)
    tries = len(found) - kept
    left_out = f", {'one try' if tries == 1 else f'{tries} tries'} left out" if tries else ""
    return f"{counted(kept, 'song')} found{left_out}"


def found(result: Result) -> None:
    """Print every song found, the least certain times first, because they need a listen."""
    from morningmix.units import clock

    stretches = result.found or ()
    several = len({stretch.take for stretch in stretches}) > 1
    for place, boundary in sorted(
        (
            (f"{end} of {_where(stretch, several)}", boundary)
            for stretch in stretches
            if stretch.song.keep
            for end, boundary in (("Start", stretch.song.start), ("End", stretch.song.end))
            if boundary.unsure
        ),
        key=lambda each: each[1].sure,
    ):
        line(f"  Please listen: {place}, {clock(boundary.at_s)}: {boundary.because}.")
    for stretch in stretches:
        if stretch.recognised is not None:
            line(f"  {_where(stretch, several)} {recognised_in_words(stretch.recognised)}.")
    for stretch in stretches:
        times = f"{clock(stretch.song.start.at_s):>9} - {clock(stretch.song.end.at_s):>9}"
        why = stretch.song.reason or f"{stretch.song.start.because}; {stretch.song.end.because}"
        line(f"  {times}  {_where(stretch, several)}: {why}")


def wishes_taken(taken: Taken, recipe: Path) -> None:
    """Print what was changed, what stays because people disagree, and how to hear it."""
    done = [counted(len(taken.agreed), "change")] if taken.agreed else []
    done += [counted(taken.notes, "note")] if taken.notes else []
    if not done and not taken.conflicts:
        line("There are no wishes in there, so the recipe stays as it is.")
        return
    first = f"Written into {near(recipe)}: {' and '.join(done)}." if done else f"{near(recipe)} stays as it is."
    if taken.conflicts:
        many = len(taken.conflicts)
        first += " One disagreement" if many == 1 else f" {many} disagreements"
        first += ", left unchanged: talk about it."
    line(f"{first} Then mix it: morningmix mix {quoted(str(recipe))}" if taken.agreed else first)
    for row in _who_wants_what(taken):
        line(f"  {row}".rstrip())
    for older in taken.older:
        line(f"  {older}")
    for refused in taken.refused:
        line(f"  Left out: {refused}")


def _who_wants_what(taken: Taken) -> list[str]:
    """A table: what it is about, what each person wants, and what comes of it; what they disagree on comes last."""
    matters: list[tuple[Agreed | Conflict, str]] = [(one, f"{one.level_db:+g} dB") for one in taken.agreed]
    matters += [(one, "left unchanged") for one in taken.conflicts]
    people = list(dict.fromkeys(who for one, _ in matters for who, _ in one.asked))
    rows = [["", *people, ""]] if matters else []
    for one, outcome in matters:
        wanted = {who: f"{level_db:+g}" for who, level_db in one.asked}
        rows.append([_matter(one), *(wanted.get(who, "") for who in people), outcome])
    widths = [max(len(row[column]) for row in rows) for column in range(len(people) + 2)] if rows else []
    return ["   ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)) for row in rows]


def _matter(change: Agreed | Conflict) -> str:
    part = "" if change.part == "level" else f" {change.part}"
    return f"{change.song}: {change.name}{part}{_stretch(change.stretch)}"


def recognised_in_words(known: Recognised) -> str:
    """What a song that was recognised is, and what to do."""
    semitones = abs(known.semitones)
    moved = f", {counted(semitones, 'semitone')} {'higher' if known.semitones > 0 else 'lower'}" if semitones else ""
    broken = ", broken off" if known.is_broken_off else ""
    return f'sounds like "{known.title}"{moved}{broken}: if it is, take the question mark away'


def _stretch(stretch: tuple[float, float] | None) -> str:
    from morningmix.units import clock

    return "" if stretch is None else f" from {clock(stretch[0])} to {clock(stretch[1])}"


def _where(found: Found, several: bool) -> str:
    return f"{found.title} ({found.take})" if several else found.title


def _say_usual(result: Result) -> None:
    band, names = result.usual.path, result.usual.input_list
    if names is not None:
        line(f"Names and roles that the recipe leaves open come from {near(names)}.")
    if band is not None:
        what = "Usual settings" if names is not None else "Names, roles and usual settings"
        line(f"{what} that the recipe leaves open come from {near(band)}.")


def inputs(result: Result) -> None:
    """Print every input with its role and level."""
    _say_usual(result)
    for input_ in result.inputs:
        guess = "?  a guess" if input_.role_is_guess else ""
        line(f"  {' + '.join(input_.facts.files)}: {input_.name} ({input_.role}{guess}), {recorded(input_)}")
    for finding in result.findings:
        line(f"  {sentence(finding)}")


def _say_guesses(guesses: tuple[Input, ...]) -> None:
    named = ", ".join(f"{input_.facts.files[0]} {input_.role}?" for input_ in guesses)
    line(f"These roles are guesses, so please check them in the recipe: {named}.")


def recorded(input_: Input) -> str:
    """How loud an input was recorded."""
    if input_.facts.silent:
        return "recorded nothing"
    return f"loudest peak {abs(min(input_.facts.peak_dbfs, 0.0)):.0f} dB below clipping"


def _loudness(song: MixedSong) -> str:
    if song.loudness_lufs is None:
        return "silent" if song.true_peak_dbtp is None else "too short to measure its loudness"
    if song.loudness_lufs > -12.5:
        words = "louder than music on the phone"
    else:
        words = "as loud as music on the phone" if song.loudness_lufs > -17.5 else "softer than music on the phone"
    return f"{words} ({song.loudness_lufs:.1f} LUFS)"


def sentence(finding: Finding) -> str:
    """A finding as a sentence; the name of a file that was left out keeps its spelling."""
    first = finding.says[:1] if finding.kind == "left out" else finding.says[:1].upper()
    return f"{first}{finding.says[1:]}".rstrip(".") + "."


def near(path: Path) -> str:
    """The path relative to the current folder, if it lies below that."""
    try:
        return str(path.relative_to(Path.cwd()))
    except ValueError:
        return str(path)


def quoted(text: str) -> str:
    """A path as it can be typed after a command."""
    if sys.platform == "win32":
        return text if re.fullmatch(r"[\w.:\\/-]+", text) else f'"{text}"'
    if visible(text) != text:
        # A quoted form in which shells read the printed escapes.
        escaped = text.replace("\\", "\\\\").replace("'", "\\'")
        return f"$'{visible(escaped)}'"
    return shlex.quote(text)


def song_facts(result: Result) -> dict[str, Any]:
    """The songs of a recipe and those that were found, for programs."""
    return {
        "recipe": str(result.recipe),
        "recipe_is_new": result.recipe_is_new,
        "looked": result.found is not None,
        "songs": [
            {
                "title": song.title,
                "take": song.take,
                "start_s": song.start_s,
                "end_s": song.end_s,
                "keep": song.keep,
                "reason": song.reason,
            }
            for song in result.listed
        ],
        "found": [
            {
                "title": stretch.title,
                "take": stretch.take,
                "keep": stretch.song.keep,
                "reason": stretch.song.reason,
                "recognised": None
                if stretch.recognised is None
                else {
                    "title": stretch.recognised.title,
                    "similarity": round(stretch.recognised.similarity, 3),
                    "semitones": stretch.recognised.semitones,
                    "broken_off": stretch.recognised.is_broken_off,
                },
                **{
                    name: {"at_s": round(each.at_s, 2), "because": each.because, "sure": each.sure}
                    for name, each in (("start", stretch.song.start), ("end", stretch.song.end))
                },
            }
            for stretch in result.found or ()
        ],
    }


def mix_facts(result: Result) -> dict[str, Any]:
    """A mix, for programs."""
    return {
        "home": str(result.home),
        "recipe": str(result.recipe),
        "recipe_is_new": result.recipe_is_new,
        "input_list": None if result.usual.input_list is None else str(result.usual.input_list),
        "band": None if result.usual.path is None else str(result.usual.path),
        "songs": [
            {
                "title": song.title,
                "mix": str(song.mix),
                "loudness_lufs": song.loudness_lufs,
                "true_peak_dbtp": song.true_peak_dbtp,
                "target_lufs": song.target_lufs,
                "meters_differ_lu": song.facts.meters_differ_lu,
            }
            for song in result.songs
        ],
        "reproduced": None if result.reproduced is None else asdict(result.reproduced),
        **input_facts(result),
    }


def input_facts(result: Result) -> dict[str, Any]:
    """Inputs and findings, for programs."""
    return {
        "inputs": [
            {
                "files": list(input_.facts.files),
                "name": input_.name,
                "role": input_.role,
                "family": input_.preset.family,
                "guess": input_.role_is_guess,
                "peak_dbfs": round(input_.facts.peak_dbfs, 2),
            }
            for input_ in result.inputs
        ],
        "findings": [
            {"input": finding.name, "kind": finding.kind, "says": finding.says} for finding in result.findings
        ],
    }


def skipped(why: str) -> None:
    """Print on the error stream that a song was skipped, and why."""
    line(f"morningmix: {why}", err=True)


def as_json_line(facts: dict[str, Any]) -> None:
    """Print JSON on one line, in ASCII only."""
    typer.echo(json.dumps(facts))


def as_json(facts: dict[str, Any]) -> None:
    """Print JSON, in ASCII only, so that no text in it can drive a terminal."""
    typer.echo(json.dumps(facts, indent=1))


def activity(input_: Input) -> str:
    """An input's level from start to end, drawn in forty characters."""
    import numpy as np

    parts = np.array_split(input_.facts.slots.peaks, 40)
    levels = [20.0 * float(np.log10(max(float(part.max(initial=0.0)), 1e-6))) for part in parts]
    top = max(levels)
    signs = " .:-=+*#"
    return "".join(signs[int(np.clip((level - top + 48.0) / 48.0 * (len(signs) - 1), 0, 7))] for level in levels)
