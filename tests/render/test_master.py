"""The sum of families whose sound is known by heart: trims, the drums' peaks, the limiter, what is written."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from pathlib import Path

import numpy as np
import pytest
import soundfile  # noqa: TID251 - an outside reader of what was written

from morningmix.audio.encode import encode_mp3
from morningmix.audio.scratch import Scratch, ScratchWriter
from morningmix.dsp.control import peaks_db, step_frames, step_peaks
from morningmix.laws.loudness import OFFSET_DB
from morningmix.model.measured import SumFacts
from morningmix.model.plan import MasterPlan, Trims
from morningmix.render.families import Families
from morningmix.render.master import limiter_per_hop, master_curve_db, measure_sum, write_mp3
from morningmix.render.output import Output, SongFiles
from morningmix.units import Block
from render.made import write_master

RATE_HZ, SECONDS = 48_000, 1.0
FRAMES = round(RATE_HZ * SECONDS)
STEP = step_frames(RATE_HZ)
STEP_S = STEP / RATE_HZ


@contextmanager
def families_of(folder: Path, sounds: Mapping[str, Block]) -> Iterator[Families]:
    scratches = []
    for name, sound in sounds.items():
        scratches.append(Scratch(path=folder / f"{name}.scratch", rate_hz=RATE_HZ, channels=2, frames=FRAMES))
        with ScratchWriter(scratches[-1]) as writer:
            writer.write(sound)
    made = Families(
        names=tuple(sounds),
        rate_hz=RATE_HZ,
        frames=FRAMES,
        sound=tuple(scratches),
        gram=np.zeros((10, len(sounds), len(sounds))),
        drum_peaks_db=peaks_db(step_peaks(sounds["drums"], STEP)) if "drums" in sounds else None,
        reduction_db=(),
    )
    with closing(made):
        yield made


def level(gain: float) -> Block:
    """A constant of this height on both sides."""
    return np.full((2, FRAMES), gain, np.float32)


def tone(gain: float) -> Block:
    """1 kHz on both sides."""
    sine = gain * np.sin(2.0 * np.pi * 1_000.0 * np.arange(FRAMES) / RATE_HZ)
    return np.tile(sine, (2, 1)).astype(np.float32)


def trims(drum_peak_dbfs: float | None = None, **trims_db: float) -> Trims:
    return Trims(
        trims_db=tuple(trims_db.items()),
        drum_peak_dbfs=drum_peak_dbfs,
        drum_lookahead_s=0.002,
        drum_release_s=0.06,
        gain_db=0.0,
    )


def plan_of(wanted: Trims, gain_db: float = 0.0, ceiling_dbfs: float = -1.2) -> MasterPlan:
    return MasterPlan(
        trims=wanted,
        gain_db=gain_db,
        target_lufs=-16.0,
        ceiling_dbfs=ceiling_dbfs,
        lookahead_s=0.003,
        release_s=0.12,
        dither_seed=7,
    )


def measured(families: Families, wanted: Trims) -> SumFacts:
    return measure_sum(families, wanted, -1.2)


def written(families: Families, plan: MasterPlan, folder: Path) -> dict[str, Block]:
    """The mix and the stems as they are read back: name -> ``(2, frames)``."""
    output = Output(folder=folder)
    files = SongFiles(title="mix", mix=output, stems=Output(folder=folder / "stems"))
    paths = write_master(families, plan, measured(families, plan.trims), files)
    return {path.stem: soundfile.read(path, dtype="float32", always_2d=True)[0].T for path in paths}


def test_stems_lie_at_their_trims_and_the_masters_gain(tmp_path: Path) -> None:
    with families_of(tmp_path, {"bass": level(0.1), "vocals": level(0.2)}) as families:
        sounds = written(families, plan_of(trims(bass=6.0206), gain_db=-6.0206), tmp_path / "song")
    assert list(sounds) == ["mix", "bass", "vocals"]
    np.testing.assert_allclose(sounds["bass"], 0.1, atol=1e-5)
    np.testing.assert_allclose(sounds["vocals"], 0.1, atol=1e-5)
    np.testing.assert_allclose(sounds["mix"], 0.2, atol=1e-5)


def test_the_mp3_is_that_of_the_written_mix(tmp_path: Path) -> None:
    """It is encoded from the families, without waiting for the files."""
    wanted = trims(drum_peak_dbfs=-12.0, drums=2.0, vocals=-6.0)
    with families_of(tmp_path, {"drums": tone(0.5), "vocals": tone(0.8)}) as families:
        plan = plan_of(wanted, gain_db=6.0)
        mix = written(families, plan, tmp_path / "song")["mix"]
        curve_db = master_curve_db(measured(families, wanted), plan)
        write_mp3(families, wanted, curve_db, tmp_path / "ours.mp3", block_hops=3)
    encode_mp3([mix], tmp_path / "mix.mp3", rate_hz=RATE_HZ)
    ours, of_mix = (soundfile.read(tmp_path / f"{name}.mp3", dtype="float32")[0] for name in ("ours", "mix"))
    assert np.abs(of_mix).max() > 0.5
    # The encoder decides a little differently about a sound that differs by its dither.
    np.testing.assert_allclose(ours, of_mix, atol=2e-3)


def test_the_sum_is_measured_at_its_trims(tmp_path: Path) -> None:
    """A stereo sine of -20 dBFS at 1 kHz reads -20 LUFS (EBU Tech 3341); half as much on top is 3.5 dB more."""
    with families_of(tmp_path, {"bass": tone(0.1), "vocals": tone(0.1)}) as families:
        facts = measured(families, trims(vocals=-6.0206))
    reading = OFFSET_DB + 10.0 * np.log10(float(facts.powers[len(facts.powers) // 2 :].mean()))
    assert reading == pytest.approx(-20.0 + 20.0 * np.log10(1.5), abs=0.05)
    assert facts.sidechain_db.max() == pytest.approx(20.0 * np.log10(0.15), abs=0.02)
    assert facts.step_s == STEP_S
    assert len(facts.powers) == len(facts.sidechain_db) == -(-FRAMES // STEP)


def test_the_limiter_is_led_by_stems_that_are_louder_than_their_sum(tmp_path: Path) -> None:
    """Two that cancel each other in the mix must not clip in their own files."""
    with families_of(tmp_path, {"bass": tone(0.9), "vocals": -tone(0.8)}) as families:
        facts = measured(families, trims())
    assert facts.sidechain_db.max() == pytest.approx(20.0 * np.log10(0.9), abs=0.02)


def test_drum_peaks_are_held_just_before_and_let_go_over_their_release(tmp_path: Path) -> None:
    """A hit 12 dB over the limit: 12 dB less at the hit, a third of it after one release time, nothing long before.

    The reduction in dB falls exponentially, so after 60 ms it is 12 / e = 4.4 dB.
    """
    drums = level(0.01)
    hit = 24_000
    drums[:, hit] = 0.4
    for wanted in (trims(20.0 * np.log10(0.1)), trims(20.0 * np.log10(0.1), drums=0.0)):
        with families_of(tmp_path, {"drums": drums, "bass": level(0.01)}) as families:
            sounds = written(families, plan_of(wanted), tmp_path / "song")
        assert sounds["drums"][0, hit] == pytest.approx(0.1, rel=0.01)
        less_db = -20.0 * np.log10(sounds["drums"][0] / 0.01)
        assert np.abs(less_db[: hit - 400]).max() < 0.01
        assert less_db[hit + 2 * STEP] > 11.0
        assert less_db[hit + round(0.060 * RATE_HZ)] == pytest.approx(12.04 / np.e, abs=0.6)
        assert less_db[hit + round(0.3 * RATE_HZ)] < 0.2
        # Nobody else is turned down.
        np.testing.assert_allclose(sounds["bass"], 0.01, atol=1e-5)


def test_drums_that_are_turned_up_are_held_at_the_same_peak(tmp_path: Path) -> None:
    drums = level(0.01)
    drums[:, 24_000] = 0.2
    with families_of(tmp_path, {"drums": drums}) as families:
        sounds = written(families, plan_of(trims(-20.0, drums=6.0)), tmp_path / "song")
    assert sounds["drums"][0, 24_000] == pytest.approx(0.1, rel=0.01)
    assert sounds["drums"][0, 0] == pytest.approx(0.01 * 10.0**0.3, rel=1e-3)


def test_the_limiter_turns_all_stems_down_together(tmp_path: Path) -> None:
    bass, vocals = level(0.02), level(0.01)
    bass[:, 26_400] = 0.5
    with families_of(tmp_path, {"bass": bass, "vocals": vocals}) as families:
        plan = plan_of(trims(), gain_db=12.0412)
        sounds = written(families, plan, tmp_path / "song")
        curve_db = limiter_per_hop(measured(families, plan.trims), plan)
    assert np.abs(sounds["mix"]).max() <= 10.0 ** (-1.2 / 20.0) + 1e-6
    np.testing.assert_allclose(sounds["bass"][0, 26_500:], 2.0 * sounds["vocals"][0, 26_500:], atol=1e-5)
    assert sounds["vocals"][0, 26_400] < 0.02
    assert sounds["vocals"][0, 0] == pytest.approx(0.04, rel=1e-3)
    # The lowest gain of each tenth of a second: the peak lies in the middle of the sixth.
    assert curve_db.shape == (10,)
    assert int(curve_db.argmin()) == 5
    assert curve_db[:5].max() == curve_db[:5].min() == 0.0
    lowest_db = 20.0 * np.log10(sounds["vocals"][0].reshape(10, -1).min(axis=1) / 0.04)
    np.testing.assert_allclose(curve_db, lowest_db, atol=0.3)
