"""Practice mixes: who is left out of them, and what is left of those in other microphones."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import soundfile  # noqa: TID251 - an outside writer of the files under test
from numpy.typing import NDArray

from morningmix.audio.header import read_header
from morningmix.audio.read import read_stretch
from morningmix.audio.scratch import Scratch, ScratchWriter, recording_of
from morningmix.commands.practice import practice_mixes, without_bleed
from morningmix.model.plan import Cleaning, Gate, SongPlan, TrackPlan
from morningmix.model.recording import Recording

RATE_HZ = 32_000
SECONDS = 24.0
CLEANING = Cleaning(targets=((3, True),), references=(0, 1, 2, 3))


def track(name: str, family: str, player: str | None, *, cleaned: bool = False, gate: Gate | None = None) -> TrackPlan:
    return TrackPlan(
        files=(f"{name}.wav",),
        name=name,
        role=name,
        role_is_guess=False,
        family=family,
        player=player,
        cleaned=cleaned,
        gate=gate,
    )


def song(tracks: Sequence[TrackPlan], *, start_s: float = 0.0, cleaning: Cleaning | None = CLEANING) -> SongPlan:
    return SongPlan(
        title="Song",
        start_s=start_s,
        end_s=start_s + SECONDS,
        rate_hz=RATE_HZ,
        target_lufs=-16.0,
        ceiling_dbtp=-1.0,
        max_limiting_db=3.0,
        tracks=tuple(tracks),
        reverb=None,
        cleaning=cleaning,
    )


def test_players_whose_names_clash_have_a_file_each() -> None:
    players = ["A/B", "A-B", "a-b", "without A-B"]
    tracks = [track(player, "guitars", player) for player in players]
    names = [practice.name for practice in practice_mixes(song(tracks))]
    assert len({name.casefold() for name in names}) == 2 * len(players)
    assert names[:4] == ["without A-B", "A-B up", "without A-B 2", "A-B up 2"]


def test_only_inputs_without_bleed_are_removed_from_the_drums() -> None:
    tracks = [
        track("kick", "drums", "Ole"),
        track("bass", "bass", "Ida"),
        track("guitar", "guitars", "Uma"),
        track("lead vocal", "vocals", "Uma", cleaned=True),
        track("trumpet", "horns", "Nils", gate=Gate(open_s=(), floor_db=-12.0, ramp_s=0.1)),
    ]
    gone = {practice.name: practice.gone for practice in practice_mixes(song(tracks))}
    assert gone == {
        "without Ole": (),
        "Ole up": (),
        "without Ida": (1,),
        "Ida up": (),
        "without Uma": (2,),
        "Uma up": (),
        "without Nils": (),
        "Nils up": (),
    }
    # Who wants no bleed subtracted from voices wants none subtracted here.
    assert not any(practice.gone for practice in practice_mixes(song(tracks, cleaning=None)))
    assert not any(practice.gone for practice in practice_mixes(song(tracks[1:])))
    one_man = [replace(track, player="Ole") for track in tracks[:2]]
    assert not any(
        practice.gone for practice in practice_mixes(song([*one_man, *tracks[2:]])) if "Ole" in practice.name
    )


def played(seed: int, seconds: float, per_second: float) -> NDArray[np.float64]:
    """Noise that comes and goes as notes do."""
    rng = np.random.default_rng(seed)
    frames = round(seconds * RATE_HZ)
    level = np.repeat(rng.random(round(seconds * per_second) + 1) ** 3, round(RATE_HZ / per_second))[:frames]
    return 0.3 * level * rng.standard_normal(frames)


def room(seed: int) -> NDArray[np.float64]:
    """The way from an amplifier to an overhead: some milliseconds, then a short decay."""
    rng = np.random.default_rng(seed)
    frames = round(0.06 * RATE_HZ)
    answer = 0.1 * rng.standard_normal(frames) * np.exp(-np.arange(frames) / (0.015 * RATE_HZ))
    answer[: round(0.005 * RATE_HZ)] = 0.0
    return answer


def test_an_amplifier_is_removed_from_the_overhead_and_the_kit_stays(tmp_path: Path) -> None:
    start_s, frames = 2.0, round(SECONDS * RATE_HZ)
    begin = round(start_s * RATE_HZ)
    guitar, kit = played(1, SECONDS + 4.0, 3.0), played(2, SECONDS + 4.0, 5.0)
    bleed = np.stack([np.convolve(guitar, room(seed))[: len(guitar)] for seed in (3, 4)])
    # The guitar's own microphone hears a little of the kit.
    soundfile.write(tmp_path / "guitar.wav", guitar + 0.1 * kit, RATE_HZ, subtype="FLOAT")
    gone = Recording(lanes=((read_header(tmp_path / "guitar.wav"),),))
    there = (np.stack((kit, kit)) + bleed)[:, begin : begin + frames].astype(np.float32)
    drums, quiet = (
        Scratch(path=tmp_path / name, rate_hz=RATE_HZ, channels=2, frames=frames) for name in ("drums", "quiet")
    )
    with ScratchWriter(drums) as writer:
        writer.write(there)
    plan = song([track("guitar", "", "Uma"), track("overhead", "drums", "Ole")], start_s=start_s)
    without_bleed(drums, quiet, plan, [gone])
    np.testing.assert_array_equal(read_stretch(recording_of([drums]), RATE_HZ, 0, frames), there)
    assert quiet.path.stat().st_size == drums.path.stat().st_size
    heard = read_stretch(recording_of([quiet]), RATE_HZ, 0, frames)
    own = np.stack((kit, kit))[:, begin : begin + frames]
    left, was = heard - own, bleed[:, begin : begin + frames]
    assert 10.0 * np.log10(np.sum(left**2) / np.sum(was**2)) < -10.0
    # Level of the kit by regression: it is neither lost nor raised.
    gain = np.sum(heard * own) / np.sum(own**2)
    assert abs(20.0 * np.log10(gain)) < 0.3
