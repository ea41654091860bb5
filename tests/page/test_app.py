"""What the server answers, and what it refuses: odd values, paths, markup, two pages at once."""

from __future__ import annotations

import errno
import io
import json
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile  # an outside reader of what was sent
from starlette.testclient import TestClient

from morningmix.errors import RecipeError
from morningmix.page.app import CHANGES, STEPS
from morningmix.page.rehearsal import Rehearsal
from page.made import RECIPE, browser, opened, problem, said, wait

MARKUP = '"><script>alert(1)</script><img src=x> \u202e&amp;'


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("open")


@pytest.fixture(scope="module")
def rehearsal(place: Path) -> Rehearsal:
    return opened(place, heard=True)


@pytest.fixture
def client(rehearsal: Rehearsal) -> Any:
    yield browser(rehearsal)
    wait(rehearsal)
    rehearsal.home.recipe.write_text(RECIPE, encoding="utf-8")


class Page(HTMLParser):
    """Elements of a page, and that each is what a page of ours may hold."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.loads: list[str] = []
        self.feed(html)
        assert len(self.ids) == len(set(self.ids)), "an id occurs twice"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert tag not in ("img", "iframe", "object", "embed", "form", "style", "base"), tag
        names = dict(attrs)
        assert not [name for name in names if name.startswith("on") or name == "style"], "the policy would block it"
        if tag == "script":
            assert names.keys() == {"type", "src"}
        self.ids += [names["id"] or ""] if "id" in names else []
        self.loads += [value for name, value in attrs if name in ("src", "href") and value and value[0] == "/"]


def test_the_page_holds_every_step_and_loads_only_what_is_there(client: TestClient) -> None:
    html = client.get("/").text
    page = Page(html)
    assert {*STEPS, "drawer", "told", "stop", "volume"} <= set(page.ids)
    assert page.loads
    for path in page.loads:
        assert client.get(path).status_code == 200, path


def test_a_step_that_cannot_be_shown_takes_no_other_with_it(
    client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    def films(_: Rehearsal) -> str:
        raise RecipeError("01 Blue & Hour: its recall sheet cannot be read.")

    monkeypatch.setitem(STEPS, "films", ("Films", films))
    answer = client.get("/")
    assert answer.status_code == 200
    assert {*STEPS, "drawer"} <= set(Page(answer.text).ids)
    assert '<p class="found">01 Blue &amp; Hour: its recall sheet cannot be read.</p>' in answer.text


@pytest.mark.parametrize(
    "name", ["main.js", "asking.js", "left.js", "player.js", "who.js", "songs.js", "turn.js", "graph.js", "send.js"]
)
def test_scripts_load_each_other_and_nothing_else(name: str, client: TestClient) -> None:
    answer = client.get(f"/static/{name}")
    assert answer.headers["content-type"].startswith("text/javascript")
    for other in re.findall(r'from "([^"]+)"|import "([^"]+)"', answer.text):
        assert client.get(f"/static/{''.join(other).removeprefix('./')}").status_code == 200
    assert "http" not in answer.text.replace("https://", "http").replace("// ", "")
    assert "innerHTML" not in answer.text


def test_every_change_that_a_script_or_a_page_asks_for_is_there(client: TestClient) -> None:
    sources = [client.get(f"/static/{name}").text for name in ("main.js", "who.js", "songs.js", "turn.js", "send.js")]
    sources.append(client.get("/").text)
    asked = set(re.findall(r'"(/(?:who|songs|mix|send|changes)/[a-z-]+)"', " ".join(sources)))
    assert asked == {path for path in CHANGES if path.split("/")[1] in ("who", "songs", "mix", "send", "changes")}


@pytest.mark.parametrize(
    "path",
    [
        "/static/../app.py",
        "/static/..%2fapp.py",
        "/static/%2e%2e/app.py",
        "/static/%2fetc%2fpasswd",
        "/static/page.css%00.js",
        "/part/..%2f..%2fetc",
        "/sound/..%2f..%2fetc/0",
        "/sound/-1/0",
        "/sound/kick.wav/0",
        "/sound/0/0x1",
        "/nothing",
    ],
)
def test_a_path_names_nothing_on_the_disk(path: str, client: TestClient) -> None:
    assert client.get(path).status_code in (404, 422)


@pytest.mark.parametrize(
    "path", ["/sound/2/0", "/sound/99999999999999999999/0", "/sound/0/1", "/sound/take/1/0", "/sound/take/0/9"]
)
def test_sound_that_is_not_there_is_one_line(path: str, client: TestClient) -> None:
    answer = client.get(path)
    assert answer.status_code == 422
    assert "\n" not in answer.json()["problem"]


def test_pieces_are_the_recording_to_the_sample(client: TestClient, place: Path) -> None:
    names = re.findall(r'data-input="(\d)".*?data-name="([^"]+)"', client.get("/part/who").text)
    number = next(number for number, name in names if name == "kick")
    sound, rate_hz = soundfile.read(io.BytesIO(client.get(f"/sound/{number}/0").content), dtype="int16")
    wanted, wanted_hz = soundfile.read(place / "take" / "kick.wav")
    assert (rate_hz, len(sound)) == (wanted_hz, len(wanted))
    assert np.abs(sound / 32768.0 - wanted).max() <= 0.5001 / 32768.0
    together, _ = soundfile.read(io.BytesIO(client.get("/sound/take/0/0").content))
    assert 0.01 < np.sqrt(np.mean(together**2)) < 0.5


def test_a_corrected_role_takes_the_name_along_and_the_page_says_so(client: TestClient, rehearsal: Rehearsal) -> None:
    number = card_of(client, "lead vocal")
    assert said(client, "/who/role", input=number, role="bass") == "lead vocal: the role is bass"
    text = rehearsal.home.recipe.read_text(encoding="utf-8")
    assert 'file = "bass.wav"  # hers\nname = "bass"\nrole = "bass"\n' in text
    html = client.get("/part/who").text
    assert "a guess" not in html
    wait(rehearsal)
    assert card_of(client, "bass") == number


def card_of(client: TestClient, name: str) -> int:
    cards = re.findall(r'data-input="(\d)"[^>]*data-name="([^"]+)"', client.get("/part/who").text)
    return next(int(number) for number, known in cards if known == name)


@pytest.mark.parametrize(
    ("path", "values"),
    [
        ("/who/name", {"input": 0, "name": MARKUP}),
        ("/who/player", {"input": 0, "player": MARKUP}),
        ("/songs/title", {"take": 0, "title": MARKUP}),
    ],
)
def test_what_people_write_stays_text(path: str, values: dict[str, Any], client: TestClient) -> None:
    says = said(client, path, **values)
    assert "alert" in says
    for part in ("/", "/part/who", "/part/songs", "/part/drawer"):
        html = client.get(part).text
        Page(html)
        assert "<script>alert" not in html
    assert "&lt;script&gt;" in client.get("/").text
    assert "\u202e" not in client.get("/").text


ODD = [None, True, -1, 2, 10**30, 1.5, "0", [], {}, "../../etc/passwd", float("1e308")]


@pytest.mark.parametrize("path", sorted(CHANGES))
def test_odd_values_are_refused_in_one_line_and_change_nothing(path: str, client: TestClient) -> None:
    if path == "/who/all-right":
        return
    before = client.get("/part/drawer").text
    keys = (
        "input",
        "name",
        "role",
        "player",
        "take",
        "song",
        "title",
        "start",
        "end",
        "at",
        "keep",
        "was_start",
        "number",
        "lesson",
    )
    for odd in ODD:
        problem(client, path, **dict.fromkeys((*keys, "number"), odd))
        if not isinstance(odd, str):
            problem(client, path, **{**dict.fromkeys(keys, odd), "input": 0, "take": 0, "number": 0})
    problem(client, path)
    assert client.get("/part/drawer").text == before


@pytest.mark.parametrize("body", [b"", b"[]", b"{", b"null", b"\xff\xfe", b"[" * 100_000])
def test_what_is_no_json_is_refused_in_one_line(body: bytes, client: TestClient) -> None:
    answer = client.post("/who/name", content=body, headers={"Content-Type": "application/json"})
    assert answer.status_code == 422
    assert "Load it again" in answer.json()["problem"]


@pytest.mark.parametrize("name", ["x" * 61, "a\0b", "\ud800"])
def test_names_that_no_recipe_could_hold_are_refused(name: str, client: TestClient) -> None:
    answer = client.post(
        "/who/name",
        content=json.dumps({"input": 0, "name": name}).encode("ascii"),
        headers={"Content-Type": "application/json"},
    )
    assert answer.status_code == 422


def test_two_pages_at_once_lose_nothing(client: TestClient, rehearsal: Rehearsal) -> None:
    other = browser(rehearsal)
    said(client, "/who/player", input=card_of(client, "kick"), player="Orla")
    said(other, "/who/player", input=card_of(client, "lead vocal"), player="Bo")
    text = rehearsal.home.recipe.read_text(encoding="utf-8")
    assert 'player = "Orla"' in text
    assert 'player = "Bo"' in text
    assert "is called" in said(client, "/songs/title", take=0, title="Rope Swing")
    # The other page has not seen that there is a song now, and later not that it starts elsewhere.
    assert "changed in the meantime" in problem(other, "/songs/title", take=0, title="Copper")
    song = {"take": 0, "song": 0, "was_start": 0.0, "was_end": 2.0}
    said(client, "/songs/edges", **song, start=0.5, end=2.0)
    assert "changed in the meantime" in problem(other, "/songs/keep", **song, keep=False)
    assert "is called" in said(other, "/songs/title", **{**song, "was_start": 0.5}, title="Rope")
    said(client, "/songs/title", **{**song, "was_start": 0.5}, title="Rope Swing")
    assert "Rope Swing" in rehearsal.home.recipe.read_text(encoding="utf-8")


def test_a_recipe_that_somebody_breaks_is_named_with_its_line(client: TestClient, rehearsal: Rehearsal) -> None:
    rehearsal.home.recipe.write_text(RECIPE + "[[sond]]\n", encoding="utf-8")
    for path in ("/part/who", "/part/songs"):
        answer = client.get(path)
        assert answer.status_code == 422
        assert "line" in answer.json()["problem"]
    answer = client.get("/")
    assert answer.status_code == 422
    Page(answer.text)
    assert re.search(r"recipe.toml, line \d+", answer.text)
    assert "line" in problem(client, "/who/player", input=0, player="Orla")
    assert rehearsal.home.recipe.read_text(encoding="utf-8").endswith("[[sond]]\n")


def test_what_was_taught_is_shown_and_then_remembered_above_the_tracks(client: TestClient, place: Path) -> None:
    html = client.get("/part/who").text
    (mark,) = re.findall(r'data-remember="(\w+)"', html)
    assert f"<bdi>{place / 'band.toml'}</bdi>" in html
    assert '<span class="new">now player = &#34;Mara&#34;</span>' in html
    assert not (place / "band.toml").exists()
    assert "Look at them again" in problem(client, "/who/remember", lesson="another")
    assert str(place / "band.toml") in said(client, "/who/remember", lesson=mark)
    text = (place / "band.toml").read_text(encoding="utf-8")
    assert 'file = "bass.wav"\nname = "lead vocal"\nrole = "lead vocal?"\nplayer = "Mara"\n' in text
    html = client.get("/part/who").text
    assert "All of it is in" in html
    assert "data-remember" not in html
    assert not (place / "take" / "band.toml").exists()
    (place / "band.toml").write_text(text.replace('"Mara"', '"Ada"'), encoding="utf-8")
    html = client.get("/part/who").text
    assert '<span class="gone">was player = &#34;Ada&#34;</span>' in html
    (place / "band.toml").unlink()
    (place / "band.toml").mkdir()
    assert "it is not a plain file" in client.get("/part/who").text
    (place / "band.toml").rmdir()


def test_the_demo_is_not_remembered(rehearsal: Rehearsal, client: TestClient, place: Path) -> None:
    (mark,) = re.findall(r'data-remember="(\w+)"', client.get("/part/who").text)
    rehearsal.is_demo = True
    html = client.get("/part/who").text
    refused = problem(client, "/who/remember", lesson=mark)
    rehearsal.is_demo = False
    assert "data-remember" not in html
    assert refused.startswith("This is the demo")
    assert refused in html
    assert not (place / "band.toml").exists()


def test_titles_of_the_set_list_are_offered(client: TestClient, place: Path) -> None:
    assert "set-list" not in client.get("/part/songs").text
    (place / "band.toml").write_text(
        'band = 1\n[[song]]\ntitle = "A & B"\n[[song]]\ntitle = "Tin Roof"\n', encoding="utf-8"
    )
    html = client.get("/part/songs").text
    (place / "band.toml").unlink()
    options = '<option value="A &amp; B"></option><option value="Tin Roof"></option>'
    assert f'<datalist id="set-list">{options}</datalist>' in html
    assert re.search(r'<input id="title-0-\w+"[^>]* list="set-list"', html)


def test_a_full_disk_is_one_line_and_the_recipe_stays(
    client: TestClient, rehearsal: Rehearsal, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("os.fsync", full)
        assert "No space left" in problem(client, "/who/player", input=0, player="Zora")
    assert rehearsal.home.recipe.read_text(encoding="utf-8") == RECIPE
    assert "Zora" not in client.get("/part/drawer").text


def test_a_card_that_is_out_of_date_changes_no_other_input(client: TestClient, rehearsal: Rehearsal) -> None:
    number = card_of(client, "kick")
    assert "in the meantime" in problem(client, "/who/player", input=number, files="bass.wav", player="Orla")
    assert rehearsal.home.recipe.read_text(encoding="utf-8") == RECIPE
    said(client, "/who/player", input=number, files="kick.wav", player="Orla")
    assert 'role = "kick"\nplayer = "Orla"' in rehearsal.home.recipe.read_text(encoding="utf-8")
