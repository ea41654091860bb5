"""The result of an order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from morningmix.analysis.analysed import AnalysedTake, all_inputs
from morningmix.commands.history import over_weeks, recorded_at, rehearsals_before, say_again
from morningmix.commands.reproduce import Reproduced
from morningmix.commands.song import MixedSong
from morningmix.decide.findings import find_faults
from morningmix.model.band import NOTHING_USUAL, Band
from morningmix.model.fingerprint import Recognised
from morningmix.model.found import Finding, FoundSong, FoundThen
from morningmix.model.input import Input
from morningmix.model.recipe import SongWish


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """A stretch that was found in a take, with its title in the recipe."""

    take: str
    title: str
    song: FoundSong
    recognised: Recognised | None = None
    """The known song that it was taken for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """The result of an order."""

    home: Path
    recipe: Path
    recipe_is_new: bool
    songs: tuple[MixedSong, ...]
    inputs: tuple[Input, ...]
    findings: tuple[Finding, ...]
    weeks: tuple[FoundThen, ...] = ()
    """What was found in the last rehearsals, this one at the end."""
    usual: Band = NOTHING_USUAL
    report: Path | None = None
    found: tuple[Found, ...] | None = None
    """Stretches found in the takes and written into the recipe; None if no take was searched."""
    listed: tuple[SongWish, ...] = ()
    """The songs that the recipe lists now."""
    changes: tuple[tuple[str, tuple[str, ...]], ...] = ()
    """Titles of songs that were there before, and what is different in them now."""
    take_s: float = 0.0
    """Length of the longest take."""
    reproduced: Reproduced | None = None
    """Whether a mix from a recall sheet is the same as the first one."""

    @property
    def guesses(self) -> tuple[Input, ...]:
        """Inputs whose role nobody has confirmed."""
        return tuple(input_ for input_ in self.inputs if input_.role_is_guess and not input_.facts.silent)


def result_of(analysed_takes: Sequence[AnalysedTake], songs: tuple[MixedSong, ...]) -> Result:
    """The result for measured takes and mixed songs."""
    first, when, findings = analysed_takes[0], recorded_when(analysed_takes), _findings(analysed_takes)
    before = rehearsals_before(first.home.root, when)
    return Result(
        home=first.home.root,
        recipe=first.home.recipe,
        recipe_is_new=first.recipe_is_new,
        songs=songs,
        inputs=all_inputs(analysed_takes),
        findings=say_again(findings, before),
        weeks=over_weeks(findings, when, before),
        usual=first.recipe.usual,
        listed=first.recipe.songs,
        take_s=max(analysed.take.duration_s for analysed in analysed_takes),
    )


def recorded_when(analysed_takes: Sequence[AnalysedTake]) -> str:
    """When the rehearsal was, ISO 8601."""
    return recorded_at([analysed.take for analysed in analysed_takes], analysed_takes[0].recipe.date)


def _findings(analysed_takes: Sequence[AnalysedTake]) -> tuple[Finding, ...]:
    """Findings of all takes; one that several takes share is reported once, where it is worst."""
    if len(analysed_takes) == 1:
        analysed = analysed_takes[0]
        return find_faults(analysed.inputs, analysed.take, analysed.measured, analysed.singing)
    worst: dict[tuple[str, str], tuple[Finding, list[str]]] = {}
    for analysed in analysed_takes:
        for finding in find_faults(analysed.inputs, analysed.take, analysed.measured, analysed.singing):
            key = (finding.name, finding.kind)
            known, names = worst.get(key, (finding, []))
            worst[key] = (max(known, finding, key=lambda each: each.weight), [*names, analysed.take.name])
    findings = [
        replace(finding, says=f"{finding.says.rstrip('.')}. This was in {_named(names, len(analysed_takes))}.")
        for finding, names in worst.values()
    ]
    return tuple(sorted(findings, key=lambda finding: -finding.weight))


def _named(takes: Sequence[str], of: int) -> str:
    return "every take" if len(takes) == of else ", ".join(takes)
