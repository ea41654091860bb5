"""Sounds, and cuts of them into blocks."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
from hypothesis import strategies as st

from morningmix.units import Block


@st.composite
def sounds(draw: st.DrawFn, max_frames: int = 40_000) -> Block:
    """Noise whose level changes suddenly, with digital silence in between: one or two channels."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    frames = draw(st.integers(1, max_frames))
    gains = draw(st.lists(st.sampled_from([0.0, 0.01, 0.3, 1.0]), min_size=1, max_size=6))
    noise = rng.standard_normal((draw(st.integers(1, 2)), frames)) * np.resize(np.repeat(gains, 700), frames)
    if draw(st.booleans()):
        noise = np.cumsum(noise, axis=1) / 20.0
    return noise.astype(np.float32)


def pieces(block: Block, cuts: list[int]) -> Iterator[Block]:
    edges = sorted({0, block.shape[1], *(cut % (block.shape[1] + 1) for cut in cuts)})
    for start, end in pairwise(edges):
        yield np.ascontiguousarray(block[:, start:end])


CUTS = st.lists(st.integers(0, 100_000), max_size=8)
