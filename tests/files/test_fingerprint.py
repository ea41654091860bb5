"""Fingerprints as files: small, read back as they were, and a damaged one costs only its own song."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from morningmix.errors import MorningmixError
from morningmix.files.fingerprint import read_fingerprints, write_fingerprint
from morningmix.model.fingerprint import LEVELS, ROWS, Fingerprint


def some(beats: int = 40, seed: int = 1) -> Fingerprint:
    """A fingerprint that nothing can compress."""
    rng = np.random.default_rng(seed)
    return Fingerprint(tempo_bpm=104.5, beats=rng.integers(0, LEVELS + 1, (ROWS, beats), np.uint8))


def read(folder: Path) -> tuple[dict[str, Fingerprint], list[str]]:
    said: list[str] = []
    return dict(read_fingerprints(folder, said.append)), said


def test_a_fingerprint_is_read_back_as_it_was(tmp_path: Path) -> None:
    path = write_fingerprint(tmp_path / "songs", "Rope / Swing?", some())
    assert path.parent == tmp_path / "songs"
    found, said = read(tmp_path / "songs")
    assert (list(found), said) == (["Rope / Swing?"], [])
    np.testing.assert_array_equal(found["Rope / Swing?"].beats, some().beats)
    assert found["Rope / Swing?"].tempo_bpm == 104.5


def test_the_longest_fingerprint_is_under_fifty_kilobytes(tmp_path: Path) -> None:
    from morningmix.decide.fingerprint import MOST_BEATS

    assert write_fingerprint(tmp_path / "songs", "Long", some(MOST_BEATS)).stat().st_size <= 50_000


def test_a_title_has_one_file_whatever_its_spelling_and_titles_of_one_name_have_two(tmp_path: Path) -> None:
    first = write_fingerprint(tmp_path, "Rope Swing", some(seed=1))
    assert write_fingerprint(tmp_path, "rope-swing", some(seed=2)) == first
    assert write_fingerprint(tmp_path, "Rope Swing?", some(seed=3)) != first
    found, said = read(tmp_path)
    assert (sorted(found), said) == (["Rope Swing?", "rope-swing"], [])
    np.testing.assert_array_equal(found["rope-swing"].beats, some(seed=2).beats)


@pytest.mark.parametrize(
    ("damage", "says"),
    [
        (lambda raw: raw[:200], "is damaged"),
        (lambda _: b"", "is damaged"),
        (lambda _: b"\xff\x00", "is damaged"),
        (lambda raw: raw.replace(b'"song": 1', b'"song": 2'), "newer version"),
        (lambda raw: raw.replace(b'"beats": "', b'"beats": "AAAA'), "is damaged"),
        (lambda raw: raw.replace(b"104.5", b"0.0"), "is damaged"),
        (lambda _: json.dumps({"song": 1, "title": "x", "tempo_bpm": 100.0, "beats": ""}).encode(), "is damaged"),
        (lambda raw: raw + b" " * 300_000, "bigger than"),
    ],
    ids=["cut", "empty", "no text", "newer", "other bytes", "no tempo", "no beats", "huge"],
)
def test_one_that_cannot_be_read_is_one_line_and_the_others_count(damage, says: str, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    write_fingerprint(tmp_path, "Rope Swing", some())
    other = write_fingerprint(tmp_path, "Copper Rain", some(seed=2))
    other.write_bytes(damage(other.read_bytes()))
    found, said = read(tmp_path)
    assert list(found) == ["Rope Swing"]
    (line,) = said
    assert says in line
    assert "Copper Rain.json" in line
    assert "\n" not in line


def test_two_files_of_one_title_are_one_line_and_the_first_counts(tmp_path: Path) -> None:
    path = write_fingerprint(tmp_path, "Rope Swing", some(seed=1))
    path.with_name("Zwilling.json").write_bytes(path.read_bytes())
    found, said = read(tmp_path)
    assert list(found) == ["Rope Swing"]
    assert said == [
        f'Zwilling.json is of "Rope Swing", and so is Rope Swing.json, which counts. Delete one of them in {tmp_path}.'
    ]


def test_no_folder_is_no_songs_and_a_link_is_refused(tmp_path: Path) -> None:
    assert read(tmp_path / "songs") == ({}, [])
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "songs").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(MorningmixError):
        write_fingerprint(tmp_path / "songs", "Rope Swing", some())
    assert list((tmp_path / "elsewhere").iterdir()) == []
