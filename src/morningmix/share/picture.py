"""A picture of a song, drawn from how loud it was: hills by day, mirrored in water."""

from __future__ import annotations

import io

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw  # noqa: TID251

from morningmix.report.style import LIGHT
from morningmix.units import powers_db

SIZE = 600
_COLUMNS = 120
_HORIZON = 0.68


def draw(powers: NDArray[np.float64]) -> bytes:
    """PNG of a song from its power per 0.1 s, ``(hops,)``; the same bytes for the same song and library version."""
    heights = _heights(powers)
    image = Image.new("RGB", (SIZE, SIZE), LIGHT["sky"])
    canvas = ImageDraw.Draw(image)
    horizon = round(SIZE * _HORIZON)
    canvas.rectangle((0, horizon, SIZE, SIZE), fill=LIGHT["faint"])
    for share, colour in ((1.0, LIGHT["hill"]), (0.62, LIGHT["sound"])):
        across = np.linspace(0, SIZE, len(heights))
        land = [(float(x), horizon - share * float(h) * horizon * 0.8) for x, h in zip(across, heights, strict=True)]
        water = [(x, horizon + (horizon - y) * 0.35) for x, y in land]
        canvas.polygon([(0.0, float(horizon)), *land, (float(SIZE), float(horizon))], fill=colour)
        canvas.polygon([(0.0, float(horizon)), *water, (float(SIZE), float(horizon))], fill=colour)
    canvas.line((0, horizon, SIZE, horizon), fill=LIGHT["paper"], width=3)
    data = io.BytesIO()
    image.save(data, "PNG", optimize=True)
    return data.getvalue()


def _heights(powers: NDArray[np.float64]) -> NDArray[np.float64]:
    """0..1 in columns, over 30 dB."""
    if not len(powers) or not powers.any():
        return np.zeros(_COLUMNS)
    parts = np.array_split(powers, min(_COLUMNS, len(powers)))
    level = powers_db(np.array([float(part.mean()) for part in parts]))
    heights = np.clip((level - level.max() + 30.0) / 30.0, 0.0, 1.0)
    window = np.hanning(7)[1:-1]
    return np.convolve(np.pad(heights, 2, mode="edge"), window / window.sum(), "valid")
