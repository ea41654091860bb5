"""The command `compare`."""

from __future__ import annotations

from pathlib import Path

from morningmix.cli import messages
from morningmix.commands.compare import as_facts, compare, in_words, recipe_lines


def compare_mixes(first: Path, second: Path, *, as_json: bool) -> None:
    """Say what a band hears between two mixes, and which recipe lines differ."""
    compared, alone = compare(first, second, messages.skipped)
    lines = recipe_lines(first, second)
    if as_json:
        messages.as_json({"songs": as_facts(compared), "only_in_one": alone, "recipe_lines": lines})
        return
    for song in compared:
        for text in in_words(song, with_plans=not lines):
            messages.line(text)
    for line in alone:
        messages.line(line)
    if lines:
        messages.line("Recipe lines that differ:")
        for line in lines:
            messages.line(f"  {line}")
