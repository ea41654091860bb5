"""The demo take, as a newcomer hears it first."""

from __future__ import annotations

import json
from pathlib import Path

from command_line import run
from morningmix.files.recall import read_recall

TAKE = Path(__file__).parent.parent.parent / "demo_audio" / "shed-night"


def test_the_demo_is_mixed_and_its_three_faults_are_reported(tmp_path: Path) -> None:
    done = run("mix", TAKE, "--json", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    said = json.loads(done.stdout)
    assert abs(said["songs"][0]["loudness_lufs"] + 16.0) < 0.1
    assert {(finding["input"], finding["kind"]) for finding in said["findings"]} == {
        ("snare", "clipped"),
        ("bass", "quiet"),
        ("spare", "silent"),
    }
    assert not any(input_["guess"] for input_ in said["inputs"])
    sheet = read_recall(Path(said["songs"][0]["mix"]).parent / "recall.json")
    # The bass is 30 dB low; it is brought up to where the others are.
    gains = {track.name: track.gain_db for track in sheet.plan.tracks}
    assert gains["bass"] > gains["electric piano"] + 15.0


def test_the_demo_fits_its_size() -> None:
    assert sum(path.stat().st_size for path in TAKE.iterdir()) < 24_000_000
