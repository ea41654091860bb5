"""A song as it was played twice, in Chromium: ticks tell by pitch which time is heard, and by their gaps where."""

from __future__ import annotations

import base64
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile  # noqa: TID251 - an outside writer of what is played
from numpy.typing import NDArray

from end_to_end.made import barriers, until
from end_to_end.test_practise_page import FRAMES, RECORD, SMALL, TAKE, on_a_phone, set_to
from morningmix.audio.header import read_file
from morningmix.share.pieces import cut
from morningmix.share.weeks_page import Time, weeks_page

pytestmark = pytest.mark.browser

RATE_HZ = 32_000
PERIODS_S, TONES_HZ = (0.5, 0.42), (1000.0, 3000.0)
BEATS, LEFT_OUT = 24, range(4, 12)
"""Beats of the first time, and those that the second leaves out."""


def ticks(folder: Path, of: int) -> NDArray[np.float64]:
    """Writes the time: a tick on every beat. Returns where its beats lie."""
    beats_s = np.arange(BEATS - (len(LEFT_OUT) if of else 0)) * PERIODS_S[of] + 0.3
    at = np.arange(round((beats_s[-1] + 0.5) * RATE_HZ)) / RATE_HZ
    since = at - beats_s[np.maximum(np.searchsorted(beats_s, at, "right") - 1, 0)]
    sound = 0.3 * np.sin(2.0 * np.pi * TONES_HZ[of] * at) * ((since >= 0.0) & (since < 0.05))
    soundfile.write(folder / f"{of}.wav", sound, RATE_HZ, subtype="PCM_16")
    return beats_s


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("weeks")
    then, now = (ticks(folder, of) for of in (0, 1))
    first, second = LEFT_OUT.start, LEFT_OUT.stop
    stretches = [
        list(zip(then[: first + 1], now[: first + 1], strict=True)),
        list(zip(then[second:], now[first:], strict=True)),
    ]
    mixes = [read_file(folder / f"{of}.wav") for of in (0, 1)]
    times = [
        Time(name=name, seconds=mix.frames / RATE_HZ, gain=gain, ridges=[("everything", np.ones(9))])
        for name, mix, gain in zip(("last time", "this time"), mixes, (1.0, 0.5), strict=True)
    ]
    path = folder / "Rope.weeks.html"
    path.write_text(
        weeks_page("Rope </script>", (times[0], times[1]), cut(mixes), stretches, "Slower."), encoding="utf-8"
    )
    return path


def test_a_switch_goes_to_the_same_beat_and_what_one_leaves_out_is_skipped(chromium: Any, page: Path) -> None:
    with on_a_phone(chromium, page, RECORD) as window:
        assert window.inner_text("h1") == "Rope </script>: last time and this time"
        assert "from 0:02 to 0:06" in window.inner_text("main li")
        assert window.evaluate(SMALL) == []
        assert barriers(window) == []
        assert window.evaluate("document.documentElement.scrollWidth") <= 360
        window.click("#play")
        until(window, "document.getElementById('place-1').value > 0.8")
        window.click("#switch")
        assert window.inner_text("#switch") == "Switch to this time"
        # Past the part that only the first has.
        until(window, "document.getElementById('place-0').value > 7.0")
        window.click("#switch")
        until(window, "document.getElementById('place-1').value > 4.4")
        window.click("#play")
        then, now = (float(window.input_value(f"#place-{of}")) for of in (0, 1))
        assert (then - 6.3) / PERIODS_S[0] == pytest.approx((now - 1.98) / PERIODS_S[1], abs=0.3)
        sound = np.concatenate([np.frombuffer(base64.b64decode(block), np.float32) for block in window.evaluate(TAKE)])
        window.click("#play")
        for seconds in (1, 2):
            until(window, f"document.getElementById('place-1').value > {seconds}")
            set_to(window, "place-1", seconds)
        until(window, "document.getElementById('place-1').value > 2.1")
        # A jump adds no work to every frame.
        assert window.evaluate(FRAMES) in (1, 2)
    heard = np.abs(sound) > 0.25 * np.abs(sound).max()
    starts = np.flatnonzero(heard)
    starts = starts[np.diff(starts, prepend=-RATE_HZ) > 0.1 * RATE_HZ]
    tones = []
    for start in starts:
        spectrum = np.abs(np.fft.rfft(sound[start : start + 1024]))
        tones.append(int(spectrum.argmax() * RATE_HZ / 1024 > 2000.0))
    switches = np.flatnonzero(np.diff(tones))
    assert [tones[0], *(tones[place + 1] for place in switches)] == [1, 0, 1]
    gaps_s = np.diff(starts) / RATE_HZ
    for place, gap_s in enumerate(gaps_s.tolist()):
        if place in switches:
            assert min(PERIODS_S) - 0.02 < gap_s < max(PERIODS_S) + 0.05
        else:
            assert gap_s == pytest.approx(PERIODS_S[tones[place]], abs=0.012)
    # The second is turned down to the first's loudness.
    peaks = [
        np.median([np.abs(sound[at : at + 1500]).max() for at, tone in zip(starts, tones, strict=True) if tone == of])
        for of in (0, 1)
    ]
    assert peaks[1] / peaks[0] == pytest.approx(0.5, abs=0.06)
