"""Step 4: packed into one zip, and what came back: read out of whole chats, ticked, written down once."""

from __future__ import annotations

import io
import json
import re
import zipfile
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from morningmix.files.recall import read_recall
from morningmix.page.rehearsal import Rehearsal
from page.made import RECIPE, browser, opened, problem, said, wait


@pytest.fixture(scope="module")
def rehearsal(tmp_path_factory: pytest.TempPathFactory) -> Rehearsal:
    made = opened(tmp_path_factory.mktemp("send"), heard=True, seconds=3.0)
    client = browser(made)
    assert "Once a song is mixed" in client.get("/part/send").text
    wait(made)
    said(client, "/mix/start", practice=False)
    wait(made)
    return made


@pytest.fixture
def client(rehearsal: Rehearsal) -> Any:
    yield browser(rehearsal)
    wait(rehearsal)
    rehearsal.home.recipe.write_text(RECIPE, encoding="utf-8")
    (rehearsal.home.root / "wishes.txt").unlink(missing_ok=True)


def mix_id(rehearsal: Rehearsal) -> str:
    return read_recall(rehearsal.home.mixes / "01 Thursday" / "recall.json").mix_id


def message(who: str, *lines: str, mix: str = "") -> str:
    return "\n".join(["morningmix wishes", "song: Thursday", *([f"mix: {mix}"] if mix else []), f"from: {who}", *lines])


def state(client: TestClient) -> dict[str, str]:
    html = client.get("/part/send").text
    found = re.search(r'data-wishes="(\w+)"', html)
    assert found is not None
    return {"wishes": found[1]}


@pytest.mark.slow
def test_all_of_it_is_one_zip_and_the_same_one_again(rehearsal: Rehearsal, client: TestClient) -> None:
    assert client.get("/send/zip").status_code == 422
    zips = []
    for _ in range(2):
        said(client, "/send/pack", kind=0)
        wait(rehearsal)
        answer = client.get("/send/zip")
        assert answer.headers["content-type"] == "application/zip"
        assert 'filename="Thursday.zip"' in answer.headers["content-disposition"]
        zips.append(answer.content)
    assert zips[0] == zips[1]
    with zipfile.ZipFile(io.BytesIO(zips[0])) as archive:
        assert archive.testzip() is None
        names = {"index.html", "01 Thursday.mp3", "01 Thursday.listen.html"}
        assert {info.filename for info in archive.infolist()} == {f"Thursday/{name}" for name in names}
        for name in names:
            assert archive.read(f"Thursday/{name}") == (rehearsal.home.root / "share" / name).read_bytes()
    assert "Save the zip" in client.get("/part/send").text


def last_change(client: TestClient) -> int:
    number = re.search(r'data-undo="(\d+)"', client.get("/part/drawer").text)
    assert number is not None
    return int(number[1])


def test_somebody_elses_zip_stays(rehearsal: Rehearsal, client: TestClient) -> None:
    path = rehearsal.home.root / "share.zip"
    path.unlink(missing_ok=True)
    path.write_text("mine")
    said(client, "/send/pack", kind=0)
    wait(rehearsal)
    assert path.read_text() == "mine"
    path.unlink()


def test_wishes_are_found_in_a_whole_chat_shown_side_by_side_and_written_once(
    rehearsal: Rehearsal, client: TestClient
) -> None:
    mara = message("Mara", "kick +2", "lead vocal +1", "note 0:01.5 <b>late</b>", mix=mix_id(rehearsal))
    theo = message("Theo", "kick +4", "lead vocal -2", "drums +1 from 0:01 to 0:02", mix=mix_id(rehearsal))
    chat = (
        f"[21:04] Mara: {mara}\n[21:05] Theo: wait, I am not done\n> {theo.replace(chr(10), chr(10) + '> ')}\nsee you"
    )
    assert said(client, "/send/add", text=chat) == "Wishes of Mara, Theo."
    assert said(client, "/send/add", text=chat) == "These are here already."
    html = client.get("/part/send").text
    rows = [re.sub(r"<[^>]+>", " ", row).split() for row in re.findall(r"<tr>.*?</tr>", html, re.DOTALL)]
    assert [" ".join(row) for row in rows] == [
        "What Mara Theo Outcome",
        "Thursday : kick clearly louder (+2 dB) much louder (+4 dB) clearly louder (+3 dB)",
        "Thursday : drums, 0:01.0 to 0:02.0 – a touch louder (+1 dB) a touch louder (+1 dB)",
        "Thursday : lead vocal a touch louder (+1 dB) clearly softer (−2 dB) you disagree: talk about it",
    ]
    mixed = client.get("/part/mix").text
    assert "&lt;b&gt;late&lt;/b&gt;" in mixed
    assert 'class="note-mark" data-at="1.5"' in mixed

    said(client, "/send/merge", **state(client), ticked="0")
    recipe = rehearsal.home.recipe.read_text(encoding="utf-8")
    assert "level_db = 3.0" in recipe
    assert "song.move" not in recipe, "its tick was taken away"
    assert recipe.count("# wishes of ") == 2
    html = client.get("/part/send").text
    assert html.count("in the recipe") >= 2
    assert "send-merge" not in html
    assert problem(client, "/send/merge", **state(client), ticked="0") == "There is nothing to write down."
    assert 'data-own="done" data-at="1.5" data-who="Mara"' in client.get("/part/mix").text
    said(client, "/mix/done", song=1, at=1.5, who="Mara", says="<b>late</b>")
    assert "note-mark" not in client.get("/part/mix").text
    assert "not in the recipe any more" in problem(client, "/mix/done", song=1, at=1.5, who="Mara", says="<b>late</b>")
    said(client, "/changes/undo", number=last_change(client))
    said(client, "/changes/undo", number=last_change(client))
    assert rehearsal.home.recipe.read_text(encoding="utf-8") == RECIPE
    assert "send-merge" in client.get("/part/send").text


def test_wishes_for_an_older_mix_count_but_for_what_has_changed_since(rehearsal: Rehearsal, client: TestClient) -> None:
    recipe = rehearsal.home.recipe
    text = f"{RECIPE}# wishes of Theo for mix 00000000 (123456): kick: +1\n"
    recipe.write_text(text, encoding="utf-8")
    said(client, "/send/add", text=message("Mara", "kick +2", "lead vocal room +1", mix="00000000"))
    html = client.get("/part/send").text
    assert "one wish, no notes, for an older mix" in html
    assert "kick was changed for Theo since Mara listened." in html
    said(client, "/send/merge", **state(client), ticked="0")
    assert "room_db = 1.0" in recipe.read_text(encoding="utf-8")
    assert "level_db" not in recipe.read_text(encoding="utf-8")
    recipe.write_text(text, encoding="utf-8")
    old = state(client)
    said(client, "/send/anyway", **old, place=0)
    html = client.get("/part/send").text
    assert "older mix" not in html
    assert "more reverb (+1 dB)" in html
    assert "two wishes, no notes" in html
    assert "in the meantime" in problem(client, "/send/remove", **old, place=0)
    said(client, "/send/remove", **state(client), place=0)
    assert "Mara" not in client.get("/part/send").text


def test_wishes_that_do_not_say_for_which_mix_are_written_down_once(client: TestClient) -> None:
    said(client, "/send/add", text=message("Mara", "kick +2"))
    said(client, "/send/merge", **state(client), ticked="0")
    assert problem(client, "/send/merge", **state(client), ticked="0") == "There is nothing to write down."


def test_only_lines_that_are_not_understood_are_left_out(client: TestClient) -> None:
    says = said(client, "/send/add", text="hi!\n" + message("Mara", "kick +2", "kick +99", "song: A", "tuba +1"))
    assert says.startswith("Wishes of Mara. Left out: what you pasted, line 6: +99 dB is more than a wish may ask for")
    assert 'Left out: what you pasted, line 7: "song" appears twice.' in says
    html = client.get("/part/send").text
    assert "one wish, no notes <strong" in html
    assert "is called &#34;tuba&#34;" in html


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("hello", "There are no wishes in it"),
        ("morningmix wishes\nkick +2", "do not say which song"),
    ],
)
def test_what_cannot_be_understood_is_not_kept(text: str, says: str, rehearsal: Rehearsal, client: TestClient) -> None:
    assert says in problem(client, "/send/add", text=text)
    assert not (rehearsal.home.root / "wishes.txt").exists()


def test_a_file_that_was_changed_by_hand_is_no_end_of_the_page(rehearsal: Rehearsal, client: TestClient) -> None:
    (rehearsal.home.root / "wishes.txt").write_text("morningmix wishes\nsong: A\nsong: B\n", encoding="utf-8")
    assert "appears twice" in client.get("/part/send").text
    assert client.get("/part/mix").status_code == 200
    said(client, "/send/remove", **state(client), place=0)
    assert client.get("/part/send").text.count("appears twice") == 0


def test_the_findings_for_the_desk_are_those_of_the_inputs(rehearsal: Rehearsal, client: TestClient) -> None:
    html = client.get("/part/send").text
    findings = rehearsal.all_heard().result.findings
    assert html.count('<li class="found">') == len(findings)


def test_what_was_found_in_the_weeks_before_is_in_the_last_step(tmp_path: Path) -> None:
    (tmp_path / "w1").mkdir()
    found = {"when": "2020-11-05", "findings": [{"input": "kick", "kind": "clipped", "says": ""}]}
    (tmp_path / "w1" / "findings.json").write_text(json.dumps(found), encoding="utf-8")
    (tmp_path / "w2").mkdir()
    html = browser(opened(tmp_path / "w2", heard=True)).get("/part/send").text
    assert "kick: clipped on 5 Nov 2020." in html
    assert 'class="mark"' in html
