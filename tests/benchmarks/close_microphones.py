"""Bleed between close microphones in a modelled room, as in a published evaluation.

    python tests/benchmarks/close_microphones.py FOLDER [--seconds 30] [--seed 1]

FOLDER holds dry recordings, one instrument a file, that were played together. Five or six of them play in a rectangular
room (image sources, RT60 0.3 s), each with a microphone of its own 4 to 60 cm away. That is the setting of Kokkinis,
Reiss, Mourjopoulos, IEEE TASL 20(3) 2012, who report more than 5 dB of gain in signal-to-interference ratio "in all
cases". Every microphone is cleaned by all others. Prints SIR and SAR of mir_eval (Vincent, Gribonval, Fevotte, IEEE
TASLP 14(4) 2006) before and after.

Needs ``pip install mir_eval pyroomacoustics``.
"""

from __future__ import annotations

import argparse
import tempfile
import warnings
from pathlib import Path

import mir_eval
import numpy as np
import pyroomacoustics
import soundfile  # noqa: TID251 - an outside reader and writer
from numpy.typing import NDArray
from scipy.signal import oaconvolve

from morningmix.audio.read import read_stretch
from morningmix.audio.takes import find_take
from morningmix.bleed.song import clean_song
from morningmix.bleed.stretch import stretches_of
from morningmix.measure.take import measure_take
from morningmix.model.plan import Cleaning
from morningmix.workers.jobs import Here, Lane, Run
from morningmix.workers.progress import Meter, no_progress
from morningmix.workers.trace import Trace

Sound = NDArray[np.float64]
DISTANCES_M = (0.04, 0.1, 0.2, 0.3, 0.45, 0.6)
ROOM_M = (8.0, 6.0, 3.0)
RT60_S = 0.3


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    paths = sorted(arguments.folder.glob("*.flac")) + sorted(arguments.folder.glob("*.wav"))
    dry, rate_hz = _dry(paths[: len(DISTANCES_M)], arguments.seconds)
    images = _images(dry, rate_hz, np.random.default_rng(arguments.seed))
    recorded = images.sum(axis=1)
    cleaned = _cleaned(recorded, rate_hz)
    print(f"{'source':16} {'distance':>8}   SIR in ->   out    gain    SAR")
    for one, path in enumerate(paths[: len(dry)]):
        own, bleed = images[one, one], recorded[one] - images[one, one]
        before, after = (_sir_sar(own, bleed, sound) for sound in (recorded[one], cleaned[one]))
        print(
            f"{path.stem[:16]:16} {100 * DISTANCES_M[one]:5.0f} cm {before[0]:8.1f} -> {after[0]:5.1f} "
            f"{after[0] - before[0]:+7.1f} {after[1]:6.1f}",
            flush=True,
        )


def _dry(paths: list[Path], seconds: float) -> tuple[Sound, int]:
    """Dry sounds at one level, ``(sources, frames)``."""
    sounds, rate_hz = [], 0
    for path in paths:
        sound, rate_hz = soundfile.read(path, always_2d=True)
        frames = round(seconds * rate_hz)
        mono = np.resize(sound.mean(axis=1), frames)
        sounds.append(0.05 * mono / np.sqrt(np.mean(mono**2)))
    return np.stack(sounds), rate_hz


def _images(dry: Sound, rate_hz: int, rng: np.random.Generator) -> Sound:
    """What each microphone hears of each source: ``(microphones, sources, frames)``."""
    absorption, order = pyroomacoustics.inverse_sabine(RT60_S, ROOM_M)
    room = pyroomacoustics.ShoeBox(
        ROOM_M, fs=rate_hz, materials=pyroomacoustics.Material(absorption), max_order=min(order, 20)
    )
    angles = 2.0 * np.pi * (np.arange(len(dry)) + rng.uniform(-0.2, 0.2, len(dry))) / len(dry)
    places = np.stack([4.0 + 2.2 * np.cos(angles), 3.0 + 1.7 * np.sin(angles), rng.uniform(0.6, 1.6, len(dry))])
    towards = np.stack([np.cos(angles), np.sin(angles), np.zeros(len(dry))])
    for place in places.T:
        room.add_source(place)
    room.add_microphone_array(places + towards * np.array(DISTANCES_M[: len(dry)]))
    room.compute_rir()
    return np.stack(
        [
            np.stack([oaconvolve(sound, response)[: dry.shape[1]] for sound, response in zip(dry, target, strict=True)])
            for target in room.rir
        ]
    )


def _cleaned(recorded: Sound, rate_hz: int) -> Sound:
    scale = 0.5 / float(np.abs(recorded).max())
    with tempfile.TemporaryDirectory() as folder:
        tracks = Path(folder) / "take"
        tracks.mkdir()
        for number, sound in enumerate(recorded):
            soundfile.write(tracks / f"input-{number:02d}.wav", scale * sound, rate_hz, subtype="FLOAT")
        take = find_take(tracks)
        lane = Lane(Run(runner=Here(), meter=Meter(no_progress), trace=Trace()))
        _, store = measure_take(take, Path(folder) / "cache", lane)
        everybody = tuple(range(len(recorded)))
        cleaning = Cleaning(targets=tuple((target, True) for target in everybody), references=everybody)
        cleaned = clean_song(stretches_of(take, store, cleaning, Path(folder) / "cache"), lane)
        assert cleaned, "too short"
        return np.stack(
            [
                read_stretch(cleaned[target].sound, rate_hz, 0, recorded.shape[1])[0].astype(np.float64) / scale
                for target in everybody
            ]
        )


def _sir_sar(own: Sound, bleed: Sound, sound: Sound) -> tuple[float, float]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", FutureWarning)
        _, sir, sar, _ = mir_eval.separation.bss_eval_sources(
            np.stack([own, bleed]), np.stack([sound, own + bleed - sound + 1e-9 * bleed]), compute_permutation=False
        )
    return float(sir[0]), float(sar[0])


if __name__ == "__main__":
    main()
