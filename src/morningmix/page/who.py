"""Step 1, who plays what: a card for every input with its name, what it is, who plays it and what was found."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from markupsafe import Markup  # noqa: TID251

from morningmix.commands.listen import Heard, HeardTake
from morningmix.commands.remember import Lesson, lesson_of, write
from morningmix.errors import MorningmixError, UsageError
from morningmix.files.input_edit import with_guesses_right, with_name, with_player, with_role
from morningmix.files.presets import load_roles
from morningmix.model.input import Input
from morningmix.model.plan import FAMILIES
from morningmix.model.recipe import InputWish, Recipe
from morningmix.model.recording import Recording, Take
from morningmix.page.asked import Asked
from morningmix.page.rehearsal import Rehearsal
from morningmix.report import pictures
from morningmix.report.decision_words import FINDINGS
from morningmix.report.numbers import Array, columns
from morningmix.report.templates import render
from morningmix.report.words import count, number
from morningmix.units import SILENCE_DB, power_db, powers_db

LOUDEST_S = 10.0
_COLUMNS = 200
_PLAYED_DBFS, _PLAYED_PEAK_DBFS, _MOST_LOUDER_DB = -20.0, -1.0, 40.0
"""Mean level at which an input's loudest seconds are played, its highest peak, and the most that they are turned up."""
_NO_PART = "left out of the mix"
_RANGE_DB = 40.0
"""Of a card's ridge: softer is at its foot (design choice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """One input on the page."""

    number: int
    name: str
    files: str
    says: str
    """How loud it was recorded, in words."""
    ridge: Markup | None = None
    role: str = ""
    guess: bool = False
    because: str = ""
    player: str = ""
    findings: Sequence[tuple[str, str]] = ()
    """Each in a word and as a sentence."""
    loudest_s: float = 0.0
    louder_db: float = 0.0
    """How much louder than recorded it is played: all inputs are about equally loud."""
    seconds: float = 0.0
    silent: bool = False
    cleaned: bool = False
    """Its loudest seconds can be heard without the others too."""


def inputs(rehearsal: Rehearsal) -> list[tuple[Take, Recording, Input | None]]:
    """Every input as the page numbers them, from 0; without what is known of it while it is not yet listened to."""
    heard = rehearsal.heard
    if heard is not None:
        return [
            (take.analysed.take, take.analysed.take.recordings[input_.index], input_) for take, input_ in heard.inputs
        ]
    longest = max(rehearsal.takes, key=lambda take: take.duration_s)
    return [(longest, recording, None) for recording in longest.recordings]


def section(rehearsal: Rehearsal) -> str:
    """The step as HTML."""
    heard = rehearsal.heard
    cards = _waiting(rehearsal) if heard is None else _cards(heard, rehearsal.recipe())
    families: dict[str, list[str]] = {family: [] for family in (*FAMILIES, _NO_PART)}
    for role, preset in load_roles().items():
        families[preset.family or _NO_PART].append(role)
    return render(
        "who.html",
        package=__package__,
        cards=cards,
        heard=heard is not None,
        families=families,
        guesses=sum(card.guess for card in cards),
        players=sorted({card.player for card in cards if card.player}),
        of_take=_of_take(heard) if heard else (),
        **_to_remember(rehearsal),
        count=count,
    )


def _to_remember(rehearsal: Rehearsal) -> dict[str, object]:
    """What this rehearsal taught, line by line, or why it cannot be remembered."""
    lesson: Lesson | None = None
    problem = ""
    if rehearsal.heard is not None:
        try:
            _refuse_demo(rehearsal)
            lesson = lesson_of(rehearsal.home.recipe)
        except MorningmixError as error:
            problem = str(error)
    lines = lesson.lines[2:] if lesson else []
    return {
        "lesson": lesson,
        "lines": [(line[0], line[1:]) for line in lines if line[0] in "-+" and line[1:].strip() and line[1] != "#"],
        "problem": problem,
    }


def _waiting(rehearsal: Rehearsal) -> list[Card]:
    return [
        Card(
            number=place,
            name=recording.embedded_name or recording.files[0],
            files=" + ".join(recording.files),
            says="listening to it",
            seconds=take.duration_s,
        )
        for place, (take, recording, _) in enumerate(inputs(rehearsal))
    ]


def _cards(heard: Heard, recipe: Recipe | None) -> list[Card]:
    wishes = {wish.files: wish for wish in recipe.inputs} if recipe else {}
    return [
        _card(place, heard, take, input_, wishes.get(input_.facts.files))
        for place, (take, input_) in enumerate(heard.inputs)
    ]


def _card(place: int, heard: Heard, take: HeardTake, input_: Input, wish: InputWish | None) -> Card:
    role, guess, because = input_.role, input_.role_is_guess, input_.role_because
    if wish is not None and wish.role is not None and (wish.role, wish.role_is_guess) != (role, guess):
        role, guess, because = wish.role, wish.role_is_guess, ""
    ridge, loudest_s, loudest_db = _ridge(take, input_.index)
    player = (wish.player if wish else None) or input_.wish.player or ""
    return Card(
        number=place,
        name=(wish.called if wish else None) or input_.name,
        files=" + ".join(input_.facts.files),
        says=_level(input_),
        ridge=ridge,
        role=role,
        guess=guess,
        because="" if because == "nobody has confirmed it yet" else because,
        player=player,
        findings=[
            (FINDINGS[finding.kind], finding.says) for finding in heard.result.findings if finding.name == input_.name
        ],
        loudest_s=loudest_s,
        louder_db=round(min(_PLAYED_DBFS - loudest_db, _PLAYED_PEAK_DBFS - input_.facts.peak_dbfs, _MOST_LOUDER_DB), 1),
        seconds=take.analysed.take.duration_s,
        silent=input_.facts.silent,
        cleaned=input_.cleaned is not None
        and any(start <= loudest_s < end for (start, end), _ in input_.cleaned.sounds),
    )


def _level(input_: Input) -> str:
    if input_.facts.silent:
        return "recorded nothing"
    return f"loudest peak {number(max(-input_.facts.peak_dbfs, 0.0), 0)} dB below clipping"


@lru_cache(maxsize=256)
def _ridge(take: HeardTake, index: int) -> tuple[Markup, float, float]:
    """How loud an input is over its take, where its loudest seconds begin, and their level."""
    input_ = next(one for one in take.analysed.inputs if one.index == index)
    power = (input_.recorded or input_.facts.slots).powers.astype(np.float64)
    slot_s = take.analysed.measured.slot_s
    window = max(1, min(len(power), round(LOUDEST_S / slot_s)))
    summed = np.cumsum(np.concatenate(([0.0], power)))
    windows = (summed[window:] - summed[:-window]) / window
    loudest = int(np.argmax(windows)) if len(power) else 0
    level_db = power_db(float(windows[loudest])) if len(power) else SILENCE_DB
    return pictures.hills([("", heights(power))]), loudest * slot_s, level_db


def heights(power: Array) -> Array:
    """A ridge's heights, 0..1, from the power of every slot."""
    level_db = powers_db(columns(power, _COLUMNS))
    top_db = float(level_db.max(initial=-_RANGE_DB * 3.0))
    if top_db <= -110.0:
        return np.zeros(len(level_db))
    return np.asarray(np.clip(1.0 + (level_db - top_db) / _RANGE_DB, 0.0, 1.0)) * 0.96


def _of_take(heard: Heard) -> list[tuple[str, str]]:
    return [(FINDINGS[finding.kind], finding.says) for finding in heard.result.findings if not finding.name]


# ---------------------------------------------------------------- what a person changes


def _of(rehearsal: Rehearsal, asked: Asked) -> tuple[str, tuple[str, ...]]:
    """Name and files of the input that is meant."""
    _, input_ = asked.one_of("input", rehearsal.all_heard().inputs)
    recipe = rehearsal.recipe()
    files = input_.facts.files
    if asked.gives("files") and asked.text("files", 2_000) != " + ".join(files):
        raise UsageError("The inputs have changed in the meantime, so nothing was done. Load the page again.")
    wish = next((wish for wish in recipe.inputs if wish.files == files), None) if recipe else None
    return (wish.called if wish else None) or input_.name, files


def say_role(rehearsal: Rehearsal, asked: Asked) -> str:
    """Say what an input is."""
    name, files = _of(rehearsal, asked)
    role = asked.text("role")
    return rehearsal.change(f"{name}: the role is {role}", lambda text: with_role(text, files, role), hear=True)


def all_right(rehearsal: Rehearsal, _: Asked) -> str:
    """Say that every guessed role is right."""
    rehearsal.all_heard()
    return rehearsal.change("All guessed roles are right", with_guesses_right, hear=True)


def say_name(rehearsal: Rehearsal, asked: Asked) -> str:
    """Give an input a name."""
    old, files = _of(rehearsal, asked)
    name = asked.text("name", 60)
    return rehearsal.change(f"{old} is called {name}", lambda text: with_name(text, files, name), hear=True)


def say_player(rehearsal: Rehearsal, asked: Asked) -> str:
    """Say who plays an input."""
    name, files = _of(rehearsal, asked)
    player = asked.text("player", 60)
    says = f"{name}: {player} plays it" if player.strip() else f"{name}: nobody is named"
    return rehearsal.change(says, lambda text: with_player(text, files, player), hear=True)


def _refuse_demo(rehearsal: Rehearsal) -> None:
    if rehearsal.is_demo:
        raise UsageError("This is the demo, so there is no next rehearsal to remember anything for.")


def remember_all(rehearsal: Rehearsal, asked: Asked) -> str:
    """Remember for the next rehearsal what was shown."""
    _refuse_demo(rehearsal)
    lesson = lesson_of(rehearsal.home.recipe)
    if asked.text("lesson") != lesson.mark:
        raise UsageError("The lines have changed in the meantime, so nothing was written. Look at them again.")
    if lesson.is_new:
        write(lesson)
    rehearsal.events.tell("changed", version="band")
    return f"Remembered in {lesson.path}. Rehearsals in the folders below it start with this."


CHANGES: Mapping[str, Callable[[Rehearsal, Asked], str]] = {
    "/who/role": say_role,
    "/who/all-right": all_right,
    "/who/name": say_name,
    "/who/player": say_player,
    "/who/remember": remember_all,
}
