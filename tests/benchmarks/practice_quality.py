"""How much of a player is left in the practice mix without them, judged by the truth.

    python tests/benchmarks/practice_quality.py SCENE ...

A scene is as for ``bleed_quality.py``; every input gets a player of its own, the kit's microphones one together. The
mix and each practice mix are regressed on all truth signals together, per frequency bin with 0.3 s of filter (least
squares on short-time spectra), in two halves of alternating seconds. A player's part is what the filters of their own
truth signals give in both halves: one filter takes chance for bleed, -12 to -38 dB where nothing was left at all. With
its own sound alone in every microphone, -24 dB and less is found, for most -35 (measured; least sure for what plays a
few seconds). Steady notes that are turned down beside a player's can still count as more of that player.
Printed: that part in the mix without them against the same in the mix, dB; and the largest change of anybody who
stayed, once the level of the whole is taken out, as the median of those who stayed.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import soundfile  # noqa: TID251 - an outside reader of what was written
import soxr  # noqa: TID251 - an outside resampler
from numpy.typing import NDArray
from scipy import signal

from morningmix.commands.mix import mix
from morningmix.commands.order import Order

POINTS, HOP, RATE_HZ = 2048, 1024, 16_000
EVERY = 4
"""Of the frequency bins one in so many is judged; all of them say the same and take four times as long."""
FILTER_FRAMES = 5
"""0.3 s of hops of 64 ms."""
HALF_FRAMES = 16
"""A second; the halves take turns."""
KIT = ("kick", "snare", "tom", "hi-hat", "overhead", "room", "drum kit")


def main() -> None:
    """Print a line per player."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("scenes", nargs="+", type=Path)
    for scene in parser.parse_args().scenes:
        _judge(scene.resolve())


def _judge(scene: Path) -> None:
    truth = json.loads((scene / "truth.json").read_text(encoding="utf-8"))
    players = {name: "drummer" if role in KIT else name for name, role in truth["roles"].items()}
    with tempfile.TemporaryDirectory() as folder:
        song = _mixed(scene, truth, players, Path(folder))
        spectra = {name: _spectrum(scene / "truth" / file) for name, file in truth["files"].items()}
        whole = _parts(_spectrum(song / "take.mp3"), spectra, players)
        for player in dict.fromkeys(players.values()):
            (path, *_) = [*song.glob(f"practice/*without {player}'s *.mp3"), None]
            if path is None or not whole[player]:
                continue
            without = _parts(_spectrum(path), spectra, players)
            change = {
                name: 10.0 * np.log10(max(without[name], 1e-12) / whole[name]) for name in whole if whole[name] > 0.0
            }
            stayed = [db for name, db in change.items() if name != player]
            level = float(np.median(stayed))
            moved = max(abs(db - level) for db in stayed)
            print(f"{scene.name:10} without {player:10} {change[player] - level:6.1f} dB, others within {moved:.1f} dB")


def _mixed(scene: Path, truth: dict[str, Any], players: dict[str, str], folder: Path) -> Path:
    lines = ["recipe = 1", "[rehearsal]", f"tracks = {json.dumps((scene / 'tracks').as_posix())}", 'title = "take"']
    for name, file in truth["files"].items():
        lines += ["[[input]]", f'file = "{file}"', f'name = "{name}"', f'role = "{truth["roles"][name]}"']
        lines.append(f'player = "{players[name]}"')
    recipe = folder / "recipe.toml"
    recipe.write_text("\n".join(lines), encoding="utf-8")
    return mix(Order(source=recipe, cwd=folder, whole=True, practice=True)).songs[0].folder


def _spectrum(path: Path) -> NDArray[np.complex128]:
    sound, rate_hz = soundfile.read(path, always_2d=True)
    mono = soxr.resample(sound.mean(axis=1), rate_hz, RATE_HZ)
    return np.asarray(signal.stft(mono, RATE_HZ, nperseg=POINTS, noverlap=POINTS - HOP)[2])


def _parts(
    heard: NDArray[np.complex128], spectra: dict[str, NDArray[np.complex128]], players: dict[str, str]
) -> dict[str, float]:
    """Power of every player's part in what is heard."""
    frames = min(heard.shape[1], *(spectrum.shape[1] for spectrum in spectra.values()))
    names = list(spectra)
    powers = dict.fromkeys(players.values(), 0.0)
    for place in range(1, heard.shape[0], EVERY):
        rows = []
        for name in names:
            spectrum = spectra[name][place, :frames]
            # One frame ahead: a practice mix may come a little earlier than the truth's frame.
            rows += [
                np.concatenate((np.zeros(max(by, 0)), spectrum))[max(-by, 0) :][:frames]
                for by in range(-1, FILTER_FRAMES)
            ]
        length = min(map(len, rows))
        past, now = np.array([row[:length] for row in rows]), heard[place, :length]
        first_half = np.arange(length) // HALF_FRAMES % 2 == 0
        one, other = (_filters(past[:, half], now[half]) for half in (first_half, ~first_half))
        for player in powers:
            mine = np.repeat([players[name] == player for name in names], FILTER_FRAMES + 1)
            powers[player] += float(np.vdot(other[mine].conj() @ past[mine], one[mine].conj() @ past[mine]).real)
    return {player: max(power, 0.0) for player, power in powers.items()}


def _filters(past: NDArray[np.complex128], now: NDArray[np.complex128]) -> NDArray[np.complex128]:
    gram = past @ past.conj().T
    load = 1e-4 * np.trace(gram).real / len(gram) + 1e-12
    return np.linalg.solve(gram + load * np.eye(len(gram)), past @ now.conj())


if __name__ == "__main__":
    main()
