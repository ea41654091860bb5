"""Read files through libsndfile: check the declared length against the content, and decode.

A damaged FLAC file is decoded around the damage: from damage to the next of fixed positions in the file it reads as
silence. So a frame always reads the same, wherever reading began.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile  # noqa: TID251
from numpy.typing import NDArray

from morningmix.audio.paths import openable
from morningmix.errors import RecordingsError
from morningmix.model.recording import Part
from morningmix.units import Block, clock

_RAW_TRACKS = frozenset(("WAV", "WAVEX", "RF64", "W64", "AIFF", "CAF", "FLAC"))
"""Formats of recorders, by libsndfile's names. It recognises files by content, whatever their suffix."""
_COMPRESSED = ("MPEG", "VORBIS", "OPUS", "GSM")
_UNKNOWN_FRAMES = 1 << 60
_PLACE_FRAMES = 16_384
_COUNTED_SAMPLES = 65_536


def coded_part(path: Path) -> Part:
    """The file as its header describes it; it is decoded only if it holds less sound than declared.

    Raises RecordingsError, its message beginning with the file's name, for what is no raw track or cannot be saved.
    """
    beyond_repair = RecordingsError(f"{path.name}: not a sound file, or damaged beyond repair")
    try:
        with soundfile.SoundFile(openable(path)) as sound:
            if sound.subtype.startswith(_COMPRESSED) or sound.format in ("MP3", "OGG"):
                raise RecordingsError(f"{path.name}: compressed sound is not a raw track; use the recorder's own files")
            if sound.format not in _RAW_TRACKS:
                raise RecordingsError(f"{path.name}: it holds {sound.format} sound; save it again as WAV")
            title, declared = sound.title, sound.frames
            frames = declared if _is_whole(sound) else _decodable_frames(path)
            part = Part(
                path=path,
                rate_hz=sound.samplerate,
                channels=sound.channels,
                frames=frames,
                subtype=sound.subtype,
                embedded_name=title or None,
                damage=None if frames == declared else _damage(declared, frames, sound.samplerate),
            )
    except soundfile.LibsndfileError as error:
        raise beyond_repair from error
    if declared and not frames:
        raise beyond_repair
    return part


def reading_stopped(part: Part, frame: int) -> RecordingsError:
    """The error for a file that cannot be read any further."""
    return RecordingsError(
        f"{part.path.name}: reading stopped at {clock(frame / part.rate_hz)}; "
        "the file is shorter than it was, or the disk or card failed"
    )


class CodedSamples:
    """Reads the samples of one file; damaged stretches are silent."""

    def __init__(self, part: Part) -> None:
        self.part = part
        self._sound = soundfile.SoundFile(openable(part.path))
        self._position: int | None = 0
        """None after a failure, when the decoder can no longer be trusted."""

    def read_into(self, start: int, out: Block) -> int:
        """Fill ``out`` with the frames from `start` on; returns how many samples were lost.

        Raises RecordingsError when the file itself can no longer be read.
        """
        done = lost = 0
        while done < out.shape[1]:
            if self._position == start + done or self._go_to(start + done):
                sound, got = _decoded(self._sound, out.shape[1] - done)
                out[:, done : done + got] = sound[:got].T
                done += got
                self._position = start + done
            if done < out.shape[1]:
                self._refuse_unreadable(start + done)
                self._position = None
                place = ((start + done) // _PLACE_FRAMES + 1) * _PLACE_FRAMES
                stop = min(out.shape[1], place - start)
                out[:, done:stop] = 0.0
                lost += stop - done
                done = stop
        return lost * self.part.channels

    def _go_to(self, frame: int) -> bool:
        """Whether the frame can be reached by decoding from the fixed position before it."""
        try:
            if self._position is None:
                self._sound.close()
                self._sound = soundfile.SoundFile(openable(self.part.path))
            place = frame // _PLACE_FRAMES * _PLACE_FRAMES
            self._sound.seek(place)
        except (OSError, soundfile.LibsndfileError):
            return False
        return _decoded(self._sound, frame - place)[1] == frame - place

    def _refuse_unreadable(self, frame: int) -> None:
        try:
            with self.part.path.open("rb") as file:
                while file.read(1 << 20):
                    pass
        except OSError as error:
            raise reading_stopped(self.part, frame) from error

    def close(self) -> None:
        """Close the file."""
        self._sound.close()


def _decoded(sound: soundfile.SoundFile, frames: int) -> tuple[NDArray[np.float32], int]:
    """The next `frames`, ``(frames, channels)``, and how many decode before the end or the first damage."""
    room = np.full((frames, sound.channels), np.nan, np.float32)
    try:
        return room, len(sound.read(frames, out=room))
    except soundfile.LibsndfileError:
        decoded = np.flatnonzero(~np.isnan(room).any(axis=1))
        return room, int(decoded[-1]) + 1 if len(decoded) else 0


def _is_whole(sound: soundfile.SoundFile) -> bool:
    """Whether the last frame can be decoded."""
    if not sound.frames:
        return True
    if sound.frames >= _UNKNOWN_FRAMES or not sound.seekable():
        return False
    try:
        sound.seek(sound.frames - 1)
    except soundfile.LibsndfileError:
        return False
    return _decoded(sound, 1)[1] == 1


def _decodable_frames(path: Path) -> int:
    """Number of frames that decode before the end or the first damage."""
    frames = 0
    with soundfile.SoundFile(openable(path)) as sound:
        wanted = max(1, _COUNTED_SAMPLES // sound.channels)
        got = wanted
        while got == wanted:
            got = _decoded(sound, wanted)[1]
            frames += got
    return frames


def _damage(declared: int, frames: int, rate_hz: int) -> str:
    saved = f"{clock(frames / rate_hz)} was recovered from the file itself"
    if declared >= _UNKNOWN_FRAMES:
        return f"the header does not say how long the sound is (lost power?); {saved}"
    return f"the header says {clock(declared / rate_hz)} of sound; {saved}, the rest is missing"
