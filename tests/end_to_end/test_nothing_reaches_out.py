"""What somebody else wrote cannot reach outside the tracks' folder and home, run anything, or be taken for a page."""

from __future__ import annotations

import itertools
import json
import os
import shutil
import sys
from functools import partial
from pathlib import Path
from typing import Any

import pytest

import morningmix.render.strip as strip_room
from command_line import forget_songs
from end_to_end.said import kept, one_line, run_here
from morningmix.commands.mix import mix
from morningmix.commands.order import Order
from morningmix.errors import RecordingsError
from morningmix.units import Block

HOME = "Thursday mix"
SONG = Path(HOME) / "mixes" / "01 Thursday"
RECIPE = Path(HOME) / "recipe.toml"

OUTSIDE = ("../secret.wav", "/etc/passwd", "sub/kick.wav", "..", ".", "", "nul\\u0000.wav")


@pytest.mark.parametrize("name", OUTSIDE)
@pytest.mark.parametrize("where", ["recipe", "input list"])
def test_an_input_is_a_plain_name_in_the_folder_of_the_tracks(name: str, where: str, place: Path) -> None:
    entry = f'[[input]]\nfile = "{name}"\nname = "x"\n'
    if where == "recipe":
        text = (place / RECIPE).read_text(encoding="utf-8")
        (place / RECIPE).write_text(f"{text}\n{entry}", encoding="utf-8")
    else:
        (place / "Thursday" / "inputs.toml").write_text(entry, encoding="utf-8")
    before = kept(place)
    done = run_here("mix", "Thursday", cwd=place)
    one_line(done, 3, "file")
    assert kept(place) == before


@pytest.mark.skipif(sys.platform == "win32", reason="making links needs rights there")
def test_a_link_among_the_tracks_is_only_read(place: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    """A card's folder may hold links to where the files really are; what they point to stays as it is."""
    away = tmp_path_factory.mktemp("away") / "kick.wav"
    shutil.move(place / "Thursday" / "kick.wav", away)
    (place / "Thursday" / "kick.wav").symlink_to(away)
    content = away.read_bytes()
    assert run_here("mix", "Thursday", cwd=place).returncode == 0
    assert away.read_bytes() == content
    assert (place / "Thursday" / "kick.wav").is_symlink()


@pytest.mark.parametrize("title", ["../../escape", pytest.param("CON", marks=pytest.mark.slow)])
def test_a_title_names_a_folder_in_mixes_and_nothing_else(title: str, place: Path) -> None:
    text = (place / RECIPE).read_text(encoding="utf-8")
    changed = text.replace('title = "Thursday"', f'title = "{title}"', 1)
    (place / RECIPE).write_text(changed, encoding="utf-8")
    outside = set(place.parent.iterdir())
    done = run_here("mix", RECIPE, cwd=place)
    assert done.returncode in (0, 3), done.stderr
    assert {path.name for path in place.iterdir()} == {"Thursday", HOME, "said.txt"}
    assert set(place.parent.iterdir()) == outside
    assert all(path.name.startswith("01 ") or path.name in ("earlier", "report.html") for path in _mixes(place))


def _mixes(place: Path) -> list[Path]:
    return list((place / HOME / "mixes").iterdir())


def test_a_players_name_stays_in_practice(place: Path) -> None:
    player = "../../<script>"
    text = (place / RECIPE).read_text(encoding="utf-8")
    changed = text.replace('name = "bass"', f'name = "bass"\nplayer = "{player}"', 1)
    (place / RECIPE).write_text(changed, encoding="utf-8")
    done = run_here("mix", RECIPE, "--practice", cwd=place)
    assert done.returncode == 0, done.stderr
    assert len(list((place / SONG / "practice").iterdir())) == 2
    assert {path.name for path in place.iterdir()} == {"Thursday", HOME, "said.txt"}


def _changed_sheet(place: Path, change: Any) -> None:
    sheet = place / SONG / "recall.json"
    facts = json.loads(sheet.read_text(encoding="utf-8"))
    change(facts)
    sheet.write_text(json.dumps(facts), encoding="utf-8")


def test_a_foreign_sheet_cannot_have_files_outside_its_folder_sent_or_deleted(place: Path) -> None:
    secret = place / "secret.txt"
    secret.write_text("hers", encoding="utf-8")

    def change(file: str, facts: dict[str, Any]) -> None:
        facts["files"].append(file)
        facts["mix"]["file"] = file

    for file in ("/etc/hostname", "../../../secret.txt"):
        _changed_sheet(place, partial(change, file))
        one_line(run_here("share", HOME, cwd=place), 3, "recall.json")
    forget_songs(place / HOME)
    assert run_here("mix", "Thursday", cwd=place).returncode == 0
    assert secret.read_text(encoding="utf-8") == "hers"
    assert not any(path.name == "secret.txt" for path in (place / HOME).rglob("*"))


def test_an_input_that_ends_early_is_reported_and_the_old_mix_stays(
    place: Path, card: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As when a card is pulled: while the tracks are rendered the file loses all but its first samples."""
    assert run_here("turn", RECIPE, "bass", "up", "1", cwd=place).returncode == 0
    before = kept(place)
    bass = place / "Thursday" / "bass.wav"
    process, calls = strip_room.Source.read, itertools.count()

    def pulled(self: strip_room.Source, frames: int) -> Block:
        if next(calls) == 20:
            os.truncate(bass, 30_000)
        return process(self, frames)

    with monkeypatch.context() as patch:
        patch.setattr(strip_room.Source, "read", pulled)
        with pytest.raises(RecordingsError, match=r"bass\.wav: reading stopped at 0:0\d"):
            mix(Order(source=place / RECIPE, cwd=place, block_hops=1, workers=1))
    shutil.copy2(card / "bass.wav", bass)
    assert kept(place) == before
    assert run_here("mix", RECIPE, cwd=place).returncode == 0
