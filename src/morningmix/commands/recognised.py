"""Songs that the band has played before get their titles, with a question mark until somebody takes it away."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from morningmix.analysis.analysed import AnalysedTake, listed
from morningmix.analysis.fingerprint import fingerprints_of
from morningmix.decide.recognise import recognise
from morningmix.files.fingerprint import SONGS, read_fingerprints
from morningmix.files.recipe import read_recipe
from morningmix.files.role_names import GUESS
from morningmix.files.song_edit import with_title
from morningmix.model.fingerprint import Recognised
from morningmix.model.names import AGAIN, is_numbered, plain
from morningmix.model.recipe import SongWish
from morningmix.storage.lock import editing
from morningmix.storage.text import read_text, write_text_whole
from morningmix.workers.jobs import Lane


def keep_fingerprints(analysed_takes: Sequence[AnalysedTake], lane: Lane) -> None:
    """Measure what the songs that are kept are recognised by, as far as the cache does not know, for `remember`."""
    for analysed in analysed_takes:
        fingerprints_of(analysed, [(song.start_s, song.end_s) for song in listed(analysed) if song.keep], lane)


def with_known_titles(
    analysed_takes: Sequence[AnalysedTake], lane: Lane, note: Callable[[str], None]
) -> dict[str, Recognised]:
    """Give numbered songs in the recipe the titles of the known songs they are; returns these by their new titles.

    A known title goes to the song that is most like it, and to none where the recipe has it already. `note` receives
    a line about each fingerprint that cannot be used. Raises `RecordingsError` and `OutputError`.
    """
    band, path = analysed_takes[0].recipe.usual.path, analysed_takes[0].home.recipe
    known = {} if band is None else read_fingerprints(band.parent / SONGS, note)
    titles = {plain(song.title) for song in analysed_takes[0].recipe.songs}
    known = {title: one for title, one in known.items() if not titles & {plain(title), plain(f"{title}{GUESS}")}}
    if not known:
        return {}
    found: dict[str, tuple[SongWish, Recognised]] = {}
    for analysed in analysed_takes:
        # One that was played again goes by the title of the first.
        numbered = [song for song in listed(analysed) if song.keep and is_numbered(plain(song.title))]
        songs = [song for song in numbered if AGAIN not in song.title]
        prints = fingerprints_of(analysed, [(song.start_s, song.end_s) for song in songs], lane)
        for song, fingerprint in zip(songs, prints, strict=True):
            one = None if fingerprint is None else recognise(fingerprint, known)
            if one is not None and (one.title not in found or one.similarity > found[one.title][1].similarity):
                found[one.title] = song, one
    with editing(path):
        text = read_text(path)
        places = {plain(song.title): place for place, song in enumerate(read_recipe(path).songs)}
        for song, one in found.values():
            text = with_title(text, places[plain(song.title)], f"{one.title}{GUESS}")
        if found:
            write_text_whole(path, text)
    return {f"{one.title}{GUESS}": one for _, one in found.values()}
