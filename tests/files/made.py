"""A recipe, written and changed."""

from __future__ import annotations

from pathlib import Path

RECIPE = """\
recipe = 1

[rehearsal]
tracks = "card/2026-11-19"      # folder with the raw tracks
title = "Thursday"

[target]
preset = "demo"
# loudness_lufs = -16.0

[defaults]
# bleed = "off"

[[input]]
file = "input-07.wav"           # her microphone
name = "lead vocal"
role = "lead vocal"
player = "Mara"
level_db = 1.5                  # on top of the automatic balance
# pan = 0.0   mute = true

# the two halves of one keyboard
[[input]]
file = ["input-09.wav", "input-10.wav"]
name = "keys"
role = "Keys"

[[song]]
title = "Copper Rain Gauge"
start = "3:12.0"
end = "7:45.5"
# keep = false

[[song.input]]
name = "Lead-Vocal"
level_db = 2

[[song.move]]
name = "lead vocal"
from = "2:10"
to = "2:40"
level_db = 2

[[song]]
title = "Nine Paper Boats"
start = 600
end = "1:02:03.5"
# the last line
"""


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "recipe.toml"
    path.write_bytes(text.encode("utf-8"))
    return path


def changed(old: str, new: str, text: str = RECIPE) -> str:
    assert text.count(old) >= 1
    return text.replace(old, new, 1)
