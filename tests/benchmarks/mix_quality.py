"""How the mix of a scene measures up, judged by the truth and not by the program's own ears.

    python tests/benchmarks/mix_quality.py SCENE ... [--without STAGE,...]

A scene is as for ``bleed_quality.py``. It is mixed from what was recorded, and once
more from the truth with the same recipe. Loudness after BS.1770 in windows of 0.4 s, LU re the mix over the same
windows; a source plays where its truth is within 20 dB of its loud level. Prints per scene:

    lead     the vocals where the lead sings alone: energy mean; 10th, 90th percentile and lowest of its 3 s values
    families each over all windows in which it plays, and by how much that differs from the mix of the truth
    room     relative reverb loudness: mean of momentary wet minus dry (De Man, McNally, Reiss, JAES 65(1/2) 2017)
    rest     the vocals where the lead sings alone re everything else, dB
    oracle   gain and fader of each input against the mix of the truth: largest difference and whose, dB.
             The truth is cleaned too, which can cost a voice 2 dB of itself there
    drums    the drums stem over what bleed makes of it: the same plan rendered on the truth, one gain apart, dB
    octaves  RMS distance of octave levels, 62.5 Hz to 8 kHz, from those of records, dB
    crest    over 1 s, dB; lim: the limiter's loudest hundredth, dB; mono: most that a family loses in mono, dB;
             pair: by how much more a recorded pair loses than it does by itself
    estoi    extended short-time objective intelligibility where somebody sings, the clean voices as reference
             (Jensen, Taal, IEEE/ACM TASLP 24(11) 2016; ``pip install pystoi``); plain: of the plain sum

``--without`` leaves out stages one after the other (see `STAGES`), which makes the ablation table.
"""

from __future__ import annotations

import argparse
import json
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pystoi
import soundfile  # noqa: TID251 - an outside reader of what was written
from numpy.typing import NDArray
from scipy import signal

from morningmix.audio.read import read_stretch
from morningmix.audio.scratch import Scratch, recording_of
from morningmix.audio.takes import find_take
from morningmix.commands import plans
from morningmix.commands.mix import mix
from morningmix.commands.order import Order
from morningmix.commands.song import MixedSong
from morningmix.decide.spectral_balance import OCTAVES_HZ as RECORDS_HZ
from morningmix.decide.spectral_balance import wanted_octaves_db
from morningmix.files.recall import read_recall
from morningmix.laws.loudness import k_weighting
from morningmix.model.plan import SongPlan
from morningmix.render.families import frames_of, render_family

Sound = NDArray[np.float64]
FAMILY = dict.fromkeys(("kick", "snare", "tom", "hi-hat", "overhead", "room", "drum kit"), "drums")
FAMILY |= {"bass": "bass", "electric guitar": "guitars"}
FAMILY |= {"lead vocal": "vocals", "backing vocal": "vocals", "playback": "playback", "keys": "keys", "brass": "horns"}
OCTAVES_HZ = RECORDS_HZ[:8]


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("scenes", nargs="+", type=Path)
    parser.add_argument("--without", default="", help=f"any of {', '.join(STAGES)}")
    arguments = parser.parse_args()
    for scene in arguments.scenes:
        for stage in ["", *filter(None, arguments.without.split(","))]:
            with STAGES[stage]() if stage else _everything():
                print(_row(scene.resolve(), stage or "all"), flush=True)


# ---------------------------------------------------------------- stages to leave out


@contextmanager
def _everything() -> Iterator[None]:
    yield


def _changed(change: Callable[[SongPlan], SongPlan]) -> Callable[[], Any]:
    """Every plan of a run, changed before it is rendered."""

    @contextmanager
    def running() -> Iterator[None]:
        of = plans.decide_song
        plans.decide_song = lambda *evidence: change(of(*evidence))
        try:
            yield
        finally:
            plans.decide_song = of

    return running


def _tracks(**none: Any) -> Callable[[SongPlan], SongPlan]:
    return lambda plan: replace(plan, tracks=tuple(replace(track, **none) for track in plan.tracks))


DEFAULTS: list[str] = []
"""Lines of every recipe's [defaults]."""


@contextmanager
def _with_bleed() -> Iterator[None]:
    DEFAULTS.append('bleed = "off"')
    try:
        yield
    finally:
        DEFAULTS.clear()


STAGES: dict[str, Callable[[], Any]] = {
    "bleed": _with_bleed,
    "compressor": _changed(_tracks(compressor=None)),
    "room": _changed(lambda plan: _tracks(send_db=None)(replace(plan, reverb=None))),
    "ride": _changed(_tracks(ride=())),
    "cuts": _changed(
        lambda plan: replace(
            plan,
            tracks=tuple(
                replace(track, filters=tuple(planned for planned in track.filters if planned.kind != "peak"))
                for track in plan.tracks
            ),
        )
    ),
    "de-esser": _changed(_tracks(de_esser=None)),
    "gate": _changed(_tracks(gate=None)),
    "pan": _changed(_tracks(pan=0.0)),
}


# ---------------------------------------------------------------- figures


def _row(scene: Path, stage: str) -> str:
    truth = json.loads((scene / "truth.json").read_text(encoding="utf-8"))
    with tempfile.TemporaryDirectory() as folder:
        mixed, stems, dry, rate_hz = _mixed(scene / "tracks", truth, Path(folder) / "a")
        ideal, ideal_stems, *_ = _mixed(scene / "truth", truth, Path(folder) / "b")
        oracle = _oracle(Path(folder))
        drums_db = _drums_over_bleed_db(scene / "truth", stems, Path(folder))
    own = {name: _read(scene / "truth" / file)[0] for name, file in truth["files"].items()}
    plays = {name: _plays(sound, rate_hz) for name, sound in own.items()}
    whole, ideal_whole = _windows(mixed, rate_hz), _windows(ideal, rate_hz)
    count = len(whole)
    families: dict[str, NDArray[np.bool_]] = {}
    for name, role in truth["roles"].items():
        families[FAMILY[role]] = families.get(FAMILY[role], np.zeros(count, bool)) | plays[name][:count]
    told = []
    for family, where in families.items():
        if family not in stems or where.sum() < 10:
            continue
        level = _re(_windows(stems[family], rate_hz), whole, where)
        bare = _re(_windows(ideal_stems[family], rate_hz), ideal_whole, where) if family in ideal_stems else np.nan
        told.append(f"{family} {level:.1f} ({level - bare:+.1f})")
    lead = next(name for name, role in truth["roles"].items() if role == "lead vocal")
    others = [plays[name] for name, role in truth["roles"].items() if role == "backing vocal"]
    alone = plays[lead][:count] & ~np.any([one[:count] for one in others], axis=0)
    voice = _windows(stems["vocals"], rate_hz)
    lead_lu = _re(voice, whole, alone)
    ideal_lu = _re(_windows(ideal_stems["vocals"], rate_hz), ideal_whole, alone)
    often = np.convolve(families["vocals"], np.ones(30), "same") >= 24
    three_s = _db(np.convolve(voice, np.ones(30), "same") / np.convolve(whole, np.ones(30), "same"))[often]
    rest_db = _re(voice, _windows(mixed - stems["vocals"], rate_hz), alone)
    distance = float(np.std(_octaves(mixed.mean(axis=1), rate_hz) - wanted_octaves_db()[: len(OCTAVES_HZ)]))
    wet = _windows(mixed - dry, rate_hz) if dry is not None else np.zeros(count)
    heard = whole > whole.max() * 1e-3
    room = float(np.mean(_db(wet[heard]) - _db(_windows(dry, rate_hz)[heard]))) if dry is not None else np.nan
    voices = np.sum([own[name].mean(axis=1) for name, role in truth["roles"].items() if "vocal" in role], axis=0)
    plain = np.sum([_read(scene / "tracks" / file)[0].mean(axis=1) for file in truth["files"].values()], axis=0)
    sung = np.repeat(families["vocals"], rate_hz // 10)
    clear, clear_plain = (_estoi(voices, one, sung, rate_hz) for one in (mixed.mean(axis=1), plain))
    mono = max(_mono_loss_db(sound) for name, sound in stems.items() if name != "playback")
    pair = [name for name, role in truth["roles"].items() if role == "playback" and plays[name].any()]
    kept = _mono_loss_db(stems["playback"]) - _mono_loss_db(own[pair[0]]) if pair else np.nan
    return (
        f"{scene.name:10} {stage:10} lead {lead_lu:.2f} ({lead_lu - ideal_lu:+.2f}) "
        f"p10 {np.percentile(three_s, 10):.1f} p90 {np.percentile(three_s, 90):.1f} low {three_s.min():.1f} | "
        f"{' '.join(told)} | rest {rest_db:.2f} oracle {oracle} drums {drums_db:.1f} room {room:.1f} "
        f"octaves {distance:.2f} crest {_crest_db(mixed, rate_hz):.1f} lim {LIMITED[-2]:.1f} mono {mono:.1f} "
        f"pair {kept:+.2f} estoi {clear:.3f} plain {clear_plain:.3f}"
    )


def _oracle(folder: Path) -> str:
    plans_of = [read_recall(next((folder / name).rglob("recall.json"))).plan for name in ("a", "b")]
    off = [
        (round(one.gain_db + one.fader_db - other.gain_db - other.fader_db, 1), one.name)
        for one, other in zip(*(plan.tracks for plan in plans_of), strict=True)
        if one.sounds and other.sounds
    ]
    return "{:+.1f} {}".format(*max(off, key=lambda each: abs(each[0])))


def _drums_over_bleed_db(truth: Path, stems: dict[str, Sound], folder: Path) -> float:
    if "drums" not in stems:
        return np.nan
    plan = read_recall(next((folder / "a" / "mixes").rglob("recall.json"))).plan
    scratch = Scratch(path=folder / "drums", rate_hz=plan.rate_hz, channels=2, frames=frames_of(plan))
    render_family(plan, find_take(truth).recordings, "drums", scratch)
    own = read_stretch(recording_of([scratch]), plan.rate_hz, 0, scratch.frames).T.astype(np.float64)
    found = stems["drums"]
    gain = np.sum(found * own) / np.sum(found**2)
    return float(_db(np.sum(own**2) / np.sum((gain * found - own) ** 2)))


LIMITED: list[float] = []
"""What the limiter took in every mix so far."""


def _mixed(tracks: Path, truth: dict[str, Any], folder: Path) -> tuple[Sound, dict[str, Sound], Sound | None, int]:
    """The mix, its stems, and the same mix without its room."""
    folder.mkdir()
    lines = ["recipe = 1", "[rehearsal]", f"tracks = {json.dumps(tracks.as_posix())}", 'title = "take"']
    lines += ["[defaults]", *DEFAULTS]
    for name, file in truth["files"].items():
        lines += ["[[input]]", f'file = "{file}"', f'name = "{name}"', f'role = "{truth["roles"][name]}"']
    recipe = folder / "recipe.toml"
    recipe.write_text("\n".join(lines), encoding="utf-8")
    song = mix(Order(source=recipe, cwd=folder, whole=True)).songs[0]
    LIMITED.append(-float(np.percentile(song.facts.limiter_db, 1)))
    sound, rate_hz = _read(song.mix)
    stems = {path.stem: _read(path)[0] for path in sorted((song.folder / "stems").iterdir())}
    return sound, stems, _dry(song, folder), rate_hz


def _dry(song: MixedSong, folder: Path) -> Sound | None:
    """The mix with the very same plans but for the reverb, its limiter's curve apart."""
    if song.plan.reverb is None:
        return None
    sheet = song.folder / "recall.json"
    facts = json.loads(sheet.read_text(encoding="utf-8"))
    facts["plan"]["reverb"] = None
    for track in facts["plan"]["tracks"]:
        track["send_db"] = None
    dry = folder / "dry" / "mixes" / song.folder.name
    dry.mkdir(parents=True)
    shutil.copytree(folder / ".cache", folder / "dry" / ".cache")
    tracks = (song.folder / facts["tracks_folder"]).resolve()
    facts["tracks_folder"] = tracks.as_posix()
    (dry / "recall.json").write_text(json.dumps(facts), encoding="utf-8")
    (again,) = mix(Order(source=dry / "recall.json", cwd=folder)).songs
    return _read(again.mix)[0]


def _read(path: Path) -> tuple[Sound, int]:
    sound, rate_hz = soundfile.read(path, always_2d=True)
    return (sound if sound.shape[1] == 2 else np.repeat(sound, 2, axis=1)), rate_hz


def _windows(sound: Sound, rate_hz: int) -> Sound:
    """K-weighted power in windows of 0.4 s every 0.1 s, channels added."""
    weighted = signal.sosfilt(k_weighting(rate_hz), sound, axis=0) ** 2
    total = np.concatenate([[0.0], np.cumsum(weighted.sum(axis=1))])
    starts = np.arange(0, len(sound) - round(0.4 * rate_hz), rate_hz // 10)
    return np.asarray((total[starts + round(0.4 * rate_hz)] - total[starts]) / round(0.4 * rate_hz))


def _plays(sound: Sound, rate_hz: int) -> NDArray[np.bool_]:
    powers = _windows(sound, rate_hz)
    return np.asarray(powers > np.percentile(powers, 99) * 1e-2 if powers.any() else powers > 1.0)


def _db(power: Any) -> Any:
    return 10.0 * np.log10(np.maximum(power, 1e-12))


def _re(part: Sound, whole: Sound, where: NDArray[np.bool_]) -> float:
    count = min(len(part), len(whole), len(where))
    return float(_db(part[:count][where[:count]].sum() / whole[:count][where[:count]].sum()))


def _mono_loss_db(sound: Sound) -> float:
    return float(10.0 * np.log10(np.sum(sound**2) / max(2.0 * np.sum(sound.mean(axis=1) ** 2), 1e-20)))


def _octaves(sound: Sound, rate_hz: int) -> Sound:
    hz, density = signal.welch(sound, rate_hz, nperseg=8192)
    levels = [density[(hz >= at / 2**0.5) & (hz < at * 2**0.5)].sum() for at in OCTAVES_HZ]
    return np.asarray(_db(levels))


def _crest_db(sound: Sound, rate_hz: int) -> float:
    seconds = sound[: len(sound) // rate_hz * rate_hz].reshape(-1, rate_hz, 2)
    rms = np.sqrt((seconds**2).mean(axis=(1, 2)))
    loud = rms > np.percentile(rms, 90) * 0.1
    return float(np.mean(20.0 * np.log10(np.abs(seconds).max(axis=(1, 2))[loud] / rms[loud])))


def _estoi(voice: Sound, heard: Sound, sung: NDArray[np.bool_], rate_hz: int) -> float:
    count = min(len(voice), len(heard), len(sung))
    kept = sung[:count]
    return float(pystoi.stoi(voice[:count][kept], heard[:count][kept], rate_hz, extended=True))


if __name__ == "__main__":
    main()
