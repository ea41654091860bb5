"""A clip watched with the mix in a browser: the mix is where the picture is, also after a seek and a nudge."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile  # noqa: TID251 - an outside writer of the take

from end_to_end.made import barriers, says, served, settled, shown, until
from film.made import RATE_HZ, Made, music
from morningmix.audio.write import IntegerWriter
from morningmix.files.clips import write_clips
from morningmix.model.film import KnownClip, Lined
from page.made import RECIPE
from recall_sheets import write_sheet, write_tracks

pytestmark = pytest.mark.browser

FRAME_S, CLIP_S, SONG_S = 0.04, 14.0, 11.0
LINED = Lined(file="stage.mp4", offset_s=-2.0, drift_ppm=9000.0, confidence=0.9, accepted=True)
"""A clock so far off that it is 100 ms at the end."""
START_S = 0.4
FLASHES_S = tuple(np.arange(1, 35) * 10 * FRAME_S)
APART_S = 0.04
PIECE_S = 4.0
WATCH = """
// What is to sound when, by the clock of the sound.
window.parts = [];
const start = AudioBufferSourceNode.prototype.start;
AudioBufferSourceNode.prototype.start = function (when, offset, seconds) {
  window.parts.push({ context: this.context, when, offset, seconds });
  start.call(this, when, offset, seconds);
};
const stop = AudioBufferSourceNode.prototype.stop;
AudioBufferSourceNode.prototype.stop = function (when) {
  for (const part of window.parts) part.seconds = Math.min(part.seconds, when - part.when);
  stop.call(this, when);
};
window.sounds = () => window.parts.findLast(({ context, when, seconds }) => {
  const now = context.currentTime - context.outputLatency;
  return when <= now && now < when + seconds;
});
window.at = ({ context, when, offset }) => offset + context.currentTime - context.outputLatency - when;
"""
VIDEO = "document.querySelector('#watch-0')"
FLASHES = """
async () => {
  // Time of each of three flashes in the clip, and where in its piece the mix is when it is shown.
  const video = document.querySelector("#watch-0");
  const canvas = document.createElement("canvas");
  const paint = canvas.getContext("2d", { willReadFrequently: true });
  const flashes = [];
  let bright = true;
  while (flashes.length < 3) {
    const [shown, at] = await new Promise((done) => video.requestVideoFrameCallback((_, frame) => {
      const ahead_s = (frame.expectedDisplayTime - performance.now()) / 1000;
      const part = window.sounds();
      paint.drawImage(video, 0, 0, 8, 8);
      done([frame.mediaTime, part && window.at(part) + ahead_s]);
    }));
    const is = paint.getImageData(4, 4, 1, 1).data[0] > 120;
    if (is && !bright && at) flashes.push([shown, at]);
    bright = is;
  }
  return flashes;
}
"""

CLOCKS = """
async () => {
  // Where clip and mix are, by their own clocks, twenty times.
  const video = document.querySelector("#watch-0");
  const found = [];
  while (found.length < 20) {
    const part = window.sounds();
    if (part) found.push([video.currentTime, window.at(part)]);
    await new Promise((done) => setTimeout(done, 10));
  }
  return found;
}
"""
FRAMES = """
async () => {
  // How often something is drawn in ten frames.
  const { requestAnimationFrame: next } = window;
  let count = 0;
  window.requestAnimationFrame = (draw) => { count += 1; return next(draw); };
  for (let frame = 0; frame < 10; frame += 1) await new Promise((done) => next(done));
  window.requestAnimationFrame = next;
  return count;
}
"""


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A mixed rehearsal and two clips of it; no browser shows the picture of the second."""
    folder = tmp_path_factory.mktemp("watched")
    (folder / "take").mkdir()
    for name in ("kick.wav", "bass.wav"):
        soundfile.write(folder / "take" / name, music(CLIP_S)[0], RATE_HZ)
    write_tracks(folder / "tracks")
    home = folder / "take mix"
    sheet = write_sheet(home / "mixes" / "01 Thursday", folder / "tracks", "Thursday", START_S)
    sheet.write_text(sheet.read_text(encoding="utf-8").replace("/tracks", "/take"), encoding="utf-8")
    (home / "recipe.toml").write_text(RECIPE.replace('"take"', '"../take"'), encoding="utf-8")
    samples = np.rint(0.1 * music(SONG_S, 2) * 8_388_607).astype(np.int32)
    with IntegerWriter(sheet.with_name("Thursday.wav"), rate_hz=RATE_HZ, channels=2, frames=samples.shape[1]) as writer:
        writer.write(samples)
    clips = [
        Made(seconds=CLIP_S, sound=music(CLIP_S), flashes_s=FLASHES_S).write(folder / "stage.mp4"),
        Made(seconds=5.0, sound=music(5.0), codec="mpeg4").write(folder / "old.mp4"),
    ]
    (home / "films").mkdir()
    write_clips(home / "films" / "clips.json", [KnownClip(path=clip, take="take", lined=LINED) for clip in clips])
    return folder


@pytest.fixture
def page(chromium: Any, place: Path) -> Iterator[Any]:
    with served("take", place) as address, shown(chromium, address, WATCH) as page:
        page.wait_for_selector("#watch-0", state="attached")
        settled(page)
        yield page


def apart_s(page: Any) -> float:
    """How much later the mix is than the picture, at the flash of three that is shown most promptly."""
    found = page.evaluate(FLASHES)
    for shown_s, _ in found:
        # A flash is two pictures long, and a busy browser drops one.
        assert any(-0.001 < shown_s - flash_s < 1.01 * FRAME_S for flash_s in FLASHES_S)
    return max(late_s(found))


def late_s(found: list[list[float]]) -> list[float]:
    """How much later the mix is than the clip, of places in a clip and in a piece of the mix."""
    late = [LINED.take_s(in_clip_s) - START_S - in_piece_s for in_clip_s, in_piece_s in found]
    return [(one + PIECE_S / 2.0) % PIECE_S - PIECE_S / 2.0 for one in late]


def test_the_mix_is_where_the_picture_is(page: Any) -> None:
    page.click("#scene-0-1")
    apart = [apart_s(page)]
    page.evaluate(f"{VIDEO}.currentTime = 9.5")
    apart.append(apart_s(page))
    assert np.abs(apart).max() < APART_S, apart
    before_s = np.median(late_s(page.evaluate(CLOCKS)))

    page.click("#clip-later-0")
    until(page, "document.querySelector('#clip-0 > p').innerText.includes('1 picture later')")
    assert np.median(late_s(page.evaluate(CLOCKS))) - before_s == pytest.approx(FRAME_S, abs=0.025)
    assert page.evaluate(f"{VIDEO}.muted && !{VIDEO}.paused")
    assert page.evaluate(FRAMES) <= 11, "once a frame, however often the sound began anew"

    # Loudness is that of the page, and one thing plays at a time.
    page.locator("#volume").fill("-20")
    assert page.evaluate(f"{VIDEO}.volume") == pytest.approx(0.1)
    page.click("#play-0")
    until(page, f"{VIDEO}.paused && document.querySelector('#play-0').ariaPressed === 'true'")
    page.evaluate(f"{VIDEO}.currentTime = 5")
    page.evaluate(f"{VIDEO}.play()")
    until(page, "document.querySelector('#play-0').ariaPressed === 'false'")
    says(page, "#playing", "Thursday, stage.mp4 with the mix")
    page.click("#stop")
    until(page, f"{VIDEO}.paused && !window.sounds()")

    # A picture that the browser cannot show says so, and nothing is there to be pressed in vain.
    assert "cannot show pictures of this kind (MPEG-4)" in page.inner_text("#clip-1")
    assert not page.is_visible("#watch-1")
    assert not page.is_visible("#scene-1-1")
    assert page.evaluate("document.querySelector('#scene-0-1').offsetHeight") >= 44
    assert barriers(page) == []
