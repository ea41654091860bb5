"""The last step: clips found by their path, films written and watched, their sound set a picture later."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from film.made import RATE_HZ, Made, av, music
from morningmix.audio.write import IntegerWriter
from morningmix.commands.clips import Filmed, Found
from morningmix.commands.order import Callbacks
from morningmix.files.clips import read_clips
from morningmix.film.clip import open_clip
from morningmix.model.film import Lined
from morningmix.page.rehearsal import Rehearsal
from page.made import browser, opened, problem, said, wait
from recall_sheets import write_sheet, write_tracks

KNOWN = Lined(file="stage.mp4", offset_s=-0.5, drift_ppm=0.0, confidence=0.93, accepted=True)
FRAMES_PER_S = 25


@pytest.fixture(scope="module")
def rehearsal(tmp_path_factory: pytest.TempPathFactory) -> Rehearsal:
    """A rehearsal of two seconds, mixed, and a clip of it."""
    folder = tmp_path_factory.mktemp("films")
    made = opened(folder, heard=True)
    write_tracks(folder / "tracks")
    sheet = write_sheet(folder / "mixes" / "01 Thursday", folder / "tracks", "Thursday")
    sheet.write_text(sheet.read_text(encoding="utf-8").replace("../../../tracks", "../../take"), encoding="utf-8")
    samples = np.rint(music(1.5, 2) * 2_000_000).astype(np.int32)
    with IntegerWriter(sheet.with_name("Thursday.wav"), rate_hz=RATE_HZ, channels=2, frames=samples.shape[1]) as writer:
        writer.write(samples)
    Made(sound=music(3.0, seed=2), frames_per_s=FRAMES_PER_S).write(folder / "stage.mp4")
    return made


@pytest.fixture
def client(rehearsal: Rehearsal, monkeypatch: pytest.MonkeyPatch) -> Any:
    """A browser; every clip is found where `KNOWN` says."""

    def found(what: Filmed, clips: list[Path], _: Callbacks) -> list[Found]:
        return [Found(clip=open_clip(path), take=what.takes[0], lined=KNOWN) for path in clips]

    monkeypatch.setattr("morningmix.page.films.find_clips", found)
    yield browser(rehearsal)
    wait(rehearsal)


def listed(rehearsal: Rehearsal) -> list[int]:
    return [one.frames_later for one in read_clips(rehearsal.home.root / "films" / "clips.json")]


def begins_at(path: Path) -> int:
    """The picture of the clip that a film begins with: each has a bar that is a little longer."""
    with av.open(str(path)) as container:
        first = next(container.decode(container.streams.video[0])).to_ndarray(format="gray")
    return int((first[2] > 70).sum())


def test_a_clip_is_found_filmed_watched_and_set_a_picture_later(rehearsal: Rehearsal, client: Any) -> None:
    clip = rehearsal.home.root / "stage.mp4"
    before = clip.read_bytes()

    assert said(client, "/films/add", file=f' "{clip}" ').startswith("Looking for it")
    wait(rehearsal)
    html = client.get("/part/films").text
    assert "It shows the whole take." in html
    assert 'class="lies" x="0.0" y="104" width="600.0"' in html
    assert 'data-address="/films/clip/0?' in html
    assert 'data-address="/films/0?' not in html
    assert said(client, "/films/write", room=False).startswith("Writing.")
    wait(rehearsal)
    film = rehearsal.home.root / "films" / "01 Thursday - stage.mp4"
    assert 'data-address="/films/0?' in client.get("/part/films").text
    answer = client.get("/films/0", headers={"Range": "bytes=0-99"})
    assert (answer.status_code, answer.headers["content-type"]) == (206, "video/mp4")
    assert answer.content == film.read_bytes()[:100]

    first = begins_at(film)
    moved = said(client, "/films/nudge", place=0, later=True)
    assert moved == "Sound 1 picture later than was found. Write the films again to have it in them."
    assert listed(rehearsal) == [1]
    assert begins_at(film) == first
    said(client, "/films/write", room=False)
    wait(rehearsal)
    assert begins_at(film) == first + 1
    assert "stage.mp4 is no longer listed" in said(client, "/films/remove", place=0)
    assert listed(rehearsal) == []
    assert film.is_file()
    assert clip.read_bytes() == before


def test_what_cannot_be_done_is_said_in_a_line(rehearsal: Rehearsal, client: Any) -> None:
    root = rehearsal.home.root
    (root / "text.mp4").write_text("no film", encoding="utf-8")

    assert "the whole path" in problem(client, "/films/add", file="stage.mp4")
    assert "There is no" in problem(client, "/films/add", file=str(root / "nowhere.mp4"))
    assert "text.mp4 is damaged or not a film" in problem(client, "/films/add", file=str(root / "text.mp4"))
    assert "No film that fits" in problem(client, "/films/write", room=False)
    problem(client, "/films/nudge", place=0, later=True)
    assert client.get("/films/0").status_code == 422


def test_a_list_that_somebody_else_wrote_counts_for_nothing(rehearsal: Rehearsal, client: Any) -> None:
    file = rehearsal.home.root / "films" / "clips.json"
    file.parent.mkdir(exist_ok=True)
    for text in ("", "{}", '{"clips": [{"path": "x"}]}', '{"clips": 3}'):
        file.write_text(text, encoding="utf-8")
        assert "card clip" not in client.get("/part/films").text
    file.unlink()
