"""Stages, and chains of stages."""

from __future__ import annotations

from typing import Protocol

from morningmix.units import Block


class Stage(Protocol):
    """Turns each block into one of as many frames, however the signal is cut into blocks."""

    @property
    def latency_frames(self) -> int:
        """By how much the output is late."""
        ...

    def process(self, block: Block) -> Block:
        """The next block, ``(channels, frames)``, processed; the one that was given stays as it is."""
        ...


class Chain:
    """Stages one after the other: a stage itself. Without any it passes the signal on."""

    def __init__(self, *stages: Stage) -> None:
        self._stages = stages
        self.latency_frames = sum(stage.latency_frames for stage in stages)

    def process(self, block: Block) -> Block:
        """The block through every stage in turn."""
        for stage in self._stages:
            block = stage.process(block)
        return block
