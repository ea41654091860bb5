"""Encode MP3 for sharing.

pedalboard's encoder, not libsndfile's: both are LAME 3.100 and equal in size and quality (measured: same bit rate, same
residual to 0.1 dB), but pedalboard's copy takes a third of the time.

MP3 comes in frames of 1152 samples behind an encoder delay; delay and padding are noted in the file's first frame, and
a player that reads them plays exactly the encoded frames. Others add about 0.05 s of silence.
Peaks may rise by some tenths of a dB in decoding, so a ceiling that holds in the WAV need not hold in the MP3.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path

import numpy as np
import soundfile  # noqa: TID251
from pedalboard.io import AudioFile  # noqa: TID251

from morningmix.audio.convert import converted
from morningmix.audio.write import cannot_write
from morningmix.units import Block

_RATES_HZ = (32_000, 44_100, 48_000)  # MPEG-1 layer III, ISO/IEC 11172-3
_CONSTANT_RATE_SCALE = 0.95
"""LAME attenuates by this at constant bit rates (measured at eight rates)."""
_PEDALBOARD_FROM_KBPS = 32
_MPEG_2_KBPS = (8, 160)
"""Lowest and highest rate of libsndfile's scale of compression up to 24 kHz."""
_QUALITY = "V1"  # variable, about 220 kbit/s for a loud stereo mix (measured)


def encode_mp3(blocks: Iterable[Block], path: Path, *, rate_hz: int, channels: int = 2) -> None:
    """Write float32 blocks ``(channels, frames)`` within -1..1 as an MP3, the same bytes however the sound is cut.

    Rates that MP3 does not know become 44.1 kHz (multiples of 11.025 kHz) or 48 kHz. Raises OutputError when the file
    cannot be written.
    """
    mp3_hz = rate_hz if rate_hz in _RATES_HZ else 44_100 if rate_hz % 11_025 == 0 else 48_000
    if mp3_hz != rate_hz:
        blocks = converted(blocks, rate_hz, mp3_hz, channels)
    try:
        file = path.open("wb")
    except OSError as error:
        raise cannot_write(path, error) from error
    try:
        encoder = AudioFile(file, "w", mp3_hz, channels, format="mp3", quality=_QUALITY)
        for block in blocks:
            # In a square block the encoder would have to guess the channel axis.
            middle = block.shape[1] // 2 if block.shape[0] == block.shape[1] else 0
            for piece in (block[:, :middle], block[:, middle:]):
                if piece.shape[1]:
                    _checked(path, encoder.write, np.ascontiguousarray(piece))
        _checked(path, encoder.close)
    except BaseException:
        # Flushing the buffer fails too; the first error is the one to report.
        with suppress(OSError):
            file.close()
        raise
    _checked(path, file.close)


def mp3_piece(sound: Block, rate_hz: int, quality: str | int) -> bytes:
    """One short MP3 for ``(channels, frames)`` at a rate that MP3 knows.

    `quality` is LAME's for a variable bit rate, "V0" (best) to "V9", or a constant rate in kbit/s; that may be under 32
    up to 24 kHz (MPEG-2), which pedalboard's encoder does not offer.
    """
    file = io.BytesIO()
    if isinstance(quality, int):
        sound = sound / np.float32(_CONSTANT_RATE_SCALE)
        if quality < _PEDALBOARD_FROM_KBPS:
            level = (_MPEG_2_KBPS[1] - quality) / (_MPEG_2_KBPS[1] - _MPEG_2_KBPS[0])
            soundfile.write(
                file, sound.T, rate_hz, "MPEG_LAYER_III", format="MP3", compression_level=level, bitrate_mode="CONSTANT"
            )
            return file.getvalue()
    with AudioFile(file, "w", rate_hz, sound.shape[0], format="mp3", quality=quality) as encoder:
        encoder.write(np.ascontiguousarray(sound))
    return file.getvalue()


def wav_bytes(sound: Block, from_hz: int, rate_hz: int) -> tuple[bytes, float]:
    """A short sound at another rate as a 16-bit WAV file at full scale, and the gain that makes it as it was."""
    short = np.concatenate(list(converted([sound], from_hz, rate_hz, sound.shape[0])), axis=1)
    peak = float(np.abs(short).max(initial=0.0)) or 1.0
    file = io.BytesIO()
    soundfile.write(file, (short * (32_767.0 / peak)).round().astype(np.int16).T, rate_hz, "PCM_16", format="WAV")
    return file.getvalue(), peak


def _checked(path: Path, action: Callable[..., object], *arguments: Block) -> None:
    try:
        action(*arguments)
    except (OSError, RuntimeError) as error:
        raise cannot_write(path, error) from error
    except SystemError as error:
        # The encoder returns although the file raised; Python then gives the file's error as the cause.
        raise cannot_write(path, error.__cause__ if isinstance(error.__cause__, OSError) else error) from error
