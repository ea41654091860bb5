"""A song's page on a phone: in Chromium, by touch, opened as a file."""

from __future__ import annotations

import base64
import io
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile  # noqa: TID251 - an outside writer of what is played
from numpy.typing import NDArray

from end_to_end.made import barriers, until
from morningmix.audio.header import read_file
from morningmix.files.feedback import read_wishes
from morningmix.model.recipe import SongNote
from morningmix.model.tempo import Tempo
from morningmix.share.inputs import Part, Parts
from morningmix.share.pieces import cut
from morningmix.share.song_page import SongToHear, song_page

pytestmark = pytest.mark.browser

SECONDS, RATE_HZ, TONE_HZ = 14.0, 32_000, 440.0
# What the browser hands over at a time, and the least that can be lost.
BLOCK = 16384
RECORD = """
const connect = AudioNode.prototype.connect;
window.recorded = [];
AudioNode.prototype.connect = function (to, ...more) {
  const context = this.context;
  if (to instanceof AudioDestinationNode && context instanceof AudioContext) {
    if (!context.recorder) {
      context.recorder = context.createScriptProcessor(BLOCK, 1, 1);
      context.recorder.onaudioprocess = ({ inputBuffer }) => recorded.push(inputBuffer.getChannelData(0).slice());
      connect.call(context.recorder, to);
    }
    connect.call(this, context.recorder);
  }
  return connect.call(this, to, ...more);
};
""".replace("BLOCK", str(BLOCK))
TAKE = """() => recorded.map((block) => {
  const bytes = new Uint8Array(block.buffer);
  let text = "";
  for (let i = 0; i < bytes.length; i += 8192) text += String.fromCharCode(...bytes.subarray(i, i + 8192));
  return btoa(text);
})"""
SMALL = """() => [...document.querySelectorAll("button, input, select, summary, a, textarea, label.tick")]
  .filter((each) => each.getClientRects().length && !(each.tagName === "INPUT" && each.closest("label")))
  .filter((each) => Math.min(each.getBoundingClientRect().height, each.getBoundingClientRect().width) < 44)
  .map((each) => each.outerHTML)"""
FRAMES = """() => new Promise((done) => {
  const ask = requestAnimationFrame;
  let asked = 0;
  window.requestAnimationFrame = (call) => { asked += 1; return ask(call); };
  ask(() => ask(() => { window.requestAnimationFrame = ask; done(asked); }));
})"""
"""How often a page asks for a frame while two go by."""


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A song of a tone, a hum and ticks on every beat."""
    folder = tmp_path_factory.mktemp("sent")
    at = np.arange(round(SECONDS * RATE_HZ)) / RATE_HZ
    sounds = {
        "lead vocal": 0.2 * np.sin(2.0 * np.pi * TONE_HZ * at),
        "guitar 2": 0.1 * np.sin(2.0 * np.pi * 110.0 * at),
        "snare": 0.3 * np.sin(2.0 * np.pi * 5000.0 * at) * (at % 0.5 < 0.02),
    }
    players = {"lead vocal": "Mara", "guitar 2": "Mara", "snare": None}
    families = {"lead vocal": "vocals", "guitar 2": "guitars", "snare": "drums"}
    parts = []
    for name, sound in sounds.items():
        soundfile.write(folder / f"{name}.wav", sound, RATE_HZ, subtype="PCM_16")
        recording = read_file(folder / f"{name}.wav")
        parts.append(
            Part(
                name=name,
                family=families[name],
                inputs=(name,),
                player=players[name],
                sound=recording,
                right=0.5 if name == "snare" else 1.0,
                send=0.1,
            )
        )
    room = np.zeros((2, 3200), np.float32)
    room[:, 320] = 0.5
    halved = ((0, 1.0), (6000, 1.0), (6100, 0.5))
    text = song_page(
        SongToHear(
            title="Copper",
            rehearsal="Thursday",
            mix_id="0123abcd",
            seconds=SECONDS,
            parts=Parts(
                parts=tuple(parts), room=room, rate_hz=RATE_HZ, mono_below_hz=100.0, step_s=0.001, master=halved
            ),
            pieces=cut([part.sound for part in parts]),
            ridges=[],
            notes=[SongNote(at_s=8.5, who="Jo", says="<b>slower</b> here")],
            tempo=Tempo(tempo_bpm=120.0, other_bpm=None, beats_s=tuple(np.arange(0.0, SECONDS, 0.5).tolist())),
        )
    )
    file = folder / "01 Copper.listen.html"
    file.write_text(text, encoding="utf-8")
    return file


@contextmanager
def on_a_phone(chromium: Any, file: Path, script: str = "") -> Iterator[Any]:
    """The page on a small phone; a complaint of the browser or a request fails."""
    problems: list[str] = []
    context = chromium.new_context(
        viewport={"width": 360, "height": 740}, has_touch=True, is_mobile=True, permissions=["clipboard-write"]
    )
    context.add_init_script(f"(() => {{{script}}})()")
    phone = context.new_page()
    phone.on("pageerror", lambda error: problems.append(str(error)))
    # The recorder of these tests is an old node, but one that needs no file of its own.
    phone.on("console", lambda line: None if "ScriptProcessorNode" in line.text else problems.append(line.text))
    phone.on("request", lambda one: problems.append(one.url) if one.url.startswith(("http", "ws")) else None)
    phone.goto(file.as_uri())
    yield phone
    context.close()
    assert not problems, problems


def set_to(phone: Any, control: str, value: float) -> None:
    phone.evaluate(
        "([id, value]) => { const each = document.getElementById(id); each.value = value;"
        " each.dispatchEvent(new Event('input')); each.dispatchEvent(new Event('change')); }",
        [control, value],
    )


def in_view(phone: Any, selector: str) -> bool:
    box = phone.locator(selector).bounding_box()
    return box is not None and box["y"] >= 0 and box["y"] + box["height"] <= 740


def test_a_browser_that_cannot_decode_says_so(chromium: Any, page: Path) -> None:
    phone = chromium.new_page()
    phone.add_init_script("AudioContext.prototype.decodeAudioData = () => Promise.reject(new Error())")
    phone.goto(page.as_uri())
    phone.locator("#play").click()
    until(phone, "document.getElementById('told').textContent.startsWith('This browser cannot play')")
    phone.close()


def test_wishes_are_written_as_they_are_read(chromium: Any, page: Path, tmp_path: Path) -> None:
    """Faders, tone and room, one part for one fader, a note that was not added: exactly, and as sentences."""
    script = "navigator.canShare = () => true; navigator.share = ({ text }) => { window.shared = text; }"
    with on_a_phone(chromium, page, script) as phone:
        phone.locator("#practise").tap()
        for summary in phone.locator("summary").all():
            summary.tap()
        assert phone.evaluate("document.documentElement.scrollWidth") == 360
        assert phone.evaluate(SMALL) == []
        assert barriers(phone) == []
        assert phone.locator("#part-0").inner_text() == "lead vocal (Mara)"
        assert phone.locator("#before span").all_inner_texts() == ["Jo: <b>slower</b> here"]
        assert not phone.locator("#ready").is_visible()
        phone.locator("#before button").tap()
        assert phone.locator("#time").inner_text() == "0:08 of 0:14"
        set_to(phone, "fader-0", 2)
        set_to(phone, "fader-2", -1.5)
        phone.locator("#room-1-0").tap()
        for _ in range(2):
            phone.locator("#low-0-1").tap()
        phone.locator("#high-1-2").tap()
        set_to(phone, "place", 3)
        phone.locator("#from").tap()
        set_to(phone, "place", 5)
        phone.locator("#to").tap()
        set_to(phone, "fader-2", 1.5)
        phone.locator("#only-2").tap()
        assert in_view(phone, "#heard-2")
        assert phone.locator("#says-2").inner_text() == "−1.5 dB"
        assert phone.locator("#says-0").inner_text() == "+2 dB"
        phone.locator("#who").fill("Mara")
        assert phone.locator("#ready").inner_text() == "Send 4 wishes"
        phone.locator("#ready").tap()
        assert in_view(phone, "#copy")
        phone.locator("#note").fill("could this be shorter?")
        phone.locator("#send").tap()
        until(phone, "window.shared")
        text = phone.evaluate("shared")
        assert text.splitlines() == [
            "morningmix wishes",
            "song: Copper",
            "mix: 0123abcd",
            "from: Mara",
            "lead vocal +2",
            "lead vocal room +3",
            "guitar 2 low -4",
            "snare -1.5",
            "snare high +2",
            "snare +3 from 0:03.0 to 0:05.0",
            "note 0:05.0 could this be shorter?",
        ]
        said = phone.locator("#sent-what li").all_inner_texts()
        assert said == [
            "lead vocal (Mara): 2 dB louder, more echo.",
            "guitar 2 (Mara): much less boom.",
            "snare: 1.5 dB softer, brighter.",
            "snare, only from 0:03 to 0:05: 3 dB louder.",
            "At 0:05: could this be shorter?",
        ]
        assert in_view(phone, "#sent")
        with phone.expect_download() as saved:
            phone.locator("#save").tap()
        saved.value.save_as(tmp_path / "wishes.txt")
        assert (tmp_path / "wishes.txt").read_text(encoding="utf-8") == text
        assert phone.locator("#mail").get_attribute("href").startswith("mailto:?subject=Wishes%20for%20Copper&body=")
        wishes, refused = read_wishes(tmp_path / "wishes.txt")
        assert not refused
        assert len(wishes) == 1
        # Kept for the next time the page is opened.
        phone.reload()
        assert phone.locator("#says-0").inner_text() == "+2 dB"
        assert phone.locator("#tones-1").inner_text() == "much less boom"
        # And taken back.
        phone.get_by_label("Remove: guitar 2 (Mara): much less boom.").tap()
        assert phone.locator("#tones-1").inner_text() == "as it is"
        assert phone.locator("#ready").inner_text() == "Send 3 wishes"
        phone.get_by_label("Remove: snare, only").tap()
        assert "snare +3" not in phone.locator("#wishes").input_value()


def heard(phone: Any) -> NDArray[np.floating]:
    blocks = [np.frombuffer(base64.b64decode(text), np.float32) for text in phone.evaluate(TAKE)]
    return np.concatenate(blocks) if blocks else np.zeros(0)


def tone_of(sound: NDArray[np.floating]) -> tuple[float, float]:
    """Usual frequency of the strongest partial near the tone, and the tone's usual amplitude.

    A busy machine drops samples now and then, which medians over short pieces pass over.
    """
    size = 1 << 20
    blocks = sound[: len(sound) // BLOCK * BLOCK].reshape(-1, BLOCK)
    spectra = np.abs(np.fft.rfft(blocks * np.hanning(BLOCK), size))
    hz = np.fft.rfftfreq(size, 1.0 / RATE_HZ)
    spectra[:, (hz < 0.9 * TONE_HZ) | (hz > 1.1 * TONE_HZ)] = 0.0
    found_hz = float(np.median(hz[np.argmax(spectra, axis=1)]))
    window = np.hanning(4096)
    wave = np.exp(-2j * np.pi * found_hz * np.arange(4096) / RATE_HZ) * window * 2.0 / window.sum()
    pieces = sound[: len(sound) // 4096 * 4096].reshape(-1, 4096)
    return found_hz, float(np.median(np.abs(pieces @ wave)))


KEEP_FILE = """
const make = URL.createObjectURL;
URL.createObjectURL = (blob) => { window.made = blob; return make(blob); };
"""
FILE = """async () => {
  const bytes = new Uint8Array(await made.arrayBuffer());
  let text = "";
  for (let i = 0; i < bytes.length; i += 8192) text += String.fromCharCode(...bytes.subarray(i, i + 8192));
  return btoa(text);
}"""


def slow_file(phone: Any) -> NDArray[np.floating]:
    """Starts to play, and takes the sound file that the browser slows down."""
    phone.evaluate("window.made = null")
    phone.locator("#play").tap()
    until(phone, "window.made")
    sound, rate_hz = soundfile.read(io.BytesIO(base64.b64decode(phone.evaluate(FILE))))
    assert rate_hz == RATE_HZ
    return sound.T


def test_what_is_played_slowly_has_no_gap_and_every_level(chromium: Any, page: Path) -> None:
    """The sound file that the browser slows down: others and click left, me right, over the join of two pieces."""
    with on_a_phone(chromium, page, KEEP_FILE) as phone:
        phone.locator("#practise").tap()
        phone.locator("#me").select_option("Mara")
        phone.locator("#mute-1").tap()
        phone.locator("#click").check()
        phone.locator("summary", has_text="Only one part").tap()
        for button, seconds in (("from", 5), ("to", 12)):
            set_to(phone, "place", seconds)
            phone.locator(f"#{button}").tap()
        phone.locator("#repeat").check()
        set_to(phone, "speed", 50)
        others, me = slow_file(phone)
        phone.locator("#play").tap()
        phone.locator("#me").select_option("")
        phone.locator("#click").uncheck()
        left, right = slow_file(phone)
    assert len(me) == 7 * RATE_HZ
    # 20 ms each: the tone 3 dB softer, through room and limiter, with a step between 6.0 and 6.1 s and none at 10 s.
    turned = np.exp(-2j * np.pi * TONE_HZ * 0.01)
    level = 0.2 * abs(1.0 + 0.1 * 0.5 * turned) * 10.0 ** (-3.0 / 20.0)
    rms = np.sqrt(2.0 * np.square(me.reshape(-1, RATE_HZ // 50)).mean(axis=1))
    assert rms[5:50] == pytest.approx(level, rel=0.03)
    assert rms[55:-1] == pytest.approx(0.5 * level, rel=0.03)
    # Ticks and clicks of 2 s after the step: as long as each other, at the same places.
    beats = np.square(others.reshape(-1, RATE_HZ // 2))[4:]
    assert np.all(beats[:, : RATE_HZ // 25].mean(axis=1) > 1000.0 * beats[:, RATE_HZ // 10 :].mean(axis=1))
    # In stereo while nobody is "me": the tone on both sides as loud, half of the ticks right.
    tone, ticks = np.s_[RATE_HZ // 5 : 2 * RATE_HZ // 5], np.s_[RATE_HZ // 2 : RATE_HZ // 2 + RATE_HZ // 50]
    assert np.abs(left[tone] - me[tone]).max() < 2e-3
    assert np.abs(right[tone] - me[tone]).max() < 2e-3
    assert (right - me)[ticks].std() == pytest.approx(0.5 * (left - me)[ticks].std(), rel=0.05)


def test_practising_slowly_keeps_the_pitch_and_leaves_me_out(chromium: Any, page: Path) -> None:
    with on_a_phone(chromium, page, RECORD) as phone:
        phone.locator("#practise").tap()
        phone.locator("#me").select_option("Mara")
        set_to(phone, "volume", 0)
        set_to(phone, "speed", 50)
        set_to(phone, "me-level", 0)
        phone.locator("#bars").select_option("1")
        phone.locator("#loop-bars").tap()
        phone.locator("#play").tap()
        until(phone, "parseFloat(document.getElementById('hand').style.left) > 1")
        phone.evaluate("recorded.length = 0")
        until(phone, "recorded.length >= 5")
        hz, with_me = tone_of(heard(phone)[BLOCK:])
        assert abs(1200.0 * np.log2(hz / TONE_HZ)) < 5.0
        # Turned out while it plays.
        set_to(phone, "me-level", -24)
        phone.evaluate("recorded.length = 0")
        until(phone, "recorded.length >= 4")
        _, without_me = tone_of(heard(phone)[BLOCK:])
        assert without_me < 0.02 * with_me
        assert phone.locator("#me-says").inner_text() == "me out"
        # The mark, a bar of four beats, is what is looped.
        assert phone.locator("#marked").inner_text() == "Marked: 0:00.0 to 0:02.0."


def test_inputs_play_through_room_and_limiter(chromium: Any, page: Path) -> None:
    """The tone is as loud as its part with its room, and half as loud once the gain has fallen."""
    with on_a_phone(chromium, page, RECORD) as phone:
        set_to(phone, "volume", 0)
        phone.locator("#solo-0").tap()
        phone.locator("#play").tap()
        until(phone, "parseFloat(document.getElementById('hand').style.left) > 5")
        phone.evaluate("recorded.length = 0")
        until(phone, "recorded.length >= 4")
        hz, before = tone_of(heard(phone)[BLOCK:])
        assert hz == pytest.approx(TONE_HZ, abs=0.3)
        # Dry, and a tenth by half through a room 10 ms later, which is 4.4 periods: partly against it.
        turned = np.exp(-2j * np.pi * TONE_HZ * 0.01)
        assert before == pytest.approx(0.2 * abs(1.0 + 0.1 * 0.5 * turned), rel=0.05)
        set_to(phone, "place", 8)
        until(phone, "parseFloat(document.getElementById('hand').style.left) > 60")
        phone.evaluate("recorded.length = 0")
        until(phone, "recorded.length >= 4")
        _, after = tone_of(heard(phone)[BLOCK:])
        assert after == pytest.approx(0.5 * before, rel=0.05)
        # A jump adds no work to every frame.
        assert phone.evaluate(FRAMES) in (1, 2)
