"""The command `remember`."""

from __future__ import annotations

import sys
from pathlib import Path

from morningmix.cli import messages
from morningmix.commands.order import Order
from morningmix.commands.remember import Lesson, lesson_of, recipe_meant, write
from morningmix.errors import UsageError


def remember_rehearsal(source: Path, *, yes: bool, as_json: bool) -> None:
    """Show what a rehearsal taught, ask whether to write it into band.toml, and do so."""
    lesson = lesson_of(recipe_meant(Order(source=source, cwd=Path.cwd())))
    if as_json:
        written = yes and lesson.is_new
        if written:
            write(lesson)
        messages.as_json({"band": str(lesson.path), "lines": lesson.lines, "written": written})
        return
    if not lesson.is_new:
        messages.line(f"{messages.near(lesson.path)} already knows all that this rehearsal taught.")
        return
    for line in lesson.lines:
        messages.line(line)
    messages.line()
    if not yes and not _agreed(lesson, source):
        messages.line(f"Nothing was written. {messages.near(lesson.path)} stays as it is.")
        return
    write(lesson)
    messages.line(f"Remembered in {messages.near(lesson.path)}. Rehearsals in the folders below it start with it.")
    if lesson.replaces is not None:
        messages.line(
            f"It now holds all of {messages.near(lesson.replaces)}, which is no longer read; you can delete that file."
        )


def _agreed(lesson: Lesson, source: Path) -> bool:
    if not sys.stdin.isatty():
        raise UsageError(
            "There is no terminal to answer in, so nothing was written. "
            f"To write it: morningmix remember {messages.quoted(str(source))} --yes"
        )
    messages.line(f"Write this into {messages.near(lesson.path)}? y or n: ", nl=False)
    return sys.stdin.readline().strip().lower() in ("y", "yes")
