"""Songs that the band has played before get their titles, with a question mark until somebody takes it away."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from morningmix.analysis.analysed import AnalysedTake, listed
from morningmix.analysis.fingerprint import fingerprints_of
from morningmix.decide.fingerprint import MOST_BEATS
from morningmix.decide.recognise import recognise, stops_early
from morningmix.decide.tries import broken_off_after
from morningmix.files.fingerprint import SONGS, read_fingerprints
from morningmix.files.recipe import read_recipe
from morningmix.files.role_names import GUESS
from morningmix.files.song_edit import with_kept, with_new_song, with_title
from morningmix.files.song_titles import of_song
from morningmix.model.fingerprint import Fingerprint, Recognised
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

    A known title goes to the song that is most like it, and to none where the recipe has it already. Songs that were
    broken off are left out, unless there are no others. `note` receives a line about each fingerprint that cannot be
    used. Raises `RecordingsError` and `OutputError`.
    """
    path, known = analysed_takes[0].home.recipe, _known(analysed_takes, note)
    if not known:
        return {}
    ways: list[tuple[SongWish, Recognised, float]] = []
    kept = 0
    for analysed in analysed_takes:
        # One that was played again goes by the title of the first.
        numbered = [song for song in listed(analysed) if song.keep and is_numbered(plain(song.title))]
        songs = [song for song in numbered if AGAIN not in song.title]
        kept += sum(song.keep for song in listed(analysed))
        prints = fingerprints_of(analysed, [(song.start_s, song.end_s) for song in songs], lane)
        for song, fingerprint in zip(songs, prints, strict=True):
            one = None if fingerprint is None else recognise(fingerprint, known)
            if one is not None and fingerprint is not None:
                ways.append((song, one, fingerprint.seconds))
    broken_off = [(song, one, seconds) for song, one, seconds in ways if stops_early(one)]
    if len(broken_off) == kept:
        broken_off = []
    whole = [(song, one) for song, one, _ in ways if not (broken_off and stops_early(one))]
    found = [whole[place] for place in _best([one for _, one in whole])]
    with editing(path):
        text = read_text(path)
        places = {plain(song.title): place for place, song in enumerate(read_recipe(path).songs)}
        for song, one in found:
            text = with_title(text, places[plain(song.title)], f"{one.title}{GUESS}")
        for song, one, seconds in broken_off:
            of = known[one.title]
            # A longer song is not in its fingerprint to the end.
            of_s = of.seconds if of.beats.shape[1] < MOST_BEATS else None
            why = of_song(one.title, broken_off_after(seconds, of_s))
            text = with_kept(text, places[plain(song.title)], keep=False, reason=why)
        if ways:
            write_text_whole(path, text)
    return {f"{one.title}{GUESS}": one for _, one in found}


def with_known_takes(analysed_takes: Sequence[AnalysedTake], lane: Lane, note: Callable[[str], None]) -> bool:
    """List takes of which the recipe lists no song, and which are one that was played before; whether there were any.

    `note` receives a line about each, and about each fingerprint that cannot be used. Raises as `with_known_titles`.
    """
    path, known = analysed_takes[0].home.recipe, _known(analysed_takes, note)
    unlisted = [analysed for analysed in analysed_takes if not listed(analysed)]
    ways = []
    for analysed in unlisted if known else ():
        (fingerprint,) = fingerprints_of(analysed, [(0.0, analysed.take.duration_s)], lane)
        one = None if fingerprint is None else recognise(fingerprint, known)
        if one is not None:
            ways.append((analysed, one))
    for place in _best([one for _, one in ways]):
        analysed, one = ways[place]
        name, title = analysed.take.name, f"{one.title}{GUESS}"
        end_s = math.ceil(10.0 * analysed.take.duration_s) / 10.0
        with editing(path):
            text, _ = with_new_song(read_text(path), title, (0.0, end_s), name if len(analysed_takes) > 1 else None)
            write_text_whole(path, text)
        note(f'{name} sounds like "{one.title}", so it is called "{title}". If it is, take the question mark away.')
    return bool(ways)


def _known(analysed_takes: Sequence[AnalysedTake], note: Callable[[str], None]) -> dict[str, Fingerprint]:
    """What known songs are recognised by whose titles the recipe does not have yet."""
    recipe = analysed_takes[0].recipe
    if recipe.usual.path is None:
        return {}
    titles = {plain(song.title) for song in recipe.songs}
    known = read_fingerprints(recipe.usual.path.parent / SONGS, note)
    return {title: one for title, one in known.items() if not titles & {plain(title), plain(f"{title}{GUESS}")}}


def _best(ways: Sequence[Recognised]) -> list[int]:
    """Of all that are one known song, the place of the one that is most like it."""
    places = sorted(range(len(ways)), key=lambda place: ways[place].similarity)
    return sorted({ways[place].title: place for place in places}.values())
