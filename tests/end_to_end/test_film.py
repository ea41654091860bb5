"""`film` as a person types it: a clip whose clock runs fast, found in a mix and filmed with it."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from command_line import digests, run
from film.made import RATE_HZ, Made, av, clicks, music
from morningmix.audio.write import IntegerWriter
from morningmix.film.clip import open_clip, sound

SECONDS, STRIKES_S = 24.0, (1.0, 22.5)
LATE_S, FAST_PPM = 1.5, 120.0
FRAMES_PER_S = 25


@pytest.mark.slow
def test_the_last_bar_of_a_film_is_as_much_in_step_as_the_first(tmp_path: Path) -> None:
    mix = 0.5 * music(SECONDS, 2) + 0.5 * np.repeat(clicks(SECONDS, *STRIKES_S), 2, axis=0)
    with IntegerWriter(tmp_path / "Rain.wav", rate_hz=RATE_HZ, channels=2, frames=mix.shape[1]) as writer:
        writer.write(np.rint(np.clip(mix, -1, 1) * 8_388_607).astype(np.int32))
    rng = np.random.default_rng(3)
    # The camera was switched on 1.5 s before, and counts too many frames.
    at_s = np.arange(round((SECONDS + 3.0) * RATE_HZ)) / RATE_HZ
    in_mix = (at_s - LATE_S) / (1.0 + FAST_PPM * 1e-6) * RATE_HZ
    heard = np.interp(in_mix, np.arange(mix.shape[1]), mix.mean(axis=0), left=0.0, right=0.0)
    heard = (0.7 * heard + 0.003 * rng.standard_normal(heard.size)).astype(np.float32)
    flashes = tuple(LATE_S + strike_s * (1.0 + FAST_PPM * 1e-6) for strike_s in STRIKES_S)
    Made(seconds=SECONDS + 3.0, sound=heard[None], flashes_s=flashes).write(tmp_path / "phone.mp4")
    before = digests(tmp_path)

    done = run("film", "Rain.wav", "phone.mp4", "--json", cwd=tmp_path)

    assert done.returncode == 0, done.stderr
    facts = json.loads(done.stdout)
    assert facts["clips"][0]["accepted"]
    assert facts["clips"][0]["drift_ppm"] == pytest.approx(FAST_PPM, abs=40.0), "1 ms over the clip"
    (film,) = facts["films"]
    assert film["whole"]
    assert film["true_peak_dbtp"] <= -1.0
    path = tmp_path / "films" / "Rain - phone.mp4"
    assert Path(film["file"]) == path
    sounded = np.abs(np.concatenate(list(sound(open_clip(path), RATE_HZ)), axis=1)[0])
    with av.open(str(path)) as container:
        bright = [one.time for one in container.decode(video=0) if one.to_ndarray(format="gray").mean() > 150]
    assert len(bright) == len(STRIKES_S)
    for flash_s in bright:
        near = sounded[round((flash_s - 0.1) * RATE_HZ) : round((flash_s + 0.1) * RATE_HZ)]
        assert abs(np.argmax(near > 0.6 * near.max()) / RATE_HZ - 0.1) < 1.0 / FRAMES_PER_S
    after = digests(tmp_path)
    assert {name: after[name] for name in before} == before
