"""Mix a rehearsal and turn it in a browser, as a person does: how soon it is heard, and what is on the disk then."""

from __future__ import annotations

import shutil
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile  # noqa: TID251 - an outside reader of the mix

from command_line import digests
from end_to_end.made import mixed, says, served, settled, shown, until
from morningmix.dsp.meter import LoudnessMeter
from morningmix.files.recall import read_recall
from synthetic import ROLES, write_take

pytestmark = pytest.mark.browser

RECIPE = """recipe = 1

[rehearsal]
tracks = "../take"
title = "take"

[target]
loudness_lufs = -12
"""
WATCH = """
window.contexts = []; window.starts = []; window.aims = [];
window.sounds = ({ currentTime }) =>
  window.starts.some(([when, , seconds]) => when < currentTime && currentTime < when + seconds - 0.2);
window.AudioContext = class extends AudioContext { constructor(...a) { super(...a); window.contexts.push(this); } };
const start = AudioBufferSourceNode.prototype.start;
AudioBufferSourceNode.prototype.start = function (when, offset, seconds) {
  window.starts.push([when, offset, seconds]); start.call(this, when, offset, seconds);
};
const aim = AudioParam.prototype.setTargetAtTime;
AudioParam.prototype.setTargetAtTime = function (value, ...rest) {
  window.aims.push([this, value]); return aim.call(this, value, ...rest);
};
"""
TURN = """
async ([slider, play]) => {
  // Other programs may hold up this one, so the quickest of a few turns counts. It is held, as by a mouse.
  const soon = (done) => setTimeout(done, 1);
  const find = (id) => document.getElementById(id);
  const put = (value) => {
    find(slider).value = value;
    find(slider).dispatchEvent(new Event("input", { bubbles: true }));
  };
  find(slider).dispatchEvent(new PointerEvent("pointerdown", { bubbles: true }));
  let [quickest, gain] = [Infinity, 0];
  for (let count = 0; count < 20 && quickest >= 0.05; count += 1) {
    const [context] = window.contexts;
    while (!window.sounds(context)) {
      if (find(play).textContent === "Play") find(play).click();
      await new Promise(soon);
    }
    window.aims.length = 0;
    const began = context.currentTime;
    put(3);
    const [param, value] = window.aims.map(([one, aim]) => [one, aim, Math.abs(aim / one.value - 1)])
      .sort((a, b) => b[2] - a[2])[0];
    const was = param.value;
    const far = () => Math.abs(param.value - value) > 0.1 * Math.abs(was - value);
    while (far() && window.sounds(context)) await new Promise(soon);
    if (window.sounds(context)) [quickest, gain] = [Math.min(quickest, context.currentTime - began), value / was];
    if (quickest < 0.05) break;
    put(0);
    // Until the sound has turned back, by the clock of the sound.
    for (const back = context.currentTime + 0.3; context.currentTime < back;) await new Promise(soon);
  }
  document.dispatchEvent(new PointerEvent("pointerup", { bubbles: true }));
  return [quickest, gain];
}
"""
TURN_BY_KEYS = """
([slider, value, next]) => {
  const find = (id) => document.getElementById(id);
  find(slider).value = value;
  find(slider).dispatchEvent(new Event("input", { bubbles: true }));
  // Another one is held at once.
  find(next).dispatchEvent(new PointerEvent("pointerdown", { bubbles: true }));
  document.dispatchEvent(new PointerEvent("pointerup", { bubbles: true }));
}
"""
LEFT = """
async () => {
  const { Left } = await import("/static/left.js");
  const left = new Left();
  left.report(0, null, 0);
  const shown = [left.at(1)];
  left.report(0.5, 10, 2);
  shown.push(left.at(2), left.at(6), left.at(60));
  left.report(0.9, 2, 61);
  shown.push(left.at(61));
  return shown.map(({ bar, words }) => [bar, words]);
}
"""

PLAYED = """
async () => {
  const { Graph } = await import("/static/graph.js");
  const graph = await Graph.of(1);
  const { pieceS, rateHz } = document.body.dataset;
  const frames = Math.round(graph.numbers.seconds * rateHz);
  const context = new OfflineAudioContext(2, frames, Number(rateHz));
  for (const lane of graph.lanes) {
    const into = lane.into(context, context.destination);
    for (let piece = 0; piece * pieceS < graph.numbers.seconds; piece += 1) {
      const answer = await fetch(lane.url(piece));
      const source = context.createBufferSource();
      source.buffer = await context.decodeAudioData(await answer.arrayBuffer());
      source.connect(into);
      source.start(piece * pieceS);
    }
  }
  const played = await context.startRendering();
  return [0, 1].map((side) => [...played.getChannelData(side)]);
}
"""


@pytest.fixture(scope="module")
def page(chromium: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A page of a short rehearsal; `folder` is where it lies."""
    folder = tmp_path_factory.mktemp("open")
    recipe = RECIPE
    for name, file in write_take(folder / "take", 9.0, 24_000).items():
        if name in ("backing vocal", "guitar 2", "snare"):
            (folder / "take" / file).unlink()
        else:
            recipe += f'\n[[input]]\nfile = "{file}"\nname = "{name}"\nrole = "{ROLES[name]}"\n'
    # As loud as it gets, which is where peaks would be clipped.
    (folder / "take mix").mkdir()
    (folder / "take mix" / "recipe.toml").write_text(recipe, encoding="utf-8")
    with served("take", folder) as address, shown(chromium, address, WATCH) as page:
        page.folder = folder
        yield page


def recipe(page: Any) -> str:
    return str((page.folder / "take mix" / "recipe.toml").read_text(encoding="utf-8"))


def row(page: Any, name: str) -> str:
    """What tells the row of an input from the others."""
    return str(page.eval_on_selector(f'[data-row][data-name="{name}"]', "(row) => row.dataset.row"))


def test_a_turn_is_heard_at_once_and_the_mix_is_that_of_the_recipe(page: Any, tmp_path: Path) -> None:
    mixed(page)
    bass = row(page, "bass")
    page.click("#mixed-play-1")
    until(page, "window.contexts.length && window.starts.length")
    heard_s, gain = page.evaluate(TURN, [f"level-{bass}", "mixed-play-1"])
    assert heard_s < 0.05
    assert gain == pytest.approx(10.0 ** (3.0 / 20.0), rel=1e-3)
    says(page, f"#row-{bass}", "bass: clearly louder (+3 dB)")
    assert "level_db = 3.0" in recipe(page)
    page.keyboard.press("Escape")
    mixed(page)

    # The same recipe mixed in a terminal.
    shutil.copytree(page.folder / "take", tmp_path / "take")
    (tmp_path / "take mix").mkdir()
    shutil.copy(page.folder / "take mix" / "recipe.toml", tmp_path / "take mix")
    command = [sys.executable, "-m", "morningmix", "mix", "take mix/recipe.toml"]
    subprocess.run(command, cwd=tmp_path, check=True, capture_output=True)
    songs = digests(tmp_path / "take mix" / "mixes" / "01 take")
    assert any(name.endswith("take.wav") for name in songs)
    assert songs == digests(page.folder / "take mix" / "mixes" / "01 take")


def test_what_the_browser_plays_is_the_mix(page: Any) -> None:
    played = np.array(page.evaluate(PLAYED))
    mix, rate_hz = soundfile.read(page.folder / "take mix" / "mixes" / "01 take" / "take.wav")
    assert played.shape == mix.T.shape
    assert np.corrcoef(played.reshape(-1), mix.T.reshape(-1))[0, 1] > 0.99
    meters = LoudnessMeter(rate_hz, 2), LoudnessMeter(rate_hz, 2)
    for meter, sound in zip(meters, (played, mix.T), strict=True):
        meter.update(sound.astype(np.float32))
    live, written = (meter.result().integrated_lufs for meter in meters)
    assert written > -14.0
    softer_db = page.evaluate("() => fetch('/live/1').then((answer) => answer.json())")["softer_db"]
    assert live + softer_db == pytest.approx(written, abs=0.5)
    assert np.abs(played).max() < 1.0
    assert np.abs(played).max() * 10.0 ** (softer_db / 20.0) > 1.0, "it would be clipped"


def test_time_left_goes_on_between_reports_and_the_bar_is_never_full_before_the_end(page: Any) -> None:
    shown = page.evaluate(LEFT)
    assert [words for _, words in shown] == ["", "about 10 s left", "about 6 s left", "nearly done", "nearly done"]
    bars = [bar for bar, _ in shown]
    assert bars == pytest.approx([0.0, 0.5, 0.7, 0.97, 0.97])


def test_all_lanes_are_in_step_over_joins_and_seeks(page: Any) -> None:
    page.evaluate("window.starts.length = 0")
    page.locator("#mixed-1 [data-ridge]").scroll_into_view_if_needed()
    box = page.locator("#mixed-1 [data-ridge]").bounding_box()
    # Over the join of two pieces, then elsewhere.
    page.mouse.click(box["x"] + 0.2 * box["width"], box["y"] + 20)
    until(page, "window.starts.some(([, offset, seconds]) => offset === 0 && seconds === 4)")
    page.mouse.click(box["x"] + 0.31 * box["width"], box["y"] + 20)
    until(page, "window.starts.some(([, offset]) => offset > 2.5)")
    starts = page.evaluate("window.starts")
    page.keyboard.press("Escape")
    lanes = sum(when == starts[0][0] for when, *_ in starts)
    assert lanes >= 7, "five inputs, the recordings, and the mix before"
    by_time: dict[float, list[list[float]]] = {}
    for when, offset, seconds in starts:
        by_time.setdefault(when, []).append([offset, seconds])
    assert len(by_time) >= 3
    for together in by_time.values():
        assert len(together) == lanes
        assert all(one == together[0] for one in together)


def test_a_marked_part_has_a_level_of_its_own_and_before_is_one_press(page: Any) -> None:
    settled(page)
    box = page.locator("#mixed-1 [data-ridge]").bounding_box()
    page.mouse.move(box["x"] + 0.25 * box["width"], box["y"] + 30)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.5 * box["width"], box["y"] + 30, steps=5)
    page.mouse.up()
    page.wait_for_selector("#scope-part:checked")
    page.focus(f"#level-{row(page, 'guitar 1')}")
    for _ in range(4):
        page.keyboard.press("ArrowRight")
    says(page, "#mixed-1 .own-parts", "clearly louder (+2 dB)")
    assert recipe(page).count("[[song.move]]") == 1
    assert 'name = "guitar 1"\nfrom = "0:02.' in recipe(page)
    for kind in ("recorded", "before", "now"):
        page.click(f"#hear-{kind}-1")
        page.wait_for_selector(f"#hear-{kind}-1[aria-pressed=true]")
        assert page.locator("#mixed-1 [data-hear][aria-pressed=true]").count() == 1
    page.keyboard.press("Escape")
    page.click("#own-gone-1-0")
    page.wait_for_selector("#mixed-1 .own-parts", state="detached")
    assert "song.move" not in recipe(page)


def test_a_slow_drag_is_one_change(page: Any) -> None:
    kick = row(page, "kick")
    if page.is_enabled("#part-clear-1"):
        page.click("#part-clear-1")
    settled(page)
    changes = page.locator("#drawer .changes > li")
    count = changes.count()
    page.locator(f"#level-{kick}").scroll_into_view_if_needed()
    box = page.locator(f"#level-{kick}").bounding_box()
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.4 * box["width"], box["y"] + 20, steps=3)
    # Timers of a page come in their order, so what waits for half a second has come by then.
    page.evaluate("() => new Promise((done) => setTimeout(done, 700))")
    settled(page)
    assert changes.count() == count, "it is still held"
    page.mouse.move(box["x"] + 0.3 * box["width"], box["y"] + 20, steps=3)
    page.mouse.up()
    says(page, f"#row-{kick}", "kick: much softer")
    until(page, f"document.querySelectorAll('#drawer .changes > li').length === {count + 1}")
    page.click("#drawer-button")
    settled(page)
    page.click("#undo")
    says(page, f"#says-{kick}", "as it is")
    page.click("#drawer-button")


def test_no_turn_is_lost_however_slowly_the_program_answers(page: Any) -> None:
    settled(page)
    bass, kick = row(page, "bass"), row(page, "kick")
    held: dict[str, Any] = {}
    for path in ("/mix/set", "/part/mix"):
        # The first of each is held back.
        page.route(f"**{path}", lambda one, *, path=path: one.continue_() if path in held else held.update({path: one}))
    # The part is asked for before a turn is written down, and comes after.
    with page.expect_request("**/part/mix"):
        page.evaluate("() => { import('/static/asking.js').then(({ refresh }) => { refresh('mix'); }); }")
    with page.expect_request("**/mix/set"):
        page.evaluate(TURN_BY_KEYS, [f"level-{kick}", -4, f"level-{bass}"])
    old = held["/part/mix"].fetch()
    held["/part/mix"].fulfill(response=old, body=f"{old.text()}<!-- as it was -->")
    page.evaluate("() => new Promise((done) => setTimeout(done, 300))")
    assert page.input_value(f"#level-{kick}") == "-4", "it is being written down"
    # Back to where it was, before that is answered.
    page.evaluate(TURN_BY_KEYS, [f"level-{kick}", 0, f"level-{bass}"])
    held["/mix/set"].continue_()
    says(page, f"#row-{kick}", "kick: as it is")
    page.unroute_all()
    settled(page)
    assert "level_db = -4" not in recipe(page)


def test_two_peoples_wishes_are_merged_heard_and_sent(page: Any) -> None:
    mix_id = read_recall(page.folder / "take mix" / "mixes" / "01 take" / "recall.json").mix_id
    for who, wish in (("Mara", "kick +2"), ("Theo", "kick +4")):
        lines = ["morningmix wishes", "song: take", f"mix: {mix_id}", f"from: {who}", wish]
        page.fill("#send-text", "\n".join([f"[21:04] {who}: {lines[0]}", *lines[1:], "see you!"]))
        page.click("#send-add")
        says(page, "#came th", who)
        until(page, "document.getElementById('send-text').value === ''")
    settled(page)
    page.uncheck("#tick-0")
    page.fill("#send-text", "half a message")
    ida = "\n".join(["morningmix wishes", "song: take", "from: Ida", "bass +1"])
    page.evaluate("(text) => import('/static/asking.js').then(({ ask }) => ask('/send/add', { text }))", ida)
    says(page, "#came th", "Ida")
    settled(page)
    assert not page.is_checked("#tick-0"), "what is begun stays"
    assert page.input_value("#send-text") == "half a message"
    page.check("#tick-0")
    page.fill("#send-text", "")
    page.click("#send-merge")
    says(page, "#came", "in the recipe")
    assert "level_db = 3.0" in recipe(page)
    mixed(page)
    page.click("#send-pack")
    with page.expect_download() as saved:
        page.click("#send-zip")
    with zipfile.ZipFile(saved.value.path()) as archive:
        assert "take/01 take.mp3" in archive.namelist()


def test_it_fits_a_phone(page: Any) -> None:
    settled(page)
    page.set_viewport_size({"width": 360, "height": 740})
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    wide = "[...document.querySelectorAll('#mix button, #send button, #mix input, #send input')]"
    assert page.evaluate(f"{wide}.every((one) => one.getBoundingClientRect().right <= 360)")
