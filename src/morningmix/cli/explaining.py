"""The command `why`."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from morningmix.cli import messages
from morningmix.errors import UsageError
from morningmix.files.notes import notes_in
from morningmix.files.recall import read_recall, read_sheets
from morningmix.files.recipe_tables import unknown_name
from morningmix.model.names import plain
from morningmix.report.explain import input_in_words, songs_in_brief, whole_in_words
from morningmix.storage.home import MIXES, RECIPE
from morningmix.storage.song_folders import finish_swaps, song_sheets
from morningmix.storage.text import read_text
from morningmix.units import clock

_MOST_NOTES = 20
"""As many as fit below the decisions on a second screen (design choice)."""


def explain(
    source: Path, name: str | None, song: str | None, *, everything: bool, sources: bool, as_json: bool
) -> None:
    """Print the decisions of the last mix, the most important first, or those about one input."""
    folder = source if source.is_dir() else source.parent
    finish_swaps(folder)
    if source.suffix == ".json":
        recalls = [read_recall(source)]
    else:
        sheets = read_sheets(song_sheets(folder / MIXES), messages.skipped)
        recalls = [recall for _, recall in sheets]
    if song is not None:
        recalls = [recall for recall in recalls if plain(recall.title) == plain(song)]
    if not recalls:
        raise UsageError(f"Nothing is mixed yet from {source}. First: morningmix mix {messages.quoted(str(source))}")
    if as_json:
        messages.as_json(
            {recall.title: recall.model_dump(mode="json", include={"plan", "master", "tempo"}) for recall in recalls}
        )
        return
    songs = [(recall.plan, recall.master, recall.tempo) for recall in recalls]
    if name is None and not everything:
        lines = songs_in_brief(songs, sources=sources)
        lines.append("More: name an input after the recipe, or add --all.")
    else:
        lines = []
        for plan, master, tempo in songs:
            chosen = [track for track in plan.tracks if name is None or plain(track.name) == plain(name)]
            if not chosen:
                raise UsageError(
                    f'In "{plan.title}", {unknown_name(name or "", [track.name for track in plan.tracks])}'
                )
            lines += whole_in_words(plan, master, tempo, sources=sources) if name is None else []
            for track in chosen:
                lines += ([""] if lines else []) + input_in_words(track, sources=sources)
    if name is None and source.suffix != ".json":
        lines += _notes(folder / RECIPE, [recall.title for recall in recalls])
    for line in lines:
        messages.line(line)


def _notes(recipe: Path, titles: Sequence[str]) -> list[str]:
    """What the band has noted about the songs."""
    if not recipe.is_file():
        return []
    text = read_text(recipe)
    noted = [
        f"  {title}, {clock(note.at_s)} {note.who}: {note.says}" for title in titles for note in notes_in(text, title)
    ]
    more = f"  {len(noted) - _MOST_NOTES} more are in the recipe."
    noted = noted if len(noted) <= _MOST_NOTES else [*noted[:_MOST_NOTES], more]
    return ["What the band has noted; delete a note's line in the recipe once it is done:", *noted] if noted else []
