"""Songs of two rehearsals that are the same, by title, by recording and by what is played."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

from decide.test_recognise import a_song
from morningmix.analysis.fingerprint import KeptFingerprint
from morningmix.commands.pairs import Song, left_out, paired
from morningmix.files.recall import Recall
from morningmix.model.fingerprint import Fingerprint
from morningmix.storage.cache import key, path_of, take_key
from morningmix.storage.records import write_record

BEATS_S = tuple(0.5 * beat for beat in range(121))
ROPE, COPPER, GAUGE = (a_song(seed) for seed in (1, 2, 3))


def rehearsal(folder: Path, *songs: tuple[str, Fingerprint | None], recorded: str = "a") -> list[Song]:
    """Mixed songs, a minute each, with their fingerprints in the cache."""
    found = []
    cache = folder / ".cache"
    cache.mkdir(parents=True)
    for place, (title, fingerprint) in enumerate(songs):
        start_s = 60.0 * place
        kept = KeptFingerprint(
            take="raw", start_s=start_s, end_s=start_s + 60.0, fingerprint=fingerprint, beats_s=BEATS_S
        )
        write_record(path_of(cache, "print", take_key(folder), key(title)), kept)
        sheet = Recall.model_construct(
            title=title,
            tracks_folder="../../../raw",
            recordings=(SimpleNamespace(sha256=(recorded,)),),
            plan=SimpleNamespace(start_s=start_s, end_s=start_s + 60.0),
        )
        found.append(Song(folder=folder / "mixes" / f"0{place} {title}", recall=sheet))
    return found


def titles(firsts: list[Song], seconds: list[Song]) -> list[tuple[str, str]]:
    return [(first.recall.title, second.recall.title) for first, second in paired(firsts, seconds)]


def test_songs_are_paired_by_their_titles_and_without_one_by_what_is_played(tmp_path: Path) -> None:
    first = rehearsal(tmp_path / "first", ("Rope", ROPE), ("Song 1", COPPER), ("Song 2", GAUGE))
    # Every one of them is a number; the second is another song than its number was.
    second = rehearsal(tmp_path / "second", ("Song 1", GAUGE), ("rope?", None), ("Song 2", a_song(9)), recorded="b")
    assert titles(first, second) == [("Song 2", "Song 1"), ("Rope", "rope?")]
    known = rehearsal(tmp_path / "third", ("Song 1", ROPE), ("Copper", COPPER), recorded="c")
    assert titles(first, known) == [("Rope", "Song 1"), ("Song 1", "Copper")]


def test_two_titles_are_two_songs_also_where_they_sound_alike(tmp_path: Path) -> None:
    first = rehearsal(tmp_path / "first", ("Rope", ROPE))
    assert titles(first, rehearsal(tmp_path / "second", ("Copper", ROPE), recorded="b")) == []


def test_two_mixes_of_one_recording_are_one_song_whatever_its_number(tmp_path: Path) -> None:
    first = rehearsal(tmp_path / "first", ("Song 1", None), ("Song 2", None))
    second = rehearsal(tmp_path / "second", ("Song 2", None), ("Song 1", None))
    assert titles(first, second) == [("Song 1", "Song 2"), ("Song 2", "Song 1")]
    later = replace(second[0], recall=second[0].recall.model_copy(update={"recordings": ()}))
    assert titles(first, [later]) == []


def test_what_a_song_leaves_out_of_the_time_before_is_said(tmp_path: Path) -> None:
    shorter = replace(ROPE, beats=ROPE.beats[:, [*range(40), *range(72, 120)]])
    (before,) = rehearsal(tmp_path / "first", ("Rope", ROPE))
    (after,) = rehearsal(tmp_path / "second", ("Rope", shorter), recorded="b")
    (unknown,) = rehearsal(tmp_path / "third", ("Rope", None), recorded="c")
    (other,) = rehearsal(tmp_path / "fourth", ("Rope", COPPER), recorded="d")
    assert left_out(before, after) == "without the part from 0:20 to 0:36 of the time before"
    assert [left_out(before, song) for song in (before, unknown, other)] == ["", "", ""]
    assert left_out(unknown, after) == ""


def test_beats_are_those_of_the_fingerprint_as_far_as_the_song_goes(tmp_path: Path) -> None:
    (song, unknown) = rehearsal(tmp_path / "first", ("Rope", ROPE), ("Gauge", None))
    assert unknown.beats is None

    def beats(start_s: float, end_s: float) -> tuple[int, list[float]] | None:
        plan = SimpleNamespace(start_s=start_s, end_s=end_s)
        found = replace(song, recall=song.recall.model_copy(update={"plan": plan})).beats
        return None if found is None else (found[0].beats.shape[1], list(found[1]))

    assert beats(0.0, 60.0) == (120, list(BEATS_S))
    # The recipe's times are in tenths; the sheet's are where the mix was cut.
    assert beats(-0.125, 60.0) == (120, [beat_s + 0.125 for beat_s in BEATS_S])
    assert beats(0.0, 24.9) == (49, list(BEATS_S[:50]))
    assert beats(0.0, 0.3) is None
