"""How much bleed goes and how much of the own sound stays, where the truth is known.

    python tests/benchmarks/bleed_quality.py SCENE ... [--methods gate,full]

A scene is a folder with ``tracks/`` (what was recorded), ``truth/`` (the same files, each microphone's own sound alone,
in the same scale) and ``truth.json`` with ``files`` (name -> file) and ``roles`` (name -> role). Everything but the
bleed is left alone. Prints, per voice or drum and method, over frames of 50 ms:

    sdr      own sound over all that differs from it, before and after, dB
    recall   share of frames with audible own sound that keep its level within 3 dB
    drop     change of level where the own source is silent, dB, counted to -40
    SDR, SIR, SAR   of mir_eval (Vincent, Gribonval, Fevotte, IEEE TASLP 14(4) 2006; 512 taps), own against the rest

Needs ``pip install mir_eval``.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import warnings
from pathlib import Path

import mir_eval
import numpy as np
import soundfile  # noqa: TID251 - an outside reader of what was written
from numpy.typing import NDArray

from morningmix.commands.mix import mix
from morningmix.commands.order import Order
from morningmix.files.recall import read_recall

Sound = NDArray[np.float64]


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("scenes", nargs="+", type=Path)
    parser.add_argument("--methods", default="gate,mask,full")
    arguments = parser.parse_args()
    print(f"{'scene':16} {'input':10} {'method':6}   sdr in ->  out  recall   drop    SDR   SIR   SAR")
    for scene in arguments.scenes:
        truth = json.loads((scene / "truth.json").read_text(encoding="utf-8"))
        for method in arguments.methods.split(","):
            for name, sound in _cleaned(scene.resolve(), truth, method).items():
                recorded, own = (_mono(scene / kind / truth["files"][name])[0] for kind in ("tracks", "truth"))
                _print_row(scene.name, name, method, recorded, own, sound[: len(own)])


def _cleaned(scene: Path, truth: dict[str, dict[str, str]], method: str) -> dict[str, Sound]:
    """The voices and drums as they are written with ``--tracks``, their gain taken back."""
    with tempfile.TemporaryDirectory() as folder:
        lines = ["recipe = 1", "[rehearsal]", f"tracks = {json.dumps(scene.as_posix() + '/tracks')}", 'title = "take"']
        lines += ["[defaults]", f'bleed = "{method}"']
        lines += [f'{stage} = "off"' for stage in ("compress", "eq", "high_pass", "align", "repair")]
        for name, file in truth["files"].items():
            lines += ["[[input]]", f'file = "{file}"', f'name = "{name}"', f'role = "{truth["roles"][name]}"']
        recipe = Path(folder) / "recipe.toml"
        recipe.write_text("\n".join(lines), encoding="utf-8")
        song = mix(Order(source=recipe, cwd=Path(folder), tracks=True)).songs[0].folder
        plan = read_recall(song / "recall.json").plan
        return {
            track.name: _mono(song / "tracks" / f"{track.name}.wav")[0] * 10.0 ** (-track.gain_db / 20.0)
            for track in plan.tracks
            if track.cleaned or "vocal" in track.role
        }


def _mono(path: Path) -> tuple[Sound, int]:
    sound, rate_hz = soundfile.read(path, always_2d=True)
    return sound.mean(axis=1), rate_hz


def _energies(sound: Sound, other: Sound) -> Sound:
    frame = 2400
    count = len(sound) // frame
    return np.asarray((sound[: count * frame] * other[: count * frame]).reshape(count, frame).sum(axis=1))


def _print_row(scene: str, name: str, method: str, recorded: Sound, own: Sound, sound: Sound) -> None:
    bleed = recorded - own
    mine, theirs = _energies(own, own), _energies(bleed, bleed)
    sings = (mine > 1e-3 * np.percentile(mine, 99)) & (mine > 0.1 * theirs)
    near = np.convolve(mine > 1e-4 * np.percentile(mine, 99), np.ones(11), "same") > 0
    silent = ~near & (theirs > 1e-4 * np.percentile(theirs, 95))
    recall = float(np.mean(_energies(sound, own)[sings] / mine[sings] > 10.0 ** (-3.0 / 20.0)))
    drop = _db(_energies(sound, sound)[silent].sum() / _energies(recorded, recorded)[silent].sum())
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", FutureWarning)
        sdr, sir, sar, _ = mir_eval.separation.bss_eval_sources(
            np.stack([own, bleed]), np.stack([sound, recorded - sound + 1e-9]), compute_permutation=False
        )
    print(
        f"{scene:16} {name:10} {method:6} {_db(_ratio(own, recorded)):8.1f} -> {_db(_ratio(own, sound)):5.1f} "
        f"{recall:7.3f} {max(drop, -40.0):6.1f} {sdr[0]:6.1f} {sir[0]:5.1f} {sar[0]:5.1f}",
        flush=True,
    )


def _ratio(own: Sound, sound: Sound) -> float:
    return float(np.sum(own**2) / np.sum((sound - own) ** 2))


def _db(power: float) -> float:
    return float(10.0 * np.log10(max(power, 1e-12)))


if __name__ == "__main__":
    main()
