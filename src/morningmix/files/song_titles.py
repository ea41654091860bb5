"""Titles of songs in a recipe, and how those of other tries of a song are made of its own."""

from __future__ import annotations

import re
from collections.abc import Collection

from morningmix.files.role_names import GUESS
from morningmix.model.names import AGAIN, plain

_MORE = re.compile(rf"{AGAIN}(?: \d+)?\??|, broken off after .*")
"""What follows the title of a song in that of another try of it, or in the reason of one."""


def again(title: str) -> str:
    """The title of a song that was played once more."""
    return title.removesuffix(GUESS) + AGAIN + (GUESS if title.endswith(GUESS) else "")


def of_song(title: str, reason: str) -> str:
    """Why a try of a song is left out: "Rope Swing, broken off after 0:48 of 3:20"."""
    return f"{title.removesuffix(GUESS)}, {reason}"


def with_other_title(text: str, was: str, title: str) -> str:
    """A title or a reason with the new title of the song that it names; the same where it names another one."""
    was = was.removesuffix(GUESS)
    rest = text.removeprefix(was)
    if rest == text or not _MORE.fullmatch(rest):
        return text
    new = title.removesuffix(GUESS) + rest.removesuffix(GUESS)
    return new + GUESS if rest.startswith(AGAIN) and title.endswith(GUESS) else new


def free_title(title: str, taken: Collection[str]) -> str:
    """A title with the lowest number from 2 on that makes it another than those that are taken, if it needs one."""
    plain_titles = {plain(other) for other in taken}
    guess = GUESS if title.endswith(GUESS) else ""
    bare, number = title.removesuffix(GUESS), 2
    while plain(title) in plain_titles:
        title, number = f"{bare} {number}{guess}", number + 1
    return title
