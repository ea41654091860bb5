"""The command `compare`."""

from __future__ import annotations

from pathlib import Path

from morningmix.cli import messages
from morningmix.commands.compare import as_facts, compare, in_words, recipe_lines
from morningmix.commands.hear_both import write_pages


def compare_mixes(first: Path, second: Path, pages: Path | None, *, as_json: bool) -> None:
    """Say what a band hears between two mixes, and which recipe lines differ; write pages to hear it."""
    compared, alone = compare(first, second, messages.skipped)
    lines = recipe_lines(first, second)
    written = [] if pages is None else write_pages(compared, pages, messages.skipped)
    if as_json:
        facts = {"songs": as_facts(compared), "only_in_one": alone, "recipe_lines": lines}
        messages.as_json(facts | ({} if pages is None else {"pages": [str(page) for page in written]}))
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
    for page in written:
        messages.line(f"Hear both at the same beat: {messages.near(page)}")
