"""Step 1: where an input is loudest, and that all are played about equally loud."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import soundfile  # an outside writer of the files under test

from morningmix.commands.order import Order
from morningmix.page.rehearsal import Rehearsal
from page.made import browser, wait

RATE_HZ = 24_000


def test_the_loudest_seconds_are_found_and_soft_inputs_are_played_louder(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    noise = 0.1 * rng.standard_normal(30 * RATE_HZ)
    late = noise * np.where(np.arange(len(noise)) < 17 * RATE_HZ, 0.1, 1.0)
    (tmp_path / "take").mkdir()
    soundfile.write(tmp_path / "take" / "bass.wav", 0.01 * late, RATE_HZ, subtype="PCM_24")
    soundfile.write(tmp_path / "take" / "guitar.wav", late[::-1].copy(), RATE_HZ, subtype="PCM_24")
    soundfile.write(tmp_path / "take" / "keys.wav", np.zeros(len(noise)), RATE_HZ, subtype="PCM_24")
    rehearsal = Rehearsal(Order(source=tmp_path / "take", cwd=tmp_path, workers=1))
    rehearsal.listen()
    wait(rehearsal)
    html = browser(rehearsal).get("/part/who").text
    cards = {
        name: (float(loudest), float(louder))
        for loudest, louder, name in re.findall(r'data-loudest="(.+?)" data-louder-db="(.+?)" data-name="(.+?)"', html)
    }
    assert 17.0 <= cards["bass"][0] <= 20.0
    assert 0.0 <= cards["guitar"][0] <= 3.0
    # Mean levels of -20 and -60 dBFS; a peak of the louder one is near full scale and holds it.
    assert cards["bass"][1] == 40.0
    assert -9.0 < cards["guitar"][1] <= 0.5
    assert html.count("played here 40 dB louder") == 1
    assert "Recorded nothing" in html
