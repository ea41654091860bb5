"""A picture of a song: everything, drums and bass, and the vocals as hills behind each other."""

from __future__ import annotations

import io
from collections.abc import Sequence

import numpy as np
from PIL import Image, ImageDraw  # noqa: TID251

from morningmix.report.numbers import Array
from morningmix.report.style import LIGHT

SIZE = 600
_HIGHEST = 0.6
"""Height of the loudest place, as a fraction of the picture."""
_COLOURS = ("calm", "faint", "sound")


def draw(ridges: Sequence[Array]) -> bytes:
    """PNG of up to three ridges, heights 0..1, the farthest first; the same bytes for the same song and library."""
    image = Image.new("RGB", (SIZE, SIZE), LIGHT["sky"])
    canvas = ImageDraw.Draw(image)
    for heights, colour in zip(ridges, _COLOURS, strict=False):
        across = np.linspace(0, SIZE, len(heights))
        outline = [(float(x), SIZE * (1.0 - _HIGHEST * float(h))) for x, h in zip(across, heights, strict=True)]
        canvas.polygon([(0.0, float(SIZE)), *outline, (float(SIZE), float(SIZE))], fill=LIGHT[colour])
        canvas.line(outline, fill=LIGHT["sound"], width=2)
    data = io.BytesIO()
    image.save(data, "PNG", optimize=True)
    return data.getvalue()
