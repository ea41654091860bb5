"""A recall sheet with a value in every field, the recordings it speaks of, and sheets with something wrong in them."""

from __future__ import annotations

import copy
import json
import random
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np
import soundfile  # noqa: TID251 - an outside writer of the files under test

from morningmix.files.recall import MixFile, Recall, RecordedInput, Settings, recall_text
from morningmix.model.plan import (
    Cleaning,
    Compressor,
    DeEsser,
    Filter,
    Gate,
    Goal,
    MasterPlan,
    Move,
    Reason,
    Reverb,
    SongPlan,
    TrackPlan,
    Trims,
)
from morningmix.model.tempo import Tempo

RATE_HZ, SECONDS = 24_000, 0.6
FILES = ("kick.wav", "guitar.wav", "vocal.wav")
ODD = (
    *(0, -1, 1, 0.5, 1e9, -1e9, 1e-12, 1e308, 10**30, float("nan"), float("inf"), True, False, None),
    *("", "x", "drums", "../x", "/etc/passwd", "\0", "\u202e\n", "a" * 400, "9"),
    *([], {}, [[]], [[0, 0]], [[1.0, 0.0]], [1] * 50),
)
EDGES = (-300.0, -61.0, -60.0, -24.0, -10.0, -1.0, -0.1, 0.0, 1e-4, 1e-3, 0.01, 0.1, 0.2, 0.5, 1.0, 5.0, 10.0)
EDGES = (*EDGES, 24.0, 60.0, 100.0, 200.0, 8000.0, 11_025.0, 11_999.0, 48_001.0, 1e6)


def write_tracks(folder: Path) -> None:
    """A knock, a chord and a voice, 0.6 s each."""
    folder.mkdir(parents=True)
    t = np.arange(round(SECONDS * RATE_HZ)) / RATE_HZ
    knock = np.exp(-((t % 0.2) / 0.03)) * np.sin(2.0 * np.pi * 80.0 * t)
    chord = sum(np.sin(2.0 * np.pi * hz * t) for hz in (220.0, 277.0, 330.0)) / 6.0
    voice = 1.5 * np.sin(2.0 * np.pi * 440.0 * t + 3.0 * np.sin(2.0 * np.pi * 5.0 * t))
    for name, sound in zip(FILES, (0.5 * knock, chord, np.clip(voice, -1.0, 1.0)), strict=True):
        soundfile.write(folder / name, sound, RATE_HZ, subtype="PCM_16")


def write_sheet(folder: Path, tracks: Path, title: str = "Song", start_s: float = 0.0) -> Path:
    """The recall sheet of a song that is yet to be mixed from it."""
    sheet = folder / "recall.json"
    folder.mkdir(parents=True)
    compressor = Compressor(
        threshold_db=-20.0, ratio=2.0, knee_db=6.0, attack_s=0.01, release_s=0.1, max_reduction_db=8.0
    )
    why = (Reason(what="gain_db", because="it plays", source="design choice"),)
    spans = ((0.1, 0.2), (0.3, 0.5))
    kick, guitar, vocal = ((name,) for name in FILES)
    plan = SongPlan(
        title=title,
        start_s=start_s,
        end_s=SECONDS,
        rate_hz=RATE_HZ,
        tracks=(
            TrackPlan(
                files=kick,
                name="kick",
                role="kick",
                role_is_guess=True,
                family="drums",
                gain_db=3.0,
                filters=(Filter(kind="high_pass", corner_hz=30.0),),
                compressor=compressor,
                delay_s=0.001,
                reasons=why,
            ),
            TrackPlan(
                files=guitar,
                name="guitar",
                role="electric guitar",
                role_is_guess=False,
                family="guitars",
                player="Ole",
                pan=0.3,
                filters=(Filter(kind="peak", corner_hz=900.0, gain_db=-2.0, q=1.0),),
            ),
            TrackPlan(
                files=vocal,
                name="vocal",
                role="lead vocal",
                role_is_guess=False,
                family="vocals",
                repair_s=0.001,
                gain_step=(0.4, -2.0),
                ducked_s=((0.25, 0.26),),
                gate=Gate(open_s=spans, floor_db=-15.0, ramp_s=0.06),
                de_esser=DeEsser(corner_hz=5000.0, compressor=compressor),
                moves=(Move(from_s=0.2, to_s=0.4, level_db=2.0, ramp_s=0.3),),
                ride=((0.0, 0.0), (0.3, 1.5)),
                send_db=-12.0,
                reasons=why,
            ),
        ),
        reverb=Reverb(room=0.45, damping=0.5, low_cut_hz=200.0, reasons=why),
        target_lufs=-16.0,
        ceiling_dbtp=-1.0,
        max_limiting_db=3.0,
        played_lufs=-20.0,
        tilt_db=1.0,
        goals=(Goal(family="drums", level_lu=-7.5, where_s=spans, wishes_db=0.0, because="it plays", source="none"),),
        cleaning=Cleaning(
            targets=((2, True),), references=(0, 1, 2), gain_steps=((2, 0.4, -2.0),), repaired=((2, 0.001),)
        ),
        fade_in_s=0.05,
        fade_out_s=0.2,
    )
    trims = Trims(
        trims_db=(("drums", -0.4), ("guitars", 0.0), ("vocals", 1.0)),
        drum_peak_dbfs=-9.0,
        drum_lookahead_s=0.002,
        drum_release_s=0.06,
        gain_db=-1.0,
        reasons=why,
    )
    master = MasterPlan(
        trims=trims,
        gain_db=2.0,
        target_lufs=-16.0,
        ceiling_dbfs=-1.2,
        lookahead_s=0.003,
        release_s=0.12,
        dither_seed=1,
        reasons=why,
    )
    recall = Recall(
        morningmix="0.1.0",
        title=title,
        tracks_folder=f"../../../{tracks.name}",
        recordings=tuple(
            RecordedInput(files=(name,), parts=(name,), sha256=(sha256((tracks / name).read_bytes()).hexdigest(),))
            for name in FILES
        ),
        settings=Settings(bits=16, file_format="wav", tracks=False, practice=False),
        plan=plan,
        master=master,
        mix=MixFile(file=f"{title}.wav", integrated_lufs=-16.0, range_lu=1.0, true_peak_dbtp=-1.2),
        stems=(),
        tempo=Tempo(tempo_bpm=124.2, other_bpm=62.1, beats_s=(0.02, 0.26, 0.5)),
        levels_lu=(-8.5, None, -3.0),
        reachable_lufs=-16.0,
        files=[f"{title}.wav", "recall.json"],
        sha256={f"{title}.wav": "0" * 64},
        versions={"numpy": "2.1"},
    )
    sheet.write_text(recall_text(recall), encoding="utf-8")
    return sheet


def leaves(data: object, at: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    """Path of every value in a sheet, those that hold others too."""
    if at:
        yield at
    if isinstance(data, dict | list):
        for step, inner in data.items() if isinstance(data, dict) else enumerate(data):
            yield from leaves(inner, (*at, step))


def put(data: dict[str, Any], at: tuple[str | int, ...], value: object) -> dict[str, Any]:
    """A copy of a sheet with one value exchanged."""
    changed = copy.deepcopy(data)
    around: Any = changed
    for step in at[:-1]:
        around = around[step]
    around[at[-1]] = value
    return changed


def damaged(data: dict[str, Any], rng: random.Random) -> str:
    """A sheet with one value, key or type changed, as text."""
    at = rng.choice(list(leaves(data)))
    around: Any = data
    for step in at[:-1]:
        around = around[step]
    old, kind = around[at[-1]], rng.randrange(8)
    if kind == 0 and isinstance(around, dict):
        rest = {key: value for key, value in around.items() if key != at[-1]}
        return json.dumps(put(data, at[:-1], rest) if len(at) > 1 else rest)
    if kind == 1 and isinstance(around, dict):
        return json.dumps(put(data, (*at[:-1], "evil\nkey"), old))
    if kind == 2 and isinstance(old, list):
        return json.dumps(put(data, at, rng.choice([old[::-1], old + old, old[1:], [old]])))
    if kind < 5 and isinstance(old, float):
        return json.dumps(put(data, at, old * rng.choice([-1, 10, 1000, 1e6, 1e-3, 1e-9])))
    return json.dumps(put(data, at, rng.choice(ODD)))


def at_an_edge(data: dict[str, Any], rng: random.Random) -> dict[str, Any]:
    """A sheet with two numbers of its plans at an end of some range."""
    for _ in range(2):
        at = rng.choice([one for one in leaves(data) if one[0] in ("plan", "master") and _is_number(data, one)])
        whole = at[-1] in ("rate_hz", "dither_seed") or at[1] == "cleaning"
        data = put(data, at, int(rng.choice(EDGES)) if whole and at[-1] != 1 else rng.choice(EDGES))
    return data


def _is_number(data: Any, at: tuple[str | int, ...]) -> bool:
    for step in at:
        data = data[step]
    return isinstance(data, int | float) and not isinstance(data, bool)
