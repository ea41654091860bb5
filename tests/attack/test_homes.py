"""Homes that earlier versions of the program made: every command opens them, and says what is too old to read.

All are of the take in ``data/homes``, each mixed twice, without the report. `first` was made before microphones were
cleaned (a7362a3), `sheet 1` by the last version with recall sheets of format 1 (20f8399), `sheet 2` by one of the last
with format 2 (da17f91).
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from end_to_end.said import one_line, run_here
from morningmix.files.recall import Recall

FORMATS = {"first": 1, "sheet 1": 1, "sheet 2": 2}
TOO_OLD = ("first", "sheet 1")
NOW = Recall.model_fields["recall"].default
AS_BEFORE = ("--bits", "16", "--format", "flac", "--workers", "1")

old = pytest.mark.parametrize("name", TOO_OLD)
readable = pytest.mark.parametrize("name", [name for name in FORMATS if name not in TOO_OLD])
every = pytest.mark.parametrize("name", FORMATS)


@pytest.fixture
def place(tmp_path: Path) -> Path:
    return shutil.copytree(Path(__file__).parents[1] / "data" / "homes", tmp_path / "place")


@every
def test_they_are_of_the_formats_that_they_are_called_by(name: str, place: Path) -> None:
    for folder in ("01 take", "earlier/01 take"):
        sheet = json.loads((place / name / "mixes" / folder / "recall.json").read_text())
        assert sheet["recall"] == FORMATS[name]
        assert all((place / name / "mixes" / folder / file).exists() for file in sheet["files"])


@every
def test_what_needs_no_sheet_works(name: str, place: Path) -> None:
    recipe = place / name / "recipe.toml"
    before = recipe.read_text()
    for words in (("turn", recipe, "lead vocal", "up", "2"), ("check", recipe), ("check", "take"), ("songs", recipe)):
        done = run_here(*words, cwd=place)
        assert done.returncode == 0, done.stderr
    assert recipe.read_text() == before.replace('"lead vocal"\nlevel_db = 0.0', '"lead vocal"\nlevel_db = 2.0')


@every
def test_a_mix_folder_of_an_earlier_version_is_mixed_on_and_its_mix_kept(name: str, place: Path) -> None:
    mixes = place / name / "mixes"
    (mixes / "01 take" / "words.txt").write_text("by hand")
    song = {path.name: path.read_bytes() for path in (mixes / "01 take").iterdir() if path.is_file()}
    assert run_here("turn", place / name / "recipe.toml", "guitar 1", "up", "3", cwd=place).returncode == 0
    done = run_here("mix", place / name / "recipe.toml", *AS_BEFORE, cwd=place)
    assert done.returncode == 0, done.stderr
    earlier = {path.name: path.read_bytes() for path in (mixes / "earlier" / "01 take").iterdir() if path.is_file()}
    now = {path.name for path in (mixes / "01 take").iterdir()}
    assert earlier == song
    assert now == {"take.flac", "take.mp3", "recall.json", "stems", "words.txt"}
    assert json.loads((mixes / "01 take" / "recall.json").read_text())["recall"] == NOW
    for words in (("why", name), ("share", name), ("compare", name, name)):
        done = run_here(*words, cwd=place)
        assert done.returncode == 0, done.stderr


@every
def test_a_mix_leaves_nothing_of_former_formats_in_the_cache(name: str, place: Path) -> None:
    cache = place / name / ".cache"
    former = {path.name for path in cache.glob("*.bands")}
    done = run_here("mix", place / name / "recipe.toml", *AS_BEFORE, cwd=place)
    assert done.returncode == 0, done.stderr
    assert not former & {path.name for path in cache.iterdir()}
    assert len(list(cache.glob("*.bands"))) == 2


@old
def test_a_sheet_that_is_too_old_is_reported_in_one_line(name: str, place: Path) -> None:
    sheet = place / name / "mixes" / "01 take" / "recall.json"
    for words in (("mix", sheet), ("why", sheet), ("why", name), ("share", name), ("compare", sheet, sheet)):
        one_line(run_here(*words, cwd=place), 3, "recall.json")


@old
def test_a_sheet_that_is_too_old_blocks_only_itself(name: str, place: Path) -> None:
    recipe = place / name / "recipe.toml"
    with recipe.open("a") as file:
        file.write('\n[[song]]\ntitle = "take"\nstart = "0:00.0"\nend = "0:00.1"\n')
        file.write('\n[[song]]\ntitle = "Two"\nstart = "0:00.1"\nend = "0:00.6"\n')
    done = run_here("mix", recipe, "--song", "Two", *AS_BEFORE, cwd=place)
    assert done.returncode == 0, done.stderr
    shutil.copytree(place / name, place / "other")
    (place / "mara.txt").write_text("morningmix wishes\nsong: Two\nfrom: Mara\nvocals +2\n")
    for words, says in (
        (("why", name), "Two"),
        (("compare", name, "other"), "Two"),
        (("wishes", recipe, "mara.txt"), ""),
        (("share", name), "Two"),
    ):
        done = run_here(*words, cwd=place)
        assert done.returncode == 0, done.stderr
        assert says in done.stdout
    assert "01 take" in done.stdout + done.stderr, "what could not be packed is said"
    assert [path.name for path in (place / name / "share").glob("*.mp3")] == ["01 Two.mp3"]


@readable
def test_a_readable_sheet_is_explained_compared_packed_and_mixed_again(name: str, place: Path) -> None:
    sheet = place / name / "mixes" / "01 take" / "recall.json"
    for words in (("why", name), ("compare", name, sheet), ("share", name), ("mix", sheet)):
        done = run_here(*words, cwd=place)
        assert done.returncode == 0, done.stderr
        assert "take" in done.stdout
    assert (place / name / "share" / "01 take.mp3").exists()
