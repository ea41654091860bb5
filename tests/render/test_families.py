"""From tracks to families, from families to mix and stems."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Literal

import numpy as np
import pytest
import soundfile  # noqa: TID251 - an outside reader of what was written
from numpy.typing import NDArray

from lanes import lane_here, lane_of
from morningmix.audio.read import read_stretch
from morningmix.audio.scratch import recording_of
from morningmix.audio.takes import find_take
from morningmix.decide.master import UNDER_CEILING_DB, decide_master, mix_loudness, reachable_lufs
from morningmix.dsp.control import loudness_hop_frames, peaks_db, step_frames, step_peaks
from morningmix.dsp.meter import LoudnessMeter
from morningmix.laws.limiting import limiter_gain_db
from morningmix.model.measured import SumFacts
from morningmix.model.plan import Compressor, Filter, Gate, Move, Reverb, SongPlan, TrackPlan, Trims
from morningmix.model.recording import Recording
from morningmix.render.families import Families, measure_gram
from morningmix.render.master import limiter_per_hop, measure_part, measure_sum, sum_parts, trimmed
from morningmix.render.output import Bits, FileFormat, Output, SongFiles
from morningmix.units import Block, db_to_gain
from render.made import render_families, write_master
from synthetic import write_take

RATE_HZ = 48_000
SECONDS = 6.0
FAMILY = {
    "kick": "drums",
    "snare": "drums",
    "overhead": "drums",
    "bass": "bass",
    "guitar 1": "guitars",
    "guitar 2": "guitars",
    "lead vocal": "vocals",
    "backing vocal": "vocals",
}
SQUEEZE = Compressor(threshold_db=-30.0, ratio=3.0, knee_db=6.0, attack_s=0.006, release_s=0.1, max_reduction_db=8.0)


def into(folder: Path, bits: Bits = 24, file_format: FileFormat = "wav") -> SongFiles:
    mix = Output(folder=folder, bits=bits, file_format=file_format)
    return SongFiles(title="Song", mix=mix, stems=replace(mix, folder=folder / "stems"))


@pytest.fixture(scope="module")
def recordings(tmp_path_factory: pytest.TempPathFactory) -> tuple[Recording, ...]:
    folder = tmp_path_factory.mktemp("take")
    write_take(folder, SECONDS, RATE_HZ)
    return find_take(folder).recordings


def song(recordings: tuple[Recording, ...], **changes: object) -> SongPlan:
    tracks = []
    for index, recording in enumerate(recordings):
        name = recording.files[0].removesuffix(".wav")
        sings = FAMILY[name] == "vocals"
        tracks.append(
            TrackPlan(
                files=recording.files,
                name=name,
                role="other",
                role_is_guess=False,
                family=FAMILY[name],
                gain_db=-3.0 + index,
                filters=(Filter(kind="high_pass", corner_hz=60.0),),
                gate=Gate(open_s=((0.4, 1.6), (3.4, 4.6)), floor_db=-20.0, ramp_s=0.06) if sings else None,
                compressor=SQUEEZE if index % 2 else None,
                fader_db=-2.0 * index / 3.0,
                pan=(index - 3.5) / 5.0,
                send_db=-12.0 if name in ("snare", "lead vocal") else None,
                moves=(Move(from_s=1.0, to_s=2.0, level_db=2.0, ramp_s=0.3),) if name == "bass" else (),
            )
        )
    plan = SongPlan(
        title="Song",
        start_s=0.0,
        end_s=SECONDS,
        rate_hz=RATE_HZ,
        tracks=tuple(tracks),
        reverb=Reverb(room=0.45, damping=0.5, low_cut_hz=200.0),
        target_lufs=-16.0,
        ceiling_dbtp=-1.0,
        max_limiting_db=3.0,
    )
    return replace(plan, **changes)  # type: ignore[arg-type]


def sounds(families: Families) -> list[Block]:
    return [read_stretch(recording_of([one]), one.rate_hz, 0, one.frames) for one in families.sound]


def trims(**trims_db: float) -> Trims:
    return Trims(
        trims_db=tuple(trims_db.items()),
        drum_peak_dbfs=None,
        drum_lookahead_s=0.002,
        drum_release_s=0.06,
        gain_db=0.0,
    )


def loudness(block: Block) -> float:
    meter = LoudnessMeter(RATE_HZ, 2)
    meter.update(block)
    reading = meter.result().integrated_lufs
    assert reading is not None
    return reading


# ---------------------------------------------------------------- families


@pytest.mark.slow
def test_neither_blocks_nor_workers_show(recordings: tuple[Recording, ...], tmp_path: Path) -> None:
    plan = song(recordings, start_s=0.037, end_s=5.911)
    with lane_of(3) as three:
        one = lane_here()
        first = render_families(plan, recordings, tmp_path)
        with closing(first):
            reference = sounds(first)
            for lane, block_hops in ((three, 1), (one, 7), (three, 20), (three, 1_000)):
                other = render_families(plan, recordings, tmp_path, lane=lane, block_hops=block_hops)
                with closing(other):
                    assert other.names == first.names == ("drums", "bass", "guitars", "vocals")
                    for left, right in zip(sounds(other), reference, strict=True):
                        np.testing.assert_array_equal(left, right)
                    np.testing.assert_array_equal(other.gram, first.gram)
                    assert first.drum_peaks_db is not None
                    assert other.drum_peaks_db is not None
                    np.testing.assert_array_equal(other.drum_peaks_db, first.drum_peaks_db)
                    for (name, left_db), (also, right_db) in zip(other.reduction_db, first.reduction_db, strict=True):
                        assert name == also
                        np.testing.assert_array_equal(left_db, right_db)


def test_gram_is_the_loudness_of_each_family_and_of_any_sum(recordings: tuple[Recording, ...], tmp_path: Path) -> None:
    with closing(render_families(song(recordings), recordings, tmp_path)) as families:
        blocks = sounds(families)
        count = len(blocks)
        assert families.gram.shape == (60, count, count)
        np.testing.assert_allclose(families.gram, families.gram.transpose(0, 2, 1), rtol=1e-9)
        for index, block in enumerate(blocks):
            only = np.eye(count)[index]
            assert mix_loudness(families.gram, only) == pytest.approx(loudness(block), abs=0.01)
        gains = np.array([0.7, 1.3, -0.5, 2.0])
        total = sum(
            (np.float32(gain) * block for gain, block in zip(gains, blocks, strict=True)), np.zeros_like(blocks[0])
        )
        assert mix_loudness(families.gram, gains) == pytest.approx(loudness(total), abs=0.01)
        drums = blocks[families.names.index("drums")]
        assert families.drum_peaks_db is not None
        np.testing.assert_array_equal(families.drum_peaks_db, peaks_db(step_peaks(drums, step_frames(RATE_HZ))))


def test_a_family_is_the_sum_of_its_tracks(recordings: tuple[Recording, ...], tmp_path: Path) -> None:
    plan = song(recordings, reverb=None)
    with closing(render_families(plan, recordings, tmp_path)) as families:
        whole = dict(zip(families.names, sounds(families), strict=True))
    parts: dict[str, list[Block]] = {}
    for index, track in enumerate(plan.tracks):
        alone = replace(
            plan, tracks=tuple(t if i == index else replace(t, family="") for i, t in enumerate(plan.tracks))
        )
        with closing(render_families(alone, recordings, tmp_path)) as one:
            assert one.names == (track.family,)
            parts.setdefault(track.family, []).append(sounds(one)[0])
    for name, block in whole.items():
        np.testing.assert_allclose(block, np.sum(parts[name], axis=0), atol=1e-6)


def test_the_room_is_added_only_where_something_is_sent(recordings: tuple[Recording, ...], tmp_path: Path) -> None:
    wet, dry = song(recordings), song(recordings, reverb=None)
    with (
        closing(render_families(wet, recordings, tmp_path)) as one,
        closing(render_families(dry, recordings, tmp_path)) as other,
    ):
        for name, left, right in zip(one.names, sounds(one), sounds(other), strict=True):
            assert (name in ("drums", "vocals")) != bool(np.array_equal(left, right))


def test_cleaned_tracks_are_written_before_fader_and_pan(recordings: tuple[Recording, ...], tmp_path: Path) -> None:
    plan = song(recordings)
    bare = replace(plan, tracks=tuple(replace(t, fader_db=-60.0, pan=1.0, moves=()) for t in plan.tracks))
    files = []
    for number, one in enumerate((plan, bare)):
        output = Output(folder=tmp_path / str(number))
        render_families(one, recordings, tmp_path, tracks_output=output).close()
        files.append({path.name: path.read_bytes() for path in sorted(output.folder.iterdir())})
    assert set(files[0]) == {f"{track.name}.wav" for track in plan.tracks}
    assert files[0] == files[1]


def test_tracks_of_names_that_clash_have_a_file_each(recordings: tuple[Recording, ...], tmp_path: Path) -> None:
    plan = song(recordings)
    names = ["kick/in", "kick:in", "Kick-IN?", *(track.name for track in plan.tracks[3:])]
    clashing = replace(
        plan, tracks=tuple(replace(track, name=name) for track, name in zip(plan.tracks, names, strict=True))
    )
    output = Output(folder=tmp_path / "tracks")
    render_families(clashing, recordings, tmp_path, tracks_output=output).close()
    sounding = [name for track, name in zip(plan.tracks, names, strict=True) if track.sounds]
    assert len(list(output.folder.iterdir())) == len(sounding)
    assert {"kick-in.wav", "kick-in 2.wav", "Kick-IN 3.wav"} <= {path.name for path in output.folder.iterdir()}


def test_a_song_without_any_input(recordings: tuple[Recording, ...], tmp_path: Path) -> None:
    plan = song(recordings)
    empty = replace(plan, tracks=tuple(replace(track, family="") for track in plan.tracks))
    with closing(render_families(empty, recordings, tmp_path)) as families:
        assert families.names == ()
        assert families.drum_peaks_db is None
        assert families.gram.shape == (60, 0, 0)
        facts = measure_sum(families, trims(), -1.2)
        master = replace(decide_master(empty, trims(), facts, -16.0), gain_db=0.0)
        (mix,) = write_master(families, master, facts, into(tmp_path))
    assert integers(mix, 24).shape == (round(SECONDS * RATE_HZ), 2)
    assert not integers(mix, 24).any()


def plain(recordings: tuple[Recording, ...], *names: str, **changes: object) -> SongPlan:
    """A plan that leaves these tracks as they are, hard left, and nothing else in the mix."""
    plan = song(recordings, reverb=None)
    bare = [
        TrackPlan(files=one.files, name=one.name, role="other", role_is_guess=False,
                  family=one.family if one.name in names else "", pan=-1.0)
        for one in plan.tracks
    ]  # fmt: skip
    return replace(plan, tracks=tuple(bare), **changes)  # type: ignore[arg-type]


def recorded(recordings: tuple[Recording, ...], name: str) -> NDArray[np.float32]:
    """What a track's file holds, ``(frames,)``."""
    path = next(recording.parts[0].path for recording in recordings if recording.files == (f"{name}.wav",))
    return np.asarray(soundfile.read(path, dtype="float32")[0], np.float32)


def test_a_family_is_what_was_recorded_in_its_polarity(recordings: tuple[Recording, ...], tmp_path: Path) -> None:
    plan = plain(recordings, "guitar 1", "guitar 2", start_s=1.0, end_s=3.5)
    with closing(render_families(plan, recordings, tmp_path)) as families:
        assert families.names == ("guitars",)
        assert families.frames == 120_000
        (left, right) = sounds(families)[0]
    both = recorded(recordings, "guitar 1") + recorded(recordings, "guitar 2")
    np.testing.assert_allclose(left, both[48_000:168_000], atol=1e-6)
    assert not right.any()


@pytest.mark.parametrize("block_hops", [1, 20])
def test_a_song_fades_in_and_out_along_half_a_cosine(
    recordings: tuple[Recording, ...], tmp_path: Path, block_hops: int
) -> None:
    """Raised cosine, 0.5 - 0.5 cos(pi x): half the height in the middle of a fade; between the two nothing changes."""
    plan = plain(recordings, "guitar 1", start_s=1.0, end_s=4.0, fade_in_s=0.25, fade_out_s=0.5)
    with closing(render_families(plan, recordings, tmp_path, block_hops=block_hops)) as families:
        faded = sounds(families)[0][0].astype(np.float64)
    sound = recorded(recordings, "guitar 1")[48_000:192_000].astype(np.float64)
    fade_in = 0.5 - 0.5 * np.cos(np.pi * (np.arange(12_000) + 0.5) / 12_000)
    fade_out = (0.5 - 0.5 * np.cos(np.pi * (np.arange(24_000) + 0.5) / 24_000))[::-1]
    np.testing.assert_allclose(faded[:12_000], sound[:12_000] * fade_in, atol=1e-6)
    np.testing.assert_array_equal(faded[12_000:-24_000], sound[12_000:-24_000])
    np.testing.assert_allclose(faded[-24_000:], sound[-24_000:] * fade_out, atol=1e-6)


def test_without_fades_a_song_begins_and_ends_at_its_level(recordings: tuple[Recording, ...], tmp_path: Path) -> None:
    for fade_in_s, fade_out_s in ((0.0, 0.0), (0.1, 0.0), (0.0, 0.1)):
        plan = plain(recordings, "guitar 1", end_s=1.0, fade_in_s=fade_in_s, fade_out_s=fade_out_s)
        with closing(render_families(plan, recordings, tmp_path, block_hops=3)) as families:
            faded = sounds(families)[0][0]
        sound = recorded(recordings, "guitar 1")[:RATE_HZ]
        assert np.array_equal(faded[:4_800], sound[:4_800]) == (not fade_in_s)
        assert np.array_equal(faded[-4_800:], sound[-4_800:]) == (not fade_out_s)


@pytest.mark.parametrize("tilt_db", [2.0, -1.5])
def test_a_tilt_lifts_the_lows_and_lowers_the_highs_of_every_family(
    recordings: tuple[Recording, ...], tmp_path: Path, tilt_db: float
) -> None:
    names = ("bass", "overhead")
    by_tilt = {}
    for tilted_db in (0.0, tilt_db):
        with closing(render_families(plain(recordings, *names, tilt_db=tilted_db), recordings, tmp_path)) as families:
            assert families.names == ("drums", "bass")
            by_tilt[tilted_db] = [np.abs(np.fft.rfft(block[0].astype(np.float64))) ** 2 for block in sounds(families)]
    hz = np.fft.rfftfreq(round(SECONDS * RATE_HZ), 1.0 / RATE_HZ)
    for place, low_hz, high_hz, gain_db in ((1, 20.0, 90.0, tilt_db), (0, 6_000.0, 15_000.0, -tilt_db)):
        inside = (hz > low_hz) & (hz < high_hz)
        before, after = (float(by_tilt[each][place][inside].sum()) for each in (0.0, tilt_db))
        assert 10.0 * np.log10(after / before) == pytest.approx(gain_db, abs=0.25)


def test_lows_of_a_panned_input_are_in_the_middle(recordings: tuple[Recording, ...], tmp_path: Path) -> None:
    sides = {}
    for below_hz in (None, 120.0):
        plan = plain(recordings, "bass", mono_below_hz=below_hz)
        plan = replace(plan, tracks=tuple(replace(track, pan=0.5) for track in plan.tracks))
        with closing(render_families(plan, recordings, tmp_path)) as families:
            left, right = sounds(families)[0].astype(np.float64)
        spectrum = np.abs(np.fft.rfft(left - right)) ** 2
        hz = np.fft.rfftfreq(len(left), 1.0 / RATE_HZ)
        sides[below_hz] = [spectrum[(hz > low) & (hz < high)].sum() for low, high in ((20.0, 90.0), (300.0, 2_000.0))]
    (low, high), (low_mono, high_mono) = sides[None], sides[120.0]
    assert 10.0 * np.log10(low_mono / low) < -18.0
    assert high_mono == pytest.approx(high, rel=0.02)


def test_the_drums_peaks_are_measured_after_the_fade_and_only_for_drums(
    recordings: tuple[Recording, ...], tmp_path: Path
) -> None:
    with closing(render_families(plain(recordings, "bass"), recordings, tmp_path)) as families:
        assert families.drum_peaks_db is None
        assert families.reduction_db == ()
    plan = plain(recordings, "kick", fade_in_s=0.5)
    with closing(render_families(plan, recordings, tmp_path, block_hops=3)) as families:
        assert families.drum_peaks_db is not None
        expected = peaks_db(step_peaks(sounds(families)[0], step_frames(RATE_HZ)))
        np.testing.assert_array_equal(families.drum_peaks_db, expected)


def test_twice_as_much_sent_is_twice_the_room(recordings: tuple[Recording, ...], tmp_path: Path) -> None:
    room = Reverb(room=0.45, damping=0.5, low_cut_hz=200.0)
    wet = []
    dry_plan = plain(recordings, "snare", "kick")
    with closing(render_families(dry_plan, recordings, tmp_path)) as families:
        dry = sounds(families)[0]
    for send_db in (-12.0, -5.9794):
        tracks = tuple(replace(t, send_db=send_db if t.name == "snare" else None) for t in dry_plan.tracks)
        plan = replace(dry_plan, tracks=tracks, reverb=room)
        with closing(render_families(plan, recordings, tmp_path)) as families:
            wet.append(sounds(families)[0] - dry)
    assert np.abs(wet[0]).max() > 1e-3
    np.testing.assert_allclose(wet[1], 2.0 * wet[0], atol=2e-5)


# ---------------------------------------------------------------- master


@pytest.fixture(scope="module")
def families(recordings: tuple[Recording, ...], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Families]:
    rendered = render_families(song(recordings), recordings, tmp_path_factory.mktemp("f"))
    with closing(rendered):
        yield rendered


def measured(families: Families, plan: SongPlan, wanted: Trims) -> tuple[Trims, SumFacts]:
    """Trims with their gain, and the sum at these."""
    gains = np.array([db_to_gain(dict(wanted.trims_db).get(name, 0.0)) for name in families.names])
    sum_lufs = mix_loudness(families.gram, gains)
    assert sum_lufs is not None
    wanted = replace(wanted, gain_db=plan.target_lufs - sum_lufs)
    return wanted, measure_sum(families, wanted, plan.ceiling_dbtp - UNDER_CEILING_DB)


def integers(path: Path, bits: int) -> NDArray[np.int64]:
    """What a file holds, ``(frames, channels)``."""
    read, _ = soundfile.read(path, dtype="int32", always_2d=True)
    return read.astype(np.int64) >> (32 - bits)


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("file_format", ["wav", "flac"])
def test_the_mix_is_the_sum_of_its_stems(
    families: Families,
    recordings: tuple[Recording, ...],
    tmp_path: Path,
    bits: Literal[16, 24],
    file_format: Literal["wav", "flac"],
) -> None:
    plan = song(recordings)
    wanted, facts = measured(families, plan, trims(drums=1.5, vocals=-2.0))
    master = decide_master(plan, wanted, facts, plan.target_lufs)
    mix, *stems = write_master(
        families,
        master,
        facts,
        into(tmp_path, bits=bits, file_format=file_format),
    )
    assert [path.stem for path in stems] == list(families.names)
    total = sum((integers(path, bits) for path in stems), np.zeros((1, 2), np.int64))
    np.testing.assert_array_equal(integers(mix, bits), total)
    assert total.shape == (round(SECONDS * RATE_HZ), 2)
    assert np.abs(total).max() > 1 << (bits - 4)


@pytest.mark.parametrize("target_lufs", [-20.0, -16.0, -12.0])
def test_loudness_and_true_peak_are_what_was_promised(
    families: Families,
    recordings: tuple[Recording, ...],
    tmp_path: Path,
    target_lufs: float,
) -> None:
    plan = song(recordings, target_lufs=target_lufs)
    wanted, facts = measured(families, plan, trims())
    master = decide_master(plan, wanted, facts, target_lufs)
    mix, *_ = write_master(families, master, facts, into(tmp_path))
    sound, _ = soundfile.read(mix, dtype="float32", always_2d=True)
    meter = LoudnessMeter(RATE_HZ, 2)
    meter.update(np.ascontiguousarray(sound.T))
    reading = meter.result()
    assert reading.integrated_lufs == pytest.approx(target_lufs, abs=0.1)
    assert reading.true_peak_dbtp is not None
    assert reading.true_peak_dbtp <= plan.ceiling_dbtp
    limited = limiter_per_hop(facts, master)
    assert limited.shape == (60,)
    assert np.all(limited <= 0.0)
    # The last one squeezes drum hits far harder than any mix is allowed to.
    assert (limited.min() < -9.0) == (target_lufs == -12.0)


def test_every_stem_has_a_dither_of_its_own(recordings: tuple[Recording, ...], tmp_path: Path) -> None:
    # The same dither in all stems would add up to more noise in the mix than theirs together.
    plan = song(recordings, reverb=None)
    plan = replace(plan, tracks=tuple(replace(track, fader_db=-200.0) for track in plan.tracks))
    with closing(render_families(plan, recordings, tmp_path)) as silent:
        facts = measure_sum(silent, trims(), -1.2)
        master = replace(decide_master(plan, trims(), facts, -16.0), gain_db=0.0)
        _, *stems = write_master(silent, master, facts, into(tmp_path, bits=16))
    noises = np.stack([integers(path, 16)[:, 0] for path in stems]).astype(np.float64)
    assert np.abs(np.corrcoef(noises) - np.eye(len(stems))).max() < 0.02


def test_neither_blocks_nor_workers_show_in_the_files(
    families: Families, recordings: tuple[Recording, ...], tmp_path: Path
) -> None:
    plan = song(recordings)
    wanted, facts = measured(families, plan, replace(trims(drums=1.0), drum_peak_dbfs=-12.0))
    written = []
    for number, (workers, block_hops) in enumerate(((1, 20), (3, 7), (2, 1))):
        again = measure_sum(families, wanted, plan.ceiling_dbtp - UNDER_CEILING_DB, block_hops)
        np.testing.assert_array_equal(again.sidechain_db, facts.sidechain_db)
        np.testing.assert_array_equal(again.powers, facts.powers)
        master = decide_master(plan, wanted, again, plan.target_lufs)
        folder = tmp_path / str(number)
        with lane_of(workers) as lane:
            paths = write_master(families, master, again, into(folder), lane=lane, block_hops=block_hops)
        written.append([path.read_bytes() for path in paths])
    assert written[0] == written[1] == written[2]


def test_a_sum_that_is_measured_in_parts_is_that_of_the_whole(
    families: Families, recordings: tuple[Recording, ...]
) -> None:
    wanted, facts = measured(families, song(recordings), replace(trims(drums=1.0), drum_peak_dbfs=-12.0))
    # Peaks between samples count everywhere.
    stems, threshold = trimmed(families, wanted), 0.0
    parts = [measure_part(stems, families.rate_hz, families.frames, threshold, (hop, hop + 1), 7) for hop in range(60)]
    whole = measure_part(stems, families.rate_hz, families.frames, threshold, (0, 60))
    np.testing.assert_array_equal(whole[1], facts.powers)
    np.testing.assert_array_equal(np.concatenate([sidechain_db for sidechain_db, _ in parts]), whole[0])
    np.testing.assert_allclose(np.concatenate([powers for _, powers in parts]), whole[1], rtol=1e-6, atol=1e-15)


def test_a_long_song_has_four_parts_that_follow_one_another(families: Families) -> None:
    assert sum_parts(families) == [(0, 60)]
    long = replace(families, frames=round(130.05 * families.rate_hz))
    assert sum_parts(long) == [(0, 325), (325, 650), (650, 975), (975, 1301)]


def test_powers_of_the_sum_are_its_loudness(families: Families, recordings: tuple[Recording, ...]) -> None:
    _, facts = measured(families, song(recordings), trims(bass=3.0))
    gains = dict.fromkeys(families.names, 1.0) | {"bass": db_to_gain(3.0)}
    total = sum(
        (np.float32(gains[name]) * block for name, block in zip(families.names, sounds(families), strict=True)),
        np.zeros((2, families.frames), np.float32),
    )
    per_hop = facts.powers.reshape(-1, facts.steps_per_hop).mean(axis=1, dtype=np.float64)
    assert facts.steps_per_hop == loudness_hop_frames(RATE_HZ) // step_frames(RATE_HZ)
    assert mix_loudness(per_hop[:, None, None], np.ones(1)) == pytest.approx(loudness(total), abs=0.01)
    # The key is never under any sample of the sum.
    assert np.all(facts.sidechain_db >= peaks_db(step_peaks(total, step_frames(RATE_HZ))) - 1e-3)


def test_the_drums_peaks_are_held(families: Families, recordings: tuple[Recording, ...], tmp_path: Path) -> None:
    assert families.drum_peaks_db is not None
    held_dbfs = float(families.drum_peaks_db.max()) + 1.0 - 2.5
    plan = song(recordings)
    peak_db = {}
    for name, wanted in (
        ("free", trims(drums=1.0)),
        ("held", replace(trims(drums=1.0), drum_peak_dbfs=held_dbfs)),
    ):
        _, facts = measured(families, plan, wanted)
        # A target so low that the master's limiter has nothing to do; its gain is taken out again.
        master = replace(decide_master(plan, wanted, facts, -40.0), gain_db=-12.0)
        _, *stems = write_master(families, master, facts, into(tmp_path / name))
        sound, _ = soundfile.read(stems[0])
        peak_db[name] = 20.0 * float(np.log10(np.abs(sound).max())) + 12.0
    assert peak_db["free"] == pytest.approx(held_dbfs + 2.5, abs=0.01)
    assert peak_db["held"] <= held_dbfs + 0.01
    assert peak_db["held"] > held_dbfs - 0.5


# ---------------------------------------------------------------- how loud it can be


def test_a_lower_target_only_where_limiting_would_pass_its_bound(
    families: Families, recordings: tuple[Recording, ...]
) -> None:
    for target_lufs in (-30.0, -20.0):
        plan = song(recordings, target_lufs=target_lufs)
        assert reachable_lufs(plan, *measured(families, plan, trims())) == target_lufs
    plan = song(recordings, target_lufs=-9.0)
    wanted, facts = measured(families, plan, trims())
    reached = reachable_lufs(plan, wanted, facts)
    assert reached < -9.0
    assert reached == pytest.approx(round(reached, 1), abs=1e-9)
    # What was found needs no more than the bound, and a little more would.
    for target_lufs, fits in ((reached, True), (reached + 0.2, False)):
        gain_db = decide_master(plan, wanted, facts, target_lufs).gain_db
        assert (limiting_db(facts, gain_db) <= plan.max_limiting_db) == fits
    reasons = {reason.what for reason in decide_master(plan, wanted, facts, reached).reasons}
    assert "target_lufs" in reasons


def limiting_db(facts: SumFacts, gain_db: float) -> float:
    """Reduction that one hundredth of the time in which something sounds passes at this gain."""
    curve = limiter_gain_db(
        facts.sidechain_db + np.float32(gain_db), -1.0 - UNDER_CEILING_DB, 0.003, 0.12, facts.step_s
    )
    return -float(np.percentile(curve[facts.sidechain_db > facts.sidechain_db.max() - 40.0], 1.0))


def test_families_compared_in_pieces_give_what_they_give_in_one(
    recordings: tuple[Recording, ...], tmp_path: Path
) -> None:
    plan = song(recordings)
    with closing(render_families(plan, recordings, tmp_path)) as families:
        late = measure_gram(plan, families.sound, 30, 60)
    # The tail of K-weighting's high-pass has fallen by far more than this in the second before.
    np.testing.assert_allclose(late, families.gram[30:], rtol=1e-6, atol=1e-12)
