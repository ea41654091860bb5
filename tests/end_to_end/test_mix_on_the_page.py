"""Mix a rehearsal and turn it in a browser, as a person does: how soon it is heard, and what is on the disk then."""

from __future__ import annotations

import shutil
import subprocess
import sys
import time
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile  # noqa: TID251 - an outside reader of the mix

from command_line import digests
from morningmix.dsp.meter import LoudnessMeter
from morningmix.files.recall import read_recall
from synthetic import write_take

playwright = pytest.importorskip("playwright.sync_api")
pytestmark = pytest.mark.browser

WATCH = """
window.contexts = []; window.starts = []; window.aims = [];
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
async (slider) => {
  const [context] = window.contexts;
  window.aims.length = 0;
  slider.value = 3;
  const began = context.currentTime;
  slider.dispatchEvent(new Event("input", { bubbles: true }));
  const [param, value] = window.aims.map(([one, aim]) => [one, aim, Math.abs(aim / one.value - 1)])
    .sort((a, b) => b[2] - a[2])[0];
  const was = param.value;
  while (Math.abs(param.value - value) > 0.1 * Math.abs(was - value)) await new Promise((done) => setTimeout(done, 1));
  return [context.currentTime - began, value / was];
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
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A page of a short rehearsal; `folder` is where it lies."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if chromium is None:
        pytest.skip("no Chromium here")
    folder = tmp_path_factory.mktemp("open")
    write_take(folder / "take", 9.0, 24_000)
    for name in ("backing vocal", "guitar 2", "snare"):
        (folder / "take" / f"{name}.wav").unlink()
    command = [sys.executable, "-m", "morningmix", "open", "take", "--no-browser"]
    process = subprocess.Popen(command, cwd=folder, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    address = process.stdout.readline().strip()
    try:
        with playwright.sync_playwright() as running:
            browser = running.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
            opened = browser.new_page(viewport={"width": 1280, "height": 900})
            opened.folder, opened.problems = folder, []
            opened.on("pageerror", lambda error: opened.problems.append(str(error)))
            opened.on("console", lambda line: opened.problems.append(line.text) if line.type == "error" else None)
            opened.on(
                "request",
                lambda one: None if one.url.startswith(address[:16]) else opened.problems.append(one.url),
            )
            opened.add_init_script(WATCH)
            opened.goto(address)
            yield opened
            assert opened.problems == []
            browser.close()
    finally:
        process.terminate()
        process.communicate(timeout=20)


def until(page: Any, what: str) -> None:
    """Wait for an expression; the page's policy forbids Playwright's own way of waiting."""
    deadline_s = time.monotonic() + 30.0
    while not page.evaluate(what):
        assert time.monotonic() < deadline_s, what
        page.wait_for_timeout(20)


def mixed(page: Any) -> None:
    """Press Mix and wait until all is mixed."""
    page.click("#mix-start")
    page.wait_for_selector("text=Every song is mixed as the recipe says", timeout=120_000)


def test_a_turn_is_heard_at_once_and_the_mix_is_that_of_the_recipe(page: Any, tmp_path: Path) -> None:
    page.wait_for_selector("#mix-start", timeout=60_000)
    mixed(page)
    page.click("#mixed-play-1")
    until(page, "window.starts.length > 0 && document.getElementById('playing').textContent.includes('0:01')")
    number = page.eval_on_selector('[data-row][data-name="bass"]', "(row) => row.dataset.row")
    slider = page.locator(f"#level-{number}")
    heard_s, gain = slider.evaluate(TURN)
    assert heard_s < 0.05
    assert gain == pytest.approx(10.0 ** (3.0 / 20.0), rel=1e-3)
    page.wait_for_selector("text=bass: clearly louder (+3 dB)")
    assert "level_db = 3.0" in (page.folder / "take mix" / "recipe.toml").read_text(encoding="utf-8")
    page.click("#mixed-play-1")
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
    assert live == pytest.approx(written, abs=0.5)


def test_all_lanes_are_in_step_over_joins_and_seeks(page: Any) -> None:
    page.evaluate("window.starts.length = 0")
    page.click("#mixed-play-1")
    # Over the join of two pieces, then elsewhere, by a press on the ridge.
    until(page, "window.starts.some(([, offset, seconds]) => offset === 0 && seconds === 4)")
    lanes = page.evaluate("window.starts.filter(([when]) => when === window.starts[0][0]).length")
    assert lanes >= 7, "five inputs, the recordings, and the mix before"
    box = page.locator("#mixed-1 [data-ridge]").bounding_box()
    page.mouse.click(box["x"] + 0.31 * box["width"], box["y"] + 20)
    until(page, "window.starts.at(-1)[1] > 2.5")
    starts = page.evaluate("window.starts")
    by_time: dict[float, list[list[float]]] = {}
    for when, offset, seconds in starts:
        by_time.setdefault(when, []).append([offset, seconds])
    assert len(by_time) >= 3
    for together in by_time.values():
        assert len(together) == lanes
        assert all(one == together[0] for one in together)
    page.click("#mixed-play-1")


def test_a_marked_part_has_a_level_of_its_own_and_before_is_one_press(page: Any) -> None:
    box = page.locator("#mixed-1 [data-ridge]").bounding_box()
    page.mouse.move(box["x"] + 0.25 * box["width"], box["y"] + 30)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.5 * box["width"], box["y"] + 30, steps=5)
    page.mouse.up()
    assert page.is_checked("#scope-part")
    number = page.eval_on_selector('[data-row][data-name="guitar 1"]', "(row) => row.dataset.row")
    page.focus(f"#level-{number}")
    for _ in range(4):
        page.keyboard.press("ArrowRight")
    page.wait_for_selector("#mixed-1 .own-parts >> text=clearly louder (+2 dB)")
    recipe = (page.folder / "take mix" / "recipe.toml").read_text(encoding="utf-8")
    assert recipe.count("[[song.move]]") == 1
    assert 'name = "guitar 1"\nfrom = "0:02.' in recipe
    page.click("#hear-recorded-1")
    page.wait_for_selector("#hear-recorded-1[aria-pressed=true]")
    page.click("#hear-before-1")
    assert page.get_attribute("#hear-now-1", "aria-pressed") == "false"
    page.click("#own-gone-1-0")
    page.wait_for_selector("#mixed-1 .own-parts", state="detached")
    assert "song.move" not in (page.folder / "take mix" / "recipe.toml").read_text(encoding="utf-8")


def test_a_slow_drag_is_one_change(page: Any) -> None:
    number = page.eval_on_selector('[data-row][data-name="kick"]', "(row) => row.dataset.row")
    if page.is_enabled("#part-clear-1"):
        page.click("#part-clear-1")
    changes = page.locator("#drawer .changes > li")
    count = changes.count()
    page.locator(f"#level-{number}").scroll_into_view_if_needed()
    box = page.locator(f"#level-{number}").bounding_box()
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.4 * box["width"], box["y"] + 20, steps=3)
    page.wait_for_timeout(1200)
    assert changes.count() == count, "it is still held"
    page.mouse.move(box["x"] + 0.3 * box["width"], box["y"] + 20, steps=3)
    page.mouse.up()
    page.wait_for_selector(f"#row-{number} >> text=kick: much softer")
    until(page, f"document.querySelectorAll('#drawer .changes > li').length === {count + 1}")
    page.click("#drawer-button")
    page.click("#undo")
    page.click("#drawer-button")
    page.wait_for_selector(f"#says-{number} >> text=as it is")


def test_two_peoples_wishes_are_merged_heard_and_sent(page: Any) -> None:
    mixes = page.folder / "take mix" / "mixes" / "01 take" / "recall.json"
    for who, wish in (("Mara", "kick +2"), ("Theo", "kick +4")):
        lines = ["morningmix wishes", "song: take", f"mix: {read_recall(mixes).mix_id}", f"from: {who}", wish]
        page.fill("#send-text", "\n".join([f"[21:04] {who}: {lines[0]}", *lines[1:], "see you!"]))
        page.click("#send-add")
        page.wait_for_selector(f"#came th >> text={who}")
    page.uncheck("#tick-0")
    page.fill("#send-text", "half a message")
    ida = "\n".join(["morningmix wishes", "song: take", "from: Ida", "bass +1"])
    page.evaluate("(text) => import('/static/asking.js').then(({ ask }) => ask('/send/add', { text }))", ida)
    page.wait_for_selector("#came th >> text=Ida")
    assert not page.is_checked("#tick-0"), "what is begun stays"
    assert page.input_value("#send-text") == "half a message"
    page.check("#tick-0")
    page.fill("#send-text", "")
    page.click("#send-merge")
    page.wait_for_selector("#came >> text=in the recipe")
    recipe = (page.folder / "take mix" / "recipe.toml").read_text(encoding="utf-8")
    assert "level_db = 3.0" in recipe
    mixed(page)
    page.click("#send-pack")
    with page.expect_download() as saved:
        page.click("#send-zip")
    with zipfile.ZipFile(saved.value.path()) as archive:
        assert "take/01 take.mp3" in archive.namelist()


def test_it_fits_a_phone(page: Any) -> None:
    page.set_viewport_size({"width": 360, "height": 740})
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    wide = "[...document.querySelectorAll('#mix button, #send button, #mix input, #send input')]"
    assert page.evaluate(f"{wide}.every((one) => one.getBoundingClientRect().right <= 360)")
