"""A song's own page: self-contained, safe whatever its title is, and its pieces are the stems in step.

What a browser makes of it (sound, keys, memory) is looked at by hand: DEVELOPERS.md says how.
"""

from __future__ import annotations

import base64
import hashlib
import io
import json
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile  # noqa: TID251 - an outside reader of what was written
import soxr  # noqa: TID251 - an outside resampler
from numpy.typing import NDArray

from morningmix.commands.mix import mix
from morningmix.commands.order import Order
from morningmix.share.pieces import cut
from morningmix.share.send import share
from synthetic import write_take

TITLE = '</script><b>Rope</b> "Swing" <!-- \u202eأغنية 🎸'


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("place")
    write_take(folder / "take", 23.0, 48_000)
    # One input a family is enough, and half the work.
    for name in ("snare", "overhead", "guitar 2", "backing vocal"):
        (folder / "take" / f"{name}.wav").unlink()
    recipe = folder / "recipe.toml"
    title = json.dumps(TITLE, ensure_ascii=False)
    # What is cleaned of bleed is of no matter here, and takes its time.
    text = f'recipe = 1\n[rehearsal]\ntracks = "take"\ntitle = {title}\n[defaults]\nbleed = "off"\n'
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


def decoded(text: str) -> NDArray[np.float64]:
    sound, rate_hz = soundfile.read(io.BytesIO(base64.b64decode(text)), always_2d=True)
    assert rate_hz == 32_000
    return np.asarray(np.repeat(sound, 2, axis=1) if sound.shape[1] == 1 else sound)


def together(song: dict[str, Any], family: dict[str, Any]) -> NDArray[np.float64]:
    """The pieces put together as the page does it: the click tells what the decoder shifts."""
    click = np.abs(decoded(song["click"])).max(axis=1)
    shift = int(np.argmax(click)) - round(song["click_at_s"] * 32_000)
    piece, fade = round(song["piece_s"] * 32_000), 640
    total = np.zeros((piece * len(family["pieces"]) + fade, 2))
    for at, text in enumerate(family["pieces"]):
        if not text:
            continue
        sound = decoded(text)[shift + round(song["margin_s"] * 32_000) :][: piece + fade]
        way = np.ones((len(sound), 1))
        rise = (np.arange(fade) + 0.5)[:, None] / fade
        if at:
            way[:fade] = rise
        if at < len(family["pieces"]) - 1:
            way[piece:] = 1.0 - rise
        total[at * piece : at * piece + len(sound)] += sound * way
    return total


def test_every_family_is_its_stem_in_step_to_the_sample(page: Path) -> None:
    data = song(page)
    stems = sorted((page.parent.parent / "mixes").glob("01*/stems/*.wav"))
    assert {family["name"] for family in data["families"]} == {stem.stem for stem in stems}
    for family in data["families"]:
        stem, rate_hz = soundfile.read(next(one for one in stems if one.stem == family["name"]), always_2d=True)
        wanted = soxr.resample(stem, rate_hz, 32_000)
        # Coding at a low rate takes what is highest away; below, it is the same sound.
        low = 8 * 32_000
        got = together(data, family)[: len(wanted)]
        wanted = wanted[: len(got)]
        lags = range(-2, 3)
        similarity = [float((np.roll(got, lag, axis=0)[low:-low] * wanted[low:-low]).sum()) for lag in lags]
        assert lags[int(np.argmax(similarity))] == 0, family["name"]
        # Loud and across both joins: within 0.1 dB, and what differs lies 14 dB under it.
        for part in (slice(9 * 32_000, 12 * 32_000), slice(19 * 32_000, 22 * 32_000)):
            power = float((wanted[part] ** 2).sum())
            if power > 1e-6:
                level_db = 10.0 * np.log10(float((got[part] * wanted[part]).sum()) / power)
                assert level_db == pytest.approx(0.0, abs=0.2), family["name"]
                assert float(((got[part] - wanted[part]) ** 2).sum()) / power < 10.0 ** (-14.0 / 10.0), family["name"]


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
        self.outside += [v for n, v in attrs if n in ("src", "href", "action") and v and not v.startswith("data:")]
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


def test_loud_families_are_coded_as_well_as_fits(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A tenth of the room for a tenth of five minutes of five families."""
    noise = 0.1 * np.random.default_rng(1).standard_normal((30 * 32_000, 2))
    soundfile.write(tmp_path / "a.wav", noise, 32_000, subtype="PCM_16")
    monkeypatch.setattr("morningmix.share.pieces._MOST_BYTES", 1_430_000)
    pieces = cut([tmp_path / "a.wav"] * 5)
    assert 1_300_000 < sum(len(text) for stem in pieces.of for text in stem) < 1_450_000
    assert pieces.kbps == 56


def test_silence_and_mono_take_less_room(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    mono = np.repeat(0.1 * rng.standard_normal((20 * 32_000, 1)), 2, axis=1)
    mono[: 10 * 32_000 + 6_400] = 0.0
    soundfile.write(tmp_path / "mono.wav", mono, 32_000, subtype="PCM_16")
    soundfile.write(tmp_path / "wide.wav", 0.1 * rng.standard_normal((20 * 32_000, 2)), 32_000, subtype="PCM_16")
    pieces = cut([tmp_path / "mono.wav", tmp_path / "wide.wav"])
    (silent, one), (_, two) = pieces.of
    assert silent == ""
    assert len(one) < 0.7 * len(two)
    assert soundfile.info(io.BytesIO(base64.b64decode(one))).channels == 1
