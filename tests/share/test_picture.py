"""The cover picture is the report's three hills in the page's colours."""

from __future__ import annotations

import io

import numpy as np
import PIL.Image  # noqa: TID251 - reads what was drawn

from morningmix.report.numbers import ridges
from morningmix.report.style import LIGHT
from morningmix.share.picture import SIZE, draw


def colours(column: int, png: bytes) -> list[str]:
    """Colours of a column from the top down, each once, without those of the outlines."""
    image = PIL.Image.open(io.BytesIO(png))
    assert image.size == (SIZE, SIZE)
    found: list[str] = []
    run = 0
    for y in range(SIZE):
        red, green, blue = image.getpixel((column, y))  # type: ignore[misc]
        colour = f"#{red:02x}{green:02x}{blue:02x}"
        run = run + 1 if found and found[-1] == colour else 1
        if run == 1:
            found.append(colour)
    return [colour for place, colour in enumerate(found) if colour != LIGHT["sound"] or place == len(found) - 1]


def test_hills_stand_before_each_other_where_they_sound() -> None:
    """Drums and bass ten decibels under everything, vocals ten under those and only in the second half."""
    everything, rhythm, vocals = np.ones(400), np.full(400, 0.1), np.full(400, 0.01)
    vocals[:200] = 0.0
    png = draw([heights for _, heights in ridges([everything, rhythm, vocals])])
    assert colours(SIZE // 4, png) == [LIGHT["sky"], LIGHT["calm"], LIGHT["faint"]]
    assert colours(3 * SIZE // 4, png) == [LIGHT["sky"], LIGHT["calm"], LIGHT["faint"], LIGHT["sound"]]


def test_a_song_without_vocals_or_sound_has_fewer_hills() -> None:
    loud = np.ones(400)
    assert [name for name, _ in ridges([loud, np.zeros(0), loud])] == ["everything", "vocals"]
    silent = draw([heights for _, heights in ridges([np.zeros(400), np.zeros(0), np.zeros(0)])])
    assert colours(SIZE // 2, silent) == [LIGHT["sky"]]
