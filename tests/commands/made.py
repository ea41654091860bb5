"""What people send back after listening."""

from __future__ import annotations

from pathlib import Path

from morningmix.files.feedback import Wishes, read_wishes

GOOD = """morningmix wishes
song: Copper Rain Gauge
mix: 3f2a91c0
from: Mara
vocals +2
drums −1.5 dB
vocals +2 from 2:10 to 2:40.5
note 2:31 could the second guitar come in later? #"'
"""


def read(folder: Path, text: str) -> list[Wishes]:
    (folder / "wishes.txt").write_text(text, encoding="utf-8")
    found, refused = read_wishes(folder / "wishes.txt")
    assert not refused
    return found
