"""File names that differ by little, hold what drives a terminal, or are no text at all: mixed like any other."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

from end_to_end.said import kept, one_line, run_here
from morningmix.storage.home import RECALL
from synthetic import write_take

FOLDER = "Thurs\udcffday\x1b[31m"
HOME = f"{FOLDER} mix"
RENAMED = {
    "kick": "Kick.wav",
    "snare": "kick.wav",
    "guitar 1": "gtr_1.wav",
    "guitar 2": "gtr 1.wav",
    "bass": "b\udce9ss.wav",
    "overhead": "over\u202ehead.wav",
    "lead vocal": "sing\x1b[2Jer.wav",
    "backing vocal": "choir\\xff.wav",
}

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="elsewhere file names are text, and blind to case")


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("place")
    # libsndfile's binding, which writes the take, knows text only.
    files = write_take(place / "take", seconds=4.0)
    for name, file in RENAMED.items():
        (place / "take" / files[name]).rename(place / "take" / file)
    (place / "take" / "left\udcfeout.mp3").touch()
    (place / "take").rename(place / FOLDER)
    assert len(list((place / FOLDER).iterdir())) == len(RENAMED) + 1
    return place


def said(*arguments: str, cwd: Path) -> str:
    done = run_here(*arguments, cwd=cwd)
    assert done.returncode == 0, done.stderr
    assert all(line.isprintable() for line in done.stdout.splitlines()), done.stdout
    return done.stdout


def test_odd_names_are_mixed_named_and_read_back(place: Path) -> None:
    first = said("mix", FOLDER, "--tracks", "--format", "flac", cwd=place)
    assert first.splitlines()[1].startswith("  Thurs\\xffday\\x1b[31m mix/mixes/01 ")
    assert "left\\xfeout.mp3: compressed sound" in first
    song = next((place / HOME / "mixes").glob(f"01*/{RECALL}")).parent
    assert len(list((song / "tracks").iterdir())) == len(RENAMED)
    tracks = json.loads((song / RECALL).read_text(encoding="utf-8"))["plan"]["tracks"]
    assert {"Kick.wav", "kick.wav", "b\\xe9ss.wav", "choir\\x5cxff.wav"} <= {track["files"][0] for track in tracks}
    before = kept(place)
    again = said("mix", f"{HOME}/recipe.toml", "--tracks", "--format", "flac", cwd=place)
    assert again.startswith("Nothing has changed")
    said("mix", f"{song.relative_to(place)}/{RECALL}", cwd=place)
    assert {name: digest for name, digest in kept(place).items() if "/earlier/" not in name} == before
    text = (place / HOME / "recipe.toml").read_text(encoding="utf-8")
    assert all(line.isprintable() for line in text.splitlines())


def test_an_input_is_muted_by_its_name_alone(place: Path) -> None:
    recipe = place / HOME / "recipe.toml"
    text = recipe.read_text(encoding="utf-8")
    song = '\n[[song]]\ntitle = "Two"\nstart = 0\nend = 4\n\n[[song.input]]\nname = "GTR-1_2"\nmute = true\n'
    recipe.write_text(text + song, encoding="utf-8")
    said("mix", f"{HOME}/recipe.toml", cwd=place)
    sheet = json.loads(next((place / HOME / "mixes").glob(f"01 Two/{RECALL}")).read_text(encoding="utf-8"))
    silent = [track["name"] for track in sheet["plan"]["tracks"] if not track["family"]]
    recipe.write_text(text, encoding="utf-8")
    assert silent == ["gtr_1 2"]


def test_every_printed_character_is_visible(place: Path) -> None:
    said("check", FOLDER, cwd=place)
    said("why", HOME, cwd=place)
    said("share", HOME, cwd=place)
    said("turn", f"{HOME}/recipe.toml", "KICK_1", "up", "1", cwd=place)
    one_line(run_here("mix", f"{FOLDER}\x1b/none.toml", cwd=place), 2, "Thurs\\xffday\\x1b[31m\\x1b/none.toml")
    assert json.loads(run_here("check", FOLDER, "--json", cwd=place).stdout)["inputs"]
