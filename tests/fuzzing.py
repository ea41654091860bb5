"""Damaged files by the thousand: one clear error each, or sound that is no longer than the file can hold.

And a few large ones, as large as they may be, on which nothing may take much longer than on small ones.

    python tests/fuzzing.py [--sound 20000] [--text 20000] [--seed 1] [--workers 2]

Every case runs in a forked worker with a limit on memory and a clock. What fails is printed with the seed that makes it
again (``--only sound:SEED``); the exit code says whether anything did.
"""

from __future__ import annotations

import argparse
import io
import json
import multiprocessing
import resource
import signal
import struct
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
import soundfile  # noqa: TID251 - an outside writer of the files to damage

import wav_bytes as wav
from large_inputs import LARGE
from morningmix.audio.read import LARGEST_SAMPLE, open_recording
from morningmix.audio.takes import find_take
from morningmix.commands.agreement import merge
from morningmix.errors import MorningmixError, RecordingsError
from morningmix.files.band import BAND, INPUT_LIST, read_band
from morningmix.files.band_edit import remembered
from morningmix.files.feedback import read_wishes
from morningmix.files.input_edit import with_role
from morningmix.files.recall import read_recall
from morningmix.files.recipe import read_recipe
from morningmix.files.recipe_edit import turn, with_moves, with_remarks
from morningmix.files.recipe_tables import checked_file
from morningmix.files.toml_lines import parse
from morningmix.storage.text import read_text

LIMIT_S = 5.0
LIMIT_BYTES = 1 << 30
"""Of new memory in a worker, once everything is loaded: the largest file here has some kilobytes."""
BATCH = 250
_BLOCK = 65_536

Rng = np.random.Generator


# ---------------------------------------------------------------- what is damaged


@cache
def _sound_seeds() -> list[tuple[str, bytes]]:
    rng = np.random.default_rng(0)
    mono, pair = (0.3 * rng.standard_normal((500, channels)) for channels in (1, 2))
    seeds = []
    for suffix, container, subtype, sound in (
        ("wav", "WAV", "PCM_16", mono),
        ("wav", "WAV", "PCM_24", pair),
        ("wav", "WAV", "FLOAT", mono),
        ("wav", "WAVEX", "PCM_24", mono),
        ("rf64", "RF64", "PCM_24", mono),
        ("w64", "W64", "PCM_16", pair),
        ("aiff", "AIFF", "PCM_24", pair),
        ("aiff", "AIFF", "FLOAT", mono),
        ("caf", "CAF", "PCM_16", mono),
        ("flac", "FLAC", "PCM_24", mono),
        ("flac", "FLAC", "PCM_16", pair),
        ("flac", "FLAC", "PCM_16", np.tile(mono, (80, 1))),
        ("caf", "CAF", "ALAC_24", np.tile(pair, (20, 1))),
        ("caf", "CAF", "DOUBLE", mono),
        ("wav", "WAV", "IMA_ADPCM", mono),
        # A file's ending says nothing of its content.
        ("wav", "OGG", "VORBIS", pair),
        ("aiff", "MP3", "MPEG_LAYER_III", mono),
        ("wav", "SDS", "PCM_16", mono),
        ("aiff", "AU", "FLOAT", mono),
        ("caf", "MAT5", "DOUBLE", mono),
    ):
        file = io.BytesIO()
        soundfile.write(file, sound, 48_000, format=container, subtype=subtype)
        seeds.append((suffix, file.getvalue()))
    data = wav.chunk(b"data", rng.bytes(900))
    seeds.append(("wav", wav.riff(wav.bext(b"kick", 7), wav.fmt(), wav.ixml("kick"), data, wav.info(b"kick"))))
    seeds.append(("wav", wav.rf64(wav.fmt(), wav.chunk(b"data", rng.bytes(900), declared=0xFFFFFFFF), data_bytes=900)))
    seeds.append(("wav", wav.riff(wav.extensible(44_100, 2, 3), data)))
    return seeds


_RECIPE = """recipe = 1
[rehearsal]
tracks = "take"  # where
title = "Thursday"
band = "The Loose Ladders"
date = "2026-11-19"
[target]
preset = "demo"
loudness_lufs = -16.0
[defaults]
bleed = "gate"
[[input]]
file = ["left.wav", "right.wav"]
name = "lead vocal"
role = "lead vocal?"
player = "Mara"
level_db = 1.5
pan = -0.3
[[song]]
title = "Copper Rain Gauge"
take = "card 2"
start = "3:12.0"
end = "7:45.5"
[[song.input]]
name = "lead vocal"
level_db = 2
[[song.move]]
name = "lead vocal"
from = "2:10"
to = "2:40"
level_db = -2
"""
_INPUTS = '[[input]]\nfile = "a.wav"\nname = "kick"\nrole = "kick"\nplayer = "Ole"\n[[input]]\nfile = "b.wav"\n'
_BAND = (
    f'band = 1\nname = "Ole"\n{_INPUTS}level_db = 2.0\npan = -0.5\n'
    '[[family]]\nname = "drums"\nroom_db = 3\n[[song]]\ntitle = "Tin Roof"\ntempo_bpm = 96.5\n'
)
_WISHES = """morningmix wishes
song: Copper Rain Gauge
mix: 3f2a91c0
from: Mara
vocals +2
drums -1.5 dB
lead vocal +2 from 2:10 to 2:40
note 2:31 could the second guitar come in later?
"""
_RECALL = json.dumps(
    {"recall": 2, "morningmix": "0", "title": "x", "tracks_folder": "..", "recordings": [], "plan": {}}
)
_WORDS = (
    *(b'"', b"'''", b"[[input]]", b"[[[", b"]]", b"{", b"}" * 50, b"=", b"nan", b"inf", b"-1e999", b"9" * 400),
    *(b"\0", b"\xff", b"\r", b"\xef\xbb\xbf", b"../..", b"/etc/passwd", b"true", b"1979-05-27T07:32:00Z"),
    *(b"\\u0000", b"\\UFFFFFFFF", b"[" * 3000, b"# ", b"\n", b"a.b.c = 1\n", b"level_db = \n", b"con.wav", b"0x"),
    *("\u202e".encode(), "🎸".encode()),
)


def damaged_sound(rng: Rng, data: bytes) -> bytes:
    out = bytearray(data)
    for _ in range(int(rng.integers(1, 6))):
        if not out:
            break
        at, kind = int(rng.integers(len(out))), int(rng.integers(10))
        # Headers are where the trouble is.
        if rng.random() < 0.7:
            at = int(rng.integers(min(len(out), 120)))
        if kind == 0:
            out[at] = int(rng.integers(256))
        elif kind == 1:
            value = int(
                rng.choice([0, 1, 2, 3, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF, 0xFFFFFFFE, len(data), len(data) - 8])
            )
            out[at : at + 4] = struct.pack(str(rng.choice(["<I", ">I"])), value)
        elif kind == 2:
            del out[at:]
        elif kind == 3:
            piece = out[at : at + int(rng.integers(1, 60))]
            out[at:at] = piece
        elif kind == 4:
            del out[at : at + int(rng.integers(1, 60))]
        elif kind == 5:
            out[at : at + 8] = bytes(8)
        elif kind == 6:
            out += rng.bytes(int(rng.integers(1, 300)))
        elif kind == 7:
            value = float(rng.choice([np.nan, np.inf, -np.inf, 3e38, 1e20, -1e20]))
            out[at : at + 8] = struct.pack(str(rng.choice(["<f", ">f", "<d", ">d"])), value)
        elif kind == 8:
            # How many frames a FLAC file says it holds: 36 bits.
            out[21:26] = bytes([out[21] | 15]) + rng.bytes(4) if len(out) > 26 else b""
        else:
            name = [b"data", b"fmt ", b"RIFF", b"RF64", b"LIST", b"JUNK", b"ds64", b"COMM", b"SSND", b"fLaC"][
                int(rng.integers(10))
            ]
            out[at : at + 4] = name
    return bytes(out)


def damaged_text(rng: Rng, data: bytes) -> bytes:
    out = bytearray(data)
    for _ in range(int(rng.integers(1, 5))):
        at, kind = int(rng.integers(len(out) + 1)), int(rng.integers(5))
        if kind == 0:
            out[at : at + 1] = bytes([int(rng.integers(256))])
        elif kind == 1:
            out[at:at] = _WORDS[int(rng.integers(len(_WORDS)))]
        elif kind == 2:
            del out[at : at + int(rng.integers(1, 30))]
        elif kind == 3:
            other = int(rng.integers(len(out) + 1))
            out[at:at] = out[other : other + int(rng.integers(1, 80))]
        else:
            lines = bytes(out).split(b"\n")
            lines.insert(int(rng.integers(len(lines) + 1)), lines.pop(int(rng.integers(len(lines)))))
            out = bytearray(b"\n".join(lines))
    return bytes(out)


# ---------------------------------------------------------------- what must hold


def sound_case(seed: int, folder: Path) -> None:
    """One damaged recording: refused with one line, or read whole, to an end that its size allows."""
    rng = np.random.default_rng(seed)
    seeds = _sound_seeds()
    suffix, data = seeds[int(rng.integers(len(seeds)))]
    damaged = damaged_sound(rng, data)
    path = folder / f"input.{suffix}"
    path.write_bytes(damaged)
    try:
        take = find_take(folder)
    except RecordingsError as error:
        _one_line(error)
        return
    finally:
        assert path.read_bytes() == damaged
    for recording in take.recordings:
        # A FLAC frame of silence holds at most 65,535 frames in some ten bytes.
        assert recording.frames <= 65_535 * (len(damaged) // 8 + 1), "longer than the file can hold"
        read = 0
        with open_recording(recording, recording.rate_hz) as reader:
            while read < recording.frames:
                block = reader.read(min(_BLOCK, recording.frames - read))
                assert np.abs(block).max() <= LARGEST_SAMPLE, "samples that no input can be"
                read += block.shape[1]


def text_case(seed: int, folder: Path) -> None:
    """One damaged recipe, band.toml, input list, recall sheet or wishes: read, or refused with one line."""
    rng = np.random.default_rng(seed)
    name, text, reads = (
        ("recipe.toml", _RECIPE, (read_recipe, _edited)),
        (BAND, _BAND, (_band, _taught)),
        (INPUT_LIST, _INPUTS, (_band,)),
        ("recall.json", _RECALL, (read_recall,)),
        ("wishes.txt", _WISHES, (_wished,)),
    )[int(rng.integers(5))]
    path = folder / name
    path.write_bytes(damaged_text(rng, text.encode()))
    for read in reads:
        try:
            read(path)
        except MorningmixError as error:
            _one_line(error)
    # A recipe beside it would be read with it.
    path.unlink()


def _band(path: Path) -> None:
    read_band(path.parent, None)


def _taught(path: Path) -> None:
    remembered(read_text(path), checked_file(parse(_RECIPE, "recipe.toml")))


def _wished(path: Path) -> None:
    wishes, _ = read_wishes(path)
    agreed, _ = merge(wishes)
    text = _RECIPE
    for change in agreed:
        if change.stretch is not None:
            text = with_moves(text, "Copper Rain Gauge", [("lead vocal", *change.stretch, change.level_db)])
    for one in wishes:
        text = with_remarks(text, "Copper Rain Gauge", [f"# {note.at_s} {one.who}: {note.says}" for note in one.notes])
    assert len(parse(text, "recipe.toml").data["song"]) == 1


def _edited(path: Path) -> None:
    text = read_text(path)
    turn(text, "lead vocal", 2.0)
    with_role(text, ["left.wav"], "lead vocal")


def _one_line(error: MorningmixError) -> None:
    words = str(error)
    assert words.strip(), "an error without words"
    assert len(words) < 3000, f"an error of {len(words)} signs"
    assert "Traceback" not in words


def large_case(seed: int, folder: Path) -> None:
    """One large text or header: read, or refused with one line; what grows with the square would run into the clock."""
    path = folder / "input.wav"
    try:
        LARGE[seed % len(LARGE)](path)
    except MorningmixError as error:
        _one_line(error)


CASES: dict[str, Callable[[int, Path], None]] = {"sound": sound_case, "text": text_case, "large": large_case}


# ---------------------------------------------------------------- running them


class TooLongError(Exception):
    """No TimeoutError: that is an OSError, and would be taken for a file that cannot be read."""


def _too_long(_signal: int, _frame: object) -> None:
    raise TooLongError(f"took over {LIMIT_S:.0f} s")


def run_batch(batch: tuple[str, int, int]) -> list[tuple[str, int, str]]:
    """Failures among the cases from a seed on."""
    kind, first, count = batch
    failures = []
    signal.signal(signal.SIGPROF, _too_long)
    with tempfile.TemporaryDirectory() as name:
        for seed in range(first, first + count):
            folder = Path(name) / str(seed)
            folder.mkdir()
            signal.setitimer(signal.ITIMER_PROF, LIMIT_S)
            try:
                CASES[kind](seed, folder)
            except BaseException as error:
                failures.append((kind, seed, "".join(traceback.format_exception(error)[-3:])))
            finally:
                signal.setitimer(signal.ITIMER_PROF, 0.0)
                for path in folder.iterdir():
                    path.unlink()
                folder.rmdir()
    return failures


def _limit() -> None:
    pages = int(Path("/proc/self/statm").read_text().split()[0]) if Path("/proc/self/statm").exists() else 0
    if pages:
        limit = pages * resource.getpagesize() + LIMIT_BYTES
        resource.setrlimit(resource.RLIMIT_AS, (limit, limit))


def main() -> int:
    """Run the cases; 1 if any failed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sound", type=int, default=20_000)
    parser.add_argument("--text", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--only", help="kind:seed, to see one case again")
    arguments = parser.parse_args()
    if arguments.only:
        kind, seed = arguments.only.split(":")
        with tempfile.TemporaryDirectory() as name:
            CASES[kind](int(seed), Path(name))
        return 0
    begun = time.monotonic()
    counts = {"sound": arguments.sound, "text": arguments.text, "large": len(LARGE)}
    batches = [
        (kind, arguments.seed * 1_000_000 + first, min(BATCH, count - first))
        for kind, count in counts.items()
        for first in range(0, count, BATCH)
    ]
    failures = []
    with multiprocessing.get_context("fork").Pool(arguments.workers, _limit, maxtasksperchild=8) as pool:
        for found in pool.imap_unordered(run_batch, batches):
            for kind, seed, says in found:
                print(f"--only {kind}:{seed}\n{says}", flush=True)
            failures += found
    print(f"{sum(counts.values())} cases in {time.monotonic() - begun:.0f} s, {len(failures)} failed")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
