"""Step 3: mixed from the page, turned while it plays, and the sum of what the page plays against the written mix."""

from __future__ import annotations

import io
import json
import re
import shutil
from html import unescape
from pathlib import Path
from threading import Event
from typing import Any

import numpy as np
import pytest
import scipy
import soundfile  # an outside reader of what was sent
from numpy.typing import NDArray
from starlette.testclient import TestClient

from decide.test_recognise import a_song
from morningmix.analysis.fingerprint import KeptFingerprint
from morningmix.commands.listen import Heard, with_cleaned
from morningmix.commands.live import live_songs
from morningmix.commands.order import Order, settings_of
from morningmix.dsp.meter import LoudnessMeter
from morningmix.errors import BusyError
from morningmix.files.recall import Recall, read_recall
from morningmix.laws.filters import high_shelf, low_shelf
from morningmix.model.recipe import Recipe
from morningmix.page.rehearsal import Rehearsal
from morningmix.page.sound import PIECE_S
from morningmix.render.live import HEADROOM_DB, live_piece
from morningmix.render.strip import open_strip
from morningmix.storage.cache import key, path_of, take_key
from morningmix.storage.lock import locked
from morningmix.storage.records import write_record
from morningmix.units import db_to_gain
from page.made import browser, problem, said, wait
from synthetic import write_take

RATE_HZ, SECONDS = 24_000, 8.0
RECIPE = """recipe = 1

[rehearsal]
tracks = "take"
title = "Thursday"
"""
Sound = NDArray[np.float64]
HEARD_BEFORE: list[Heard] = []
"""What was known before the mix."""


@pytest.fixture(scope="module")
def rehearsal(tmp_path_factory: pytest.TempPathFactory) -> Rehearsal:
    """A band that is mixed from its page, with one of everything that a page plays itself."""
    folder = tmp_path_factory.mktemp("turn")
    files = write_take(folder / "take", SECONDS, RATE_HZ)
    (folder / "take" / files.pop("backing vocal")).unlink()
    for name, file in files.items():
        more = {"bass": "low_db = 4.0\n", "guitar 1": "high_db = -3.0\nroom_db = 4.0\n"}.get(name, "")
        role = "electric guitar" if name.startswith("guitar") else name
        with (folder / "recipe.toml").open("a", encoding="utf-8") as recipe:
            recipe.write(RECIPE if recipe.tell() == 0 else "")
            recipe.write(f'\n[[input]]\nfile = "{file}"\nname = "{name}"\nrole = "{role}"\n{more}')
    opened = Rehearsal(Order(source=folder / "recipe.toml", cwd=folder, workers=1))
    opened.listen()
    wait(opened)
    client = browser(opened)
    assert "one song is ready to be mixed" in client.get("/part/mix").text.casefold()
    assert problem_of(client, "/live/1").startswith("This song is not mixed yet")
    HEARD_BEFORE.append(opened.all_heard())
    said(client, "/mix/start", practice=False)
    wait(opened)
    return opened


@pytest.fixture
def client(rehearsal: Rehearsal) -> Any:
    text = rehearsal.home.recipe.read_text(encoding="utf-8")
    yield browser(rehearsal)
    wait(rehearsal)
    if rehearsal.home.recipe.read_text(encoding="utf-8") != text:
        rehearsal.home.recipe.write_text(text, encoding="utf-8")
        rehearsal.listen()
        wait(rehearsal)


def problem_of(client: TestClient, path: str) -> str:
    answer = client.get(path)
    assert answer.status_code == 422, answer.text
    words: str = answer.json()["problem"]
    assert "\n" not in words
    return words


def folder_of(rehearsal: Rehearsal) -> Path:
    return rehearsal.home.mixes / "01 Thursday"


def recall_of(rehearsal: Rehearsal) -> Recall:
    return read_recall(folder_of(rehearsal) / "recall.json")


def played(client: TestClient, path: str) -> Sound:
    """All pieces of a lane, one behind the other: ``(channels, frames)``."""
    pieces = []
    for piece in range(int(np.ceil(SECONDS / PIECE_S))):
        answer = client.get(f"{path}/{piece}")
        assert answer.status_code == 200, answer.text
        sound, rate_hz = soundfile.read(io.BytesIO(answer.content), always_2d=True)
        assert rate_hz == RATE_HZ
        pieces.append(sound.T)
    return np.concatenate(pieces, axis=1)


def live_sum(client: TestClient) -> dict[str, Sound]:
    """What the page plays, by family, made as its script makes it."""
    numbers = client.get("/live/1").json()
    dry: dict[str, Sound] = {}
    sent: dict[str, Sound] = {}
    for track in numbers["tracks"]:
        sound = played(client, f"/live/1/track/{track['track']}")
        for shelf, hz, db in ((low_shelf, 200.0, track["low_db"]), (high_shelf, 4000.0, track["high_db"])):
            sound = scipy.signal.sosfilt(shelf(hz, db, RATE_HZ), sound, axis=1)
        placed = track["gain"] * np.stack([track["left"] * sound[0], track["right"] * sound[-1]])
        family = track["family"]
        dry[family] = dry.get(family, 0.0) + placed
        sent[family] = sent.get(family, 0.0) + track["send"] * placed.mean(axis=0)
    if numbers["room"]:
        room = np.frombuffer(client.get("/live/1/room").content, "<f4").reshape(2, -1)
        for family, sound in sent.items():
            wet = [scipy.signal.fftconvolve(sound, side)[: sound.shape[0]] for side in room]
            dry[family] = dry[family] + np.stack(wet)
    for family, (left, right) in dry.items() if numbers["sides"] else ():
        side = 0.5 * (left - right)
        for forward, back in numbers["sides"]:
            side = scipy.signal.lfilter(forward, back, side)
        dry[family] = 0.5 * (left + right) + np.stack([side, -side])
    for forward, back in numbers["tilt"]:
        dry = {family: scipy.signal.lfilter(forward, back, sound, axis=1) for family, sound in dry.items()}
    return dry


def lufs(sound: Sound) -> float:
    meter = LoudnessMeter(RATE_HZ, 2)
    meter.update(sound.astype(np.float32))
    loudness = meter.result().integrated_lufs
    assert loudness is not None
    return loudness


def written(path: Path) -> Sound:
    sound, _ = soundfile.read(path, always_2d=True)
    return np.asarray(sound.T)


@pytest.mark.slow
def test_the_live_sum_is_the_written_mix_within_half_a_loudness_unit_and_so_is_every_family(
    rehearsal: Rehearsal, client: TestClient
) -> None:
    families = live_sum(client)
    recall = recall_of(rehearsal)
    assert {Path(stem).stem for stem in recall.stems} == families.keys()
    for stem in recall.stems:
        file = written(folder_of(rehearsal) / stem)
        assert file.shape == families[Path(stem).stem].shape
        assert lufs(families[Path(stem).stem]) == pytest.approx(lufs(file), abs=0.5), stem
        if Path(stem).stem != "drums":
            assert np.corrcoef(families[Path(stem).stem].reshape(-1), file.reshape(-1))[0, 1] > 0.999, stem
    mix = written(folder_of(rehearsal) / recall.mix.file)
    total = np.sum(list(families.values()), axis=0)
    assert lufs(total) == pytest.approx(lufs(mix), abs=0.2)
    # In step to the sample: what is left is what the limiters took.
    best = np.argmax(scipy.signal.correlate(total[0], mix[0], "same"))
    assert best == mix.shape[1] // 2


def test_before_and_now_are_equally_loud_and_in_step(rehearsal: Rehearsal, client: TestClient) -> None:
    mix = written(folder_of(rehearsal) / recall_of(rehearsal).mix.file)
    recorded = played(client, "/live/1/recorded") * db_to_gain(HEADROOM_DB)
    assert lufs(recorded) == pytest.approx(lufs(mix), abs=0.1)
    raw = np.sum([written(path).mean(axis=0) for path in rehearsal.takes[0].folder.iterdir()], axis=0)
    assert np.corrcoef(raw, recorded[0])[0, 1] > 0.9999
    assert problem_of(client, "/live/1/before/0") == "There is no mix before this one."


def test_any_piece_is_what_the_whole_strip_gives(rehearsal: Rehearsal, client: TestClient) -> None:
    client.get("/part/mix")
    heard = rehearsal.all_heard()
    recipe = rehearsal.recipe()
    assert recipe is not None
    (song,) = live_songs([take.analysed for take in heard.takes], recipe, rehearsal.home, rehearsal.order)
    frames = round(SECONDS * RATE_HZ)
    checked = set()
    for track, recording in zip(song.plan.tracks, song.sounds, strict=True):
        with open_strip(track, recording, RATE_HZ, 0, frames) as strip:
            whole = strip.to_level.process(strip.source.read(frames))
        if track.ride:
            continue
        checked |= {kind for kind in ("gate", "compressor", "de_esser") if getattr(track, kind) is not None}
        first = round(6.3 * RATE_HZ)
        piece = live_piece(song.plan, track, recording, first, RATE_HZ) * db_to_gain(HEADROOM_DB)
        difference = np.square(piece - whole[:, first : first + RATE_HZ], dtype=np.float64).mean()
        loudest = max(np.square(whole, dtype=np.float64).mean(), 1e-12)
        assert difference < 1e-6 * loudest, track.name
    assert "compressor" in checked


def test_a_song_that_is_in_its_place_is_played_cleaned_while_others_are_mixed(
    rehearsal: Rehearsal, client: TestClient
) -> None:
    client.get("/part/mix")
    recipe = rehearsal.recipe()
    assert recipe is not None
    (before,) = HEARD_BEFORE
    for heard, cleaned in ((before, False), (with_cleaned(before), True)):
        takes = [take.analysed for take in heard.takes]
        (song,) = live_songs(takes, recipe, rehearsal.home, rehearsal.order)
        assert any(track.cleaned for track in song.plan.tracks) is cleaned
        assert song.as_mixed is cleaned
    assert with_cleaned(rehearsal.all_heard()) is rehearsal.all_heard()


def test_a_mix_in_a_terminal_is_waited_for(rehearsal: Rehearsal, client: TestClient) -> None:
    told: dict[str, Any] = {}
    rehearsal.events.tell = lambda kind, **facts: told.update({kind: facts})  # type: ignore[method-assign]
    with locked(rehearsal.home):
        said(client, "/mix/start", practice=False)
        wait(rehearsal)
    del rehearsal.events.tell
    assert "Another run" in told["work"]["problem"]
    assert (folder_of(rehearsal) / "recall.json").exists()


def test_every_turn_is_one_line_of_the_recipe_and_the_numbers_follow(rehearsal: Rehearsal, client: TestClient) -> None:
    before = client.get("/live/1").json()["tracks"]
    text = rehearsal.home.recipe.read_text(encoding="utf-8")
    says = said(client, "/mix/set", name="snare", part=0, scope=0, value=2.0)
    assert says == "snare: clearly louder (+2 dB)"
    changed = rehearsal.home.recipe.read_text(encoding="utf-8")
    assert [line for line in changed.splitlines() if line not in text.splitlines()] == ["level_db = 2.0"]
    after = client.get("/live/1").json()["tracks"]
    for old, new in zip(before, after, strict=True):
        turned = 2.0 if new["name"] == "snare" else 0.0
        assert 20.0 * np.log10(new["gain"] / old["gain"]) == pytest.approx(turned, abs=0.02)
    assert "not mixed as the recipe says" in client.get("/part/mix").text
    said(client, "/mix/set", name="snare", part=0, scope=0, value=0.0)
    said(client, "/mix/set", name="snare", part=1, scope=0, value=-1.5)
    assert next(track for track in client.get("/live/1").json()["tracks"] if track["name"] == "snare")["low_db"] == -1.5
    settings = re.search(r'data-settings="([^"]*)"', client.get("/part/mix").text)
    assert settings is not None
    assert {"level": 0.0, "low": -1.5, "high": 0.0, "room": 0.0} in json.loads(unescape(settings[1]))["all"].values()


def test_a_turn_that_comes_while_a_part_of_the_page_is_made_counts(
    rehearsal: Rehearsal, client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = {track["name"]: track["gain"] for track in client.get("/live/1").json()["tracks"]}
    read = rehearsal.recipe

    def overtaken() -> Recipe | None:
        found = read()
        said(client, "/mix/set", name="snare", part=0, scope=0, value=2.0)
        return found

    with monkeypatch.context() as patched:
        patched.setattr(rehearsal, "recipe", overtaken)
        client.get("/live/1")
    after = {track["name"]: track["gain"] for track in client.get("/live/1").json()["tracks"]}
    assert 20.0 * np.log10(after["snare"] / before["snare"]) == pytest.approx(2.0, abs=0.02)
    assert "not mixed as the recipe says" in client.get("/part/mix").text


def test_what_is_usual_is_where_a_turn_begins(rehearsal: Rehearsal, client: TestClient) -> None:
    band = rehearsal.home.root / "band.toml"
    band.write_text('band = 1\n[[input]]\nfile = "snare.wav"\nlevel_db = 2.0\n', encoding="utf-8")
    try:
        settings = re.search(r'data-settings="([^"]*)"', client.get("/part/mix").text)
        assert settings is not None
        assert {"level": 2.0, "low": 0.0, "high": 0.0, "room": 0.0} in json.loads(unescape(settings[1]))["all"].values()
        usual = client.get("/live/1").json()["tracks"]
        assert (
            said(client, "/mix/set", name="snare", part=0, scope=0, value=2.0)
            == "Nothing changed: it was set that way already."
        )
        said(client, "/mix/set", name="snare", part=0, scope=0, value=0.0)
        assert "level_db = 0.0\n" in rehearsal.home.recipe.read_text(encoding="utf-8")
        for old, new in zip(usual, client.get("/live/1").json()["tracks"], strict=True):
            turned = -2.0 if new["name"] == "snare" else 0.0
            assert 20.0 * np.log10(new["gain"] / old["gain"]) == pytest.approx(turned, abs=0.02)
    finally:
        band.unlink()


def test_one_part_of_a_song_takes_nobody_else_with_it(rehearsal: Rehearsal, client: TestClient) -> None:
    asked = {"name": "guitar 2", "part": 0, "scope": 2, "song": 1, "from": 2.0, "to": 4.0}
    said(client, "/mix/set", **asked, value=3.0)
    text = rehearsal.home.recipe.read_text(encoding="utf-8")
    move = '[[song.move]]\nname = "guitar 2"\nfrom = "0:02.0"\nto = "0:04.0"\nlevel_db = 3.0\n'
    assert move in text
    moves = {track["name"]: track["moves"] for track in client.get("/live/1").json()["tracks"]}
    assert moves.pop("guitar 2") == [[2.0, 4.0, 3.0, 0.3]]
    assert not any(moves.values())
    said(client, "/mix/set", **asked, value=0.0)
    assert "song.move" not in rehearsal.home.recipe.read_text(encoding="utf-8")


def test_one_song_only_is_written_into_the_song(rehearsal: Rehearsal, client: TestClient) -> None:
    said(client, "/mix/set", name="drums", part=3, scope=1, song=1, value=2.0)
    text = rehearsal.home.recipe.read_text(encoding="utf-8")
    assert '[[song.family]]\nname = "drums"\nroom_db = 2.0\n' in text


@pytest.mark.parametrize(
    "asked",
    [
        {"name": "nobody", "part": 0, "scope": 0, "value": 1.0},
        {"name": "snare", "part": 9, "scope": 0, "value": 1.0},
        {"name": "snare", "part": 0, "scope": 3, "value": 1.0},
        {"name": "snare", "part": 0, "scope": 0, "value": 99.0},
        {"name": "snare", "part": 0, "scope": 0, "value": "1"},
        {"name": "snare", "part": 0, "scope": 1, "value": 1.0},
        {"name": "snare", "part": 0, "scope": 1, "song": 2, "value": 1.0},
        {"name": "snare", "part": 1, "scope": 2, "song": 1, "value": 1.0, "from": 1.0, "to": 3.0},
        {"name": "snare", "part": 0, "scope": 2, "song": 1, "value": 1.0, "from": 3.0, "to": 3.2},
        {"name": "snare", "part": 0, "scope": 2, "song": 1, "value": 1.0, "from": 300.0, "to": 303.0},
    ],
)
def test_odd_turns_change_nothing(asked: dict[str, Any], rehearsal: Rehearsal, client: TestClient) -> None:
    text = rehearsal.home.recipe.read_text(encoding="utf-8")
    problem(client, "/mix/set", **asked)
    assert rehearsal.home.recipe.read_text(encoding="utf-8") == text


@pytest.mark.parametrize(
    "path",
    ["/live/2", "/live/1/track/99/0", "/live/1/track/0/99", "/live/1/recorded/99999999999999999999", "/live/2/room"],
)
def test_what_is_not_there_is_one_line(path: str, client: TestClient) -> None:
    problem_of(client, path)


def test_folders_that_are_moved_away_are_one_line_and_come_back(rehearsal: Rehearsal, client: TestClient) -> None:
    for folder, path in ((rehearsal.home.mixes, "/live/1"), (rehearsal.takes[0].folder, "/live/1/track/0/0")):
        away = folder.with_name("away")
        folder.rename(away)
        try:
            assert client.get("/part/mix").status_code == 200
            assert client.get("/part/send").status_code == 200
            problem_of(client, path)
        finally:
            away.rename(folder)
        assert client.get(path).status_code == 200


def test_names_are_text_wherever_they_stand(rehearsal: Rehearsal, client: TestClient) -> None:
    number = next(place for place, (_, input_) in enumerate(rehearsal.all_heard().inputs) if input_.name == "guitar 2")
    name = '"><script>alert(1)</script>&amp;'
    said(client, "/who/name", input=number, name=name)
    wait(rehearsal)
    said(client, "/mix/set", **{"name": name, "part": 0, "scope": 2, "song": 1, "value": 2.0, "from": 1.0, "to": 2.0})
    html = client.get("/part/mix").text
    assert "<script" not in html
    assert html.count("&lt;script&gt;alert(1)&lt;/script&gt;&amp;amp;") >= 6
    tracks = client.get("/live/1").json()["tracks"]
    assert [track["moves"] for track in tracks if track["name"] == name] == [[[1.0, 2.0, 2.0, 0.3]]]


def test_a_song_says_how_it_differs_from_the_last_time(rehearsal: Rehearsal, client: TestClient) -> None:
    """The same evening as a week before, 4 BPM slower then."""
    assert "last time" not in client.get("/part/mix").text
    before = rehearsal.home.root.parent / "the week before"
    try:
        song = shutil.copytree(folder_of(rehearsal), before / "mixes" / "01 Thursday")
        sheet = json.loads((song / "recall.json").read_text(encoding="utf-8"))
        sheet["tempo"]["tempo_bpm"] -= 4.0
        (song / "recall.json").write_text(json.dumps(sheet), encoding="utf-8")
        (before / "findings.json").write_text('{"when": "2001-11-05", "findings": []}', encoding="utf-8")
        assert "LUFS). 4 BPM faster than last time." in client.get("/part/mix").text
    finally:
        shutil.rmtree(before)


def test_a_song_is_heard_beside_the_last_time(rehearsal: Rehearsal, client: TestClient) -> None:
    root = rehearsal.home.root
    before = root.parent / "the week before"
    sheet = folder_of(rehearsal) / "recall.json"
    was = sheet.read_bytes()
    prints = []
    answer = client.get("/weeks/1")
    assert (answer.status_code, "not be matched beat for beat" in answer.text) == (422, True)
    try:
        song = a_song(1, 30, 240.0)
        facts = json.loads(was)
        facts["tempo"] = {"tempo_bpm": 240.0, "other_bpm": None, "beats_s": [0.25 * beat for beat in range(31)]}
        plan = facts["plan"]
        kept = KeptFingerprint(
            take="take",
            start_s=plan["start_s"],
            end_s=plan["end_s"],
            fingerprint=song,
            beats_s=tuple(0.25 * beat for beat in range(31)),
        )
        sheet.write_text(json.dumps(facts), encoding="utf-8")
        for home in (before, root):
            (home / ".cache").mkdir(parents=True, exist_ok=True)
            prints.append(path_of(home / ".cache", "print", take_key(home), key("beside")))
            write_record(prints[-1], kept)
        shutil.copytree(folder_of(rehearsal), before / "mixes" / "01 Thursday")
        (before / "findings.json").write_text('{"when": "2001-11-05", "findings": []}', encoding="utf-8")
        assert 'href="/weeks/1"' in client.get("/part/mix").text
        answer = client.get("/weeks/1")
        assert answer.status_code == 200
        assert "Thursday</bdi>: 5 November 2001 and " in answer.text
        # Its script may run, and nothing may be loaded.
        policy = answer.headers["Content-Security-Policy"]
        assert "default-src 'none'; script-src 'unsafe-inline'" in policy
        assert "script-src 'sha256-" in answer.text
    finally:
        sheet.write_bytes(was)
        prints[-1].unlink()
        shutil.rmtree(before)


def test_one_thing_at_a_time(rehearsal: Rehearsal, client: TestClient) -> None:
    done = Event()
    rehearsal.work.start("thinking", lambda *_: _wait_for(done))
    try:
        answer = client.post("/mix/start", json={"practice": False})
        assert answer.status_code == 409
        assert "thinking" in answer.json()["problem"]
        with pytest.raises(BusyError):
            rehearsal.mix(settings_of(rehearsal.order))
    finally:
        done.set()


def _wait_for(done: Event) -> None:
    done.wait(10)
