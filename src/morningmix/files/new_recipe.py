"""Write the text of a recipe that lists every input."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from morningmix.files.role_names import GUESS
from morningmix.files.toml_lines import comment, quoted
from morningmix.model.band import NOTHING_USUAL, Band, Usual
from morningmix.model.names import name_from_text


@dataclass(frozen=True, slots=True, kw_only=True)
class InputLine:
    """One input of a generated recipe."""

    files: tuple[str, ...]
    """One file name, or left and right of a pair."""
    name: str
    role: str | None
    player: str | None = None
    guessed: bool = False
    """The role is a guess, and is marked as one."""
    note: str | None = None
    """What else to say about it, in words: "nothing was recorded here"."""
    usual: tuple[Usual, ...] = ()
    """Settings that it has without being written here."""


def new_recipe(*, tracks: str, title: str, inputs: Sequence[InputLine], band: Band = NOTHING_USUAL) -> str:
    """Text of a recipe that lists every input. What is usual for the band is shown in comments.

    `tracks` is the folder relative to where the recipe will lie. Raises `RecordingsError` for a file name that no UTF-8
    text can hold.
    """
    lines = [
        "# What this rehearsal should sound like: change a line, save, and mix again.",
        "# Text after a # is a comment. Remove the # in front of a setting to use it.",
        "recipe = 1",
        "",
        "[rehearsal]",
        f"tracks = {quoted(tracks)}  # folder with the raw tracks, relative to this file",
        f"title = {quoted(title)}",
        f'# band = {quoted(band.name or "...")}   date = "2026-11-19"   # for the files you share',
        "",
        "[target]",
        'preset = "demo"  # -16 LUFS, for sharing; "loud" is -14',
        "# loudness_lufs = -16.0",
        "",
        "[defaults]  # for every input without a setting of its own",
        '# bleed = "gate"',
        '# compress = "off"',
        '# eq = "off"',
        '# high_pass = "off"',
        '# align = "off"',
        '# repair = "off"',
        '# feedback = "off"',
        "",
        "# One block for each input. level_db goes on top of the automatic balance: 2 is a little louder, -2 softer.",
        "# Each can also have:  pan = -0.5 (left -1, right 1)   mute = true   flip = true   high_pass_hz = 110",
        '# Tone and reverb:  low_db = 2   high_db = -2   room_db = 3   for a stem:  [[family]]  name = "vocals"',
    ]
    if band.families or any(each.usual for each in inputs):
        lines.append('# Settings marked "usual" count too. To change one, remove its first #.')
    if any(name != name_from_text(name) for each in inputs for name in each.files):
        lines.append("# In a file name, \\\\xe9 stands for a byte that is not text (UTF-8): leave it as it is.")
    for each in inputs:
        names = [quoted(name) for name in each.files]
        lines += ["", "[[input]]"]
        lines.append(f"file = {names[0] if len(names) == 1 else '[' + ', '.join(names) + ']'}{comment(each.note)}")
        lines.append(f"name = {quoted(each.name)}")
        if each.role is not None:
            lines.append(
                f"role = {quoted(each.role + GUESS)}{comment('a guess: if it is right, remove the ?')}"
                if each.guessed
                else f"role = {quoted(each.role)}"
            )
        if each.player is not None:
            lines.append(f"player = {quoted(each.player)}")
        if not any(one.key == "level_db" for one in each.usual):
            lines.append("level_db = 0.0")
        lines += [_usual(one) for one in each.usual]
    for family in band.families:
        lines += ["", "# [[family]]", f"# name = {quoted(family.name)}", *map(_usual, family.settings)]
    return "\n".join(lines) + "\n"


def _usual(one: Usual) -> str:
    value = quoted(one.value) if isinstance(one.value, str) else str(one.value).lower()
    return f"# {one.key} = {value}{comment(f'usual, from {one.file}')}"
