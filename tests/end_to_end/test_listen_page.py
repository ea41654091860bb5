"""A song's own page: self-contained, safe whatever its title is, and its parts add up to the mix.

What a browser makes of it (sound, keys, memory) is looked at by hand: DEVELOPERS.md says how.
"""

from __future__ import annotations

import base64
import hashlib
import io
import json
import re
from collections.abc import Iterator
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy
import soundfile  # noqa: TID251 - an outside reader of what was written
import soxr  # noqa: TID251 - an outside resampler
from numpy.typing import NDArray

from morningmix.audio.header import read_file
from morningmix.audio.read import open_recording
from morningmix.commands.mix import mix
from morningmix.commands.order import Order
from morningmix.files.recall import read_recall
from morningmix.model.recording import Recording
from morningmix.share.inputs import Line, Part, Parts, parts_of
from morningmix.share.pieces import RUNGS, cut
from morningmix.share.send import share
from synthetic import write_take

TITLE = '</script><b>Rope</b> "Swing" <!-- \u202eأغنية 🎸'


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("place")
    write_take(folder / "take", 23.0, 48_000)
    # Two inputs in two families are enough, and half the work.
    for name in ("snare", "guitar 1", "guitar 2"):
        (folder / "take" / f"{name}.wav").unlink()
    recipe = folder / "recipe.toml"
    title = json.dumps(TITLE, ensure_ascii=False)
    # What is cleaned of bleed is of no matter here, and takes its time.
    text = f'recipe = 1\n[rehearsal]\ntracks = "take"\ntitle = {title}\n[defaults]\nbleed = "off"\n'
    text += '[[input]]\nfile = "backing vocal.wav"\nplayer = "Jo"\npan = 0.4\n'
    recipe.write_text(text, encoding="utf-8")
    mix(Order(source=recipe, cwd=folder, workers=2))
    folder, _ = share(folder, None, "mp3", lambda _step, _share: None)
    return next(folder.glob("*.listen.html"))


def song(page: Path) -> dict[str, Any]:
    text = page.read_text(encoding="utf-8")
    found = re.search(r'<script type="application/json" id="song">(.*?)</script>', text, re.DOTALL)
    assert found
    data: dict[str, Any] = json.loads(found[1])
    return data


def decoded(text: str, rate_hz: int) -> NDArray[np.float64]:
    sound, found_hz = soundfile.read(io.BytesIO(base64.b64decode(text)), always_2d=True)
    assert found_hz == rate_hz
    return np.asarray(np.repeat(sound, 2, axis=1) if sound.shape[1] == 1 else sound)


def together(song: dict[str, Any], part: dict[str, Any]) -> NDArray[np.float64]:
    """The pieces put together as the page does it: the click tells what the decoder shifts."""
    rate_hz = part["hz"]
    click = np.abs(decoded(song["clicks"][str(rate_hz)], rate_hz)).max(axis=1)
    shift = int(np.argmax(click)) - round(song["click_at_s"] * rate_hz)
    piece, fade = round(song["piece_s"] * rate_hz), round(0.02 * rate_hz)
    total = np.zeros((piece * len(part["pieces"]) + fade, 2))
    for at, text in enumerate(part["pieces"]):
        if not text:
            continue
        sound = decoded(text, rate_hz)[shift + round(song["margin_s"] * rate_hz) :][: piece + fade]
        way = np.ones((len(sound), 1))
        rise = (np.arange(fade) + 0.5)[:, None] / fade
        if at:
            way[:fade] = rise
        if at < len(part["pieces"]) - 1:
            way[piece:] = 1.0 - rise
        total[at * piece : at * piece + len(sound)] += sound * way
    return total


@pytest.fixture(scope="module")
def parts_together(page: Path) -> Iterator[tuple[Parts, NDArray[np.float64], int]]:
    """As `parts`, of a page that has no room for every drum."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("morningmix.share.pieces._MOST_BYTES", 600_000)
        yield from _parts(page)


@pytest.fixture(scope="module")
def parts(page: Path) -> Iterator[tuple[Parts, NDArray[np.float64], int]]:
    """The parts before they are coded, and the mix ``(2, frames)`` with its rate."""
    yield from _parts(page)


def _parts(page: Path) -> Iterator[tuple[Parts, NDArray[np.float64], int]]:
    home = page.parent.parent
    folder = next((home / "mixes").glob("01*"))
    recall = read_recall(folder / "recall.json")
    said: list[str] = []
    with parts_of(folder, recall, [folder / stem for stem in recall.stems], home / ".cache", said) as found:
        assert not said
        mix, rate_hz = soundfile.read(folder / recall.mix.file, always_2d=True)
        yield found, mix.T, rate_hz


def sound_of(part: Part) -> NDArray[np.float64]:
    with open_recording(part.sound, part.sound.rate_hz) as reader:
        return reader.read(part.sound.frames).astype(np.float64)


@pytest.mark.parametrize("which", ["parts", "parts_together"])
def test_the_parts_add_up_to_the_mix(which: str, request: pytest.FixtureRequest) -> None:
    """Summed as the page sums them: pan, room, lows in the middle, and the gain of both limiters."""
    found, mix, rate_hz = request.getfixturevalue(which)
    drums = [part.inputs for part in found.parts if part.family == "drums"]
    assert drums == ([("kick",), ("overhead",)] if which == "parts" else [("kick", "overhead")])
    frames = np.arange(mix.shape[1])

    def gain(line: Line) -> NDArray[np.float64]:
        return np.interp(frames / rate_hz / found.step_s, *np.transpose(line))

    assert found.room is not None
    assert found.mono_below_hz is not None
    assert len(found.master) > 10
    total = np.zeros_like(mix)
    for drums in (True, False):
        dry, sent = np.zeros_like(mix), np.zeros(mix.shape[1])
        for part in found.parts:
            if (part.family == "drums") == drums:
                sound = sound_of(part)
                placed = np.stack((sound[0] * part.left, sound[-1] * part.right))
                dry += placed
                sent += placed.mean(axis=0) * part.send
        dry += [scipy.signal.oaconvolve(sent, side)[: len(sent)] for side in found.room]
        side = 0.5 * (dry[0] - dry[1])
        steep = scipy.signal.butter(4, found.mono_below_hz * 4.0 / 3.0, "high", fs=rate_hz, output="sos")
        low = side - scipy.signal.sosfilt(steep, side)
        total += (dry + np.stack((-low, low))) * (gain(found.drums) if drums else 1.0)
    left = total * gain(found.master) - mix
    assert 10.0 * np.log10(np.square(left).sum() / np.square(mix).sum()) < -60.0


def test_every_input_is_a_part_in_step_to_the_sample(page: Path, parts: tuple[Parts, NDArray[np.float64], int]) -> None:
    data = song(page)
    assert [one["name"] for one in data["parts"]] == ["kick", "overhead", "bass", "backing vocal", "lead vocal"]
    assert [one["player"] for one in data["parts"]] == [None, None, None, "Jo", None]
    for part, coded in zip(parts[0].parts, data["parts"], strict=True):
        rate_hz = coded["hz"]
        wanted = soxr.resample(sound_of(part).T, part.sound.rate_hz, rate_hz)
        # Coding at a low rate takes what is highest away; below, it is the same sound.
        low = 8 * rate_hz
        got = together(data, coded)[: len(wanted)]
        wanted = wanted[: len(got)]
        lags = range(-2, 3)
        similarity = [float((np.roll(got, lag, axis=0)[low:-low] * wanted[low:-low]).sum()) for lag in lags]
        assert lags[int(np.argmax(similarity))] == 0, part.name
        # Loud and across both joins: within 0.2 dB, and what differs lies 10 dB under it (the cymbals: noise).
        for stretch in (slice(9 * rate_hz, 12 * rate_hz), slice(19 * rate_hz, 22 * rate_hz)):
            power = 2.0 * float((wanted[stretch] ** 2).sum())
            if power > 1e-6:
                level_db = 10.0 * np.log10(float((got[stretch] * wanted[stretch]).sum()) / power)
                assert level_db == pytest.approx(0.0, abs=0.2), part.name
                assert float(((got[stretch] - wanted[stretch]) ** 2).sum()) / power < 10.0 ** (-10.0 / 10.0), part.name


def test_without_the_raw_tracks_every_family_has_a_fader(page: Path) -> None:
    home = page.parent.parent
    folder = next((home / "mixes").glob("01*"))
    recall = read_recall(folder / "recall.json")
    stems = [folder / stem for stem in recall.stems]
    said: list[str] = []
    with parts_of(folder, recall.model_copy(update={"tracks_folder": "gone"}), stems, home / ".cache", said) as found:
        assert [part.name for part in found.parts] == [stem.stem for stem in stems]
        assert found.parts[0].inputs == ("kick", "overhead")
    assert len(said) == 1
    assert "its raw tracks are no longer in" in said[0]


def test_other_raw_tracks_are_not_taken_for_those_of_the_mix(page: Path) -> None:
    home = page.parent.parent
    folder = next((home / "mixes").glob("01*"))
    recall = read_recall(folder / "recall.json")
    first, *others = recall.plan.tracks
    louder = replace(recall.plan, tracks=(replace(first, gain_db=first.gain_db + 3.0), *others))
    said: list[str] = []
    stems = [folder / stem for stem in recall.stems]
    before = set((home / ".cache").iterdir())
    with parts_of(folder, recall.model_copy(update={"plan": louder}), stems, home / ".cache", said) as found:
        assert len(found.parts) == len(stems)
    assert "no longer those that it was mixed with" in said[0]
    assert set((home / ".cache").iterdir()) <= before


def test_a_title_stays_a_title(page: Path) -> None:
    assert song(page)["title"] == TITLE
    text = page.read_text(encoding="utf-8")
    assert "<b>" not in text
    assert text.count("</script>") == 2


class _Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.outside: list[str] = []
        self.ids: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.ids += [value for name, value in attrs if name == "id" and value]
        places = [value for name, value in attrs if name in ("src", "href", "action") and value]
        self.outside += [place for place in places if not place.startswith(("data:", "#"))]
        assert not [name for name, _ in attrs if name.startswith("on")]


def test_it_needs_nothing_outside_and_runs_only_its_own_script(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    tags = _Tags()
    tags.feed(text)
    assert tags.outside == []
    assert not tags.tags & {"iframe", "img", "object", "embed", "audio"}
    assert len(tags.ids) == len(set(tags.ids))
    script = text[text.rindex("<script>") + 8 : text.rindex("</script>")]
    digest = base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode("ascii")
    assert f"script-src 'sha256-{digest}'\"" in text
    assert set(re.findall(r'byId\("([a-z]+)"\)', script)) <= set(tags.ids)


def recorded(path: Path, sound: NDArray[np.float64]) -> Recording:
    soundfile.write(path, sound, 32_000, subtype="PCM_16")
    return read_file(path)


def test_parts_fit_and_voices_come_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("morningmix.share.pieces._MOST_BYTES", 220_000)
    at = np.arange(10 * 32_000) / 32_000.0
    noise = np.random.default_rng(1).standard_normal((len(at), 1))
    tone = np.sin(2.0 * np.pi * np.cumsum(220.0 + 20.0 * np.sin(2.0 * np.pi * 5.0 * at)) / 32_000.0)[:, None]
    part = recorded(tmp_path / "a.wav", 0.1 * tone + 0.01 * noise)
    five = cut([part] * 5, first=[False] * 3 + [True] * 2)
    assert [RUNGS.index(one.rung) for one in five.of] == [0, 0, 0, 1, 1]
    assert sum(len(text) for one in five.of for text in one.pieces) <= 220_000


def test_silence_and_mono_take_less_room(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    mono = np.repeat(0.1 * rng.standard_normal((20 * 32_000, 1)), 2, axis=1)
    mono[: 10 * 32_000 + 6_400] = 0.0
    wide = 0.1 * rng.standard_normal((20 * 32_000, 2))
    pieces = cut([recorded(tmp_path / "mono.wav", mono), recorded(tmp_path / "wide.wav", wide)])
    (silent, one), (_, two) = (coded.pieces for coded in pieces.of)
    assert silent == ""
    assert len(one) < 0.7 * len(two)
    assert soundfile.info(io.BytesIO(base64.b64decode(one))).channels == 1
