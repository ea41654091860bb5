"""Tiny clips, made by PyAV."""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

av = pytest.importorskip("av")

RATE_HZ = 48_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """What a clip is made of. Its picture is black but for white flashes."""

    seconds: float = 3.0
    frames_per_s: int = 25
    size: tuple[int, int] = (64, 48)
    codec: str = "libx264"
    pixels: str = "yuv420p"
    options: tuple[tuple[str, str], ...] = ()
    key_every: int = 25
    flashes_s: tuple[float, ...] = ()
    uneven: bool = False
    """Frames that a phone drops now and then."""
    rotation: int = 0
    sound: np.ndarray | None = None
    """``(channels, frames)`` at `RATE_HZ`; None for no sound track."""
    sound_codec: str = "aac"
    sound_start_s: float = 0.0

    def write(self, path: Path) -> Path:
        with av.open(str(path), "w") as container:
            video = container.add_stream(self.codec, rate=self.frames_per_s, options=dict(self.options))
            video.width, video.height = self.size
            video.pix_fmt = self.pixels
            video.time_base = Fraction(1, 600)
            video.codec_context.time_base = Fraction(1, 600)
            video.codec_context.gop_size = self.key_every
            if self.rotation:
                video.set_display_rotation(self.rotation)
            audio = None
            if self.sound is not None:
                audio = container.add_stream(self.sound_codec, rate=RATE_HZ)
                audio.layout = "mono" if len(self.sound) == 1 else "stereo"
            packets = []
            for index, at in enumerate(self.times()):
                frame = av.VideoFrame.from_ndarray(self.picture(at), format="rgb24").reformat(format=self.pixels)
                frame.pts, frame.time_base = round(at * 600), Fraction(1, 600)
                frame.pict_type = av.video.frame.PictureType.I if index % self.key_every == 0 else frame.pict_type
                packets += video.encode(frame)
            packets += video.encode(None)
            container.mux(packets)
            if audio is not None:
                frame = av.AudioFrame.from_ndarray(
                    np.ascontiguousarray(self.sound, np.float32), format="fltp", layout=audio.layout.name
                )
                frame.sample_rate, frame.time_base = RATE_HZ, Fraction(1, RATE_HZ)
                frame.pts = round(self.sound_start_s * RATE_HZ)
                resampler = av.AudioResampler(
                    format=audio.format.name, layout=audio.layout.name, rate=RATE_HZ,
                    frame_size=audio.codec_context.frame_size or 1024,
                )  # fmt: skip
                for piece in [*resampler.resample(frame), *resampler.resample(None)]:
                    container.mux(audio.encode(piece))
                container.mux(audio.encode(None))
        return path

    def times(self) -> list[float]:
        count = round(self.seconds * self.frames_per_s)
        return [n / self.frames_per_s for n in range(count) if not (self.uneven and n % 7 == 3)]

    def picture(self, at: float) -> np.ndarray:
        width, height = self.size
        bright = any(0 <= at - flash < 1.01 / self.frames_per_s for flash in self.flashes_s)
        frame = np.full((height, width, 3), 235 if bright else 20, np.uint8)
        frame[:8, : round(at * 25) % width] = 120
        return frame


def clicks(seconds: float, *at_s: float) -> np.ndarray:
    """Silence with a short click at each time: ``(1, frames)``."""
    sound = np.zeros((1, round(seconds * RATE_HZ)), np.float32)
    for moment_s in at_s:
        frame = round(moment_s * RATE_HZ)
        sound[0, frame : frame + 48] = 0.5
    return sound


def music(seconds: float, channels: int = 1, seed: int = 1) -> np.ndarray:
    """Noise with a beat, ``(channels, frames)``."""
    rng = np.random.default_rng(seed)
    frames = round(seconds * RATE_HZ)
    beat = np.exp(-((np.arange(frames) / RATE_HZ * 2.7) % 1.0) * 6.0)
    return (0.2 * beat * rng.standard_normal((channels, frames))).astype(np.float32)


__all__ = ["RATE_HZ", "Made", "av", "clicks", "music", "replace"]
