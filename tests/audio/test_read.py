"""Reading: any cut gives the same samples, at any rate, from any start; nothing is ever written."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile  # noqa: TID251 - an outside reader and writer to compare with
from hypothesis import given, settings
from hypothesis import strategies as st

import wav_bytes as wav
from morningmix.audio import read
from morningmix.audio.read import converted_frames, open_recording, read_stretch, sample_of, sha256_of
from morningmix.audio.takes import find_take, pair
from morningmix.errors import RecordingsError

LENGTH = 30_000


@pytest.fixture(scope="module", autouse=True)
def short_segments():
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(read, "_SEGMENT_FRAMES", 4_000)
        patch.setattr(read, "_DECODE_FRAMES", 3_001)
        yield


@pytest.fixture(scope="module")
def recordings(tmp_path_factory):
    """One of each: plain, stereo, paired, continued, damaged, coded, stereo coded."""
    folder = tmp_path_factory.mktemp("tracks")
    (folder / "a plain.wav").write_bytes(wav.mono(LENGTH, seed=1))
    sound = wav.noise24(LENGTH, 2, seed=2)
    (folder / "b stereo.wav").write_bytes(wav.riff(wav.fmt(channels=2), wav.chunk(b"data", wav.pcm24(sound))))
    (folder / "c left.wav").write_bytes(wav.mono(LENGTH, seed=3))
    (folder / "c right.wav").write_bytes(wav.mono(LENGTH - 777, seed=4))
    for n, start, end in ((1, 0, 11_111), (2, 11_111, 20_000), (3, 20_000, LENGTH)):
        body = wav.pcm24(wav.noise24(LENGTH, seed=5)[:, start:end])
        time = wav.bext(b"", 1000 + start)
        (folder / f"d {n}.wav").write_bytes(wav.riff(wav.fmt(), time, wav.chunk(b"data", body)))
    body = wav.pcm24(wav.noise24(LENGTH, seed=6))
    (folder / "e damaged.wav").write_bytes(wav.riff(wav.fmt(), wav.chunk(b"data", body, declared=0)))
    for name, channels in (("f coded.flac", 1), ("g coded.flac", 2)):
        soundfile.write(folder / name, wav.noise24(LENGTH, channels, seed=7).T << 8, 48_000, "PCM_24")
    take = find_take(folder)
    assert len(take.recordings) == 7
    return take.recordings


def whole(recording, rate_hz):
    with open_recording(recording, rate_hz) as reader:
        return reader.read(reader.frames)


@pytest.fixture(scope="module")
def wholes(recordings):
    return {(i, rate): whole(r, rate) for i, r in enumerate(recordings) for rate in (48_000, 44_100, 96_000, 47_000)}


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_any_cut_from_any_start_equals_the_whole(recordings, wholes, data):
    index = data.draw(st.integers(0, len(recordings) - 1))
    rate_hz = data.draw(st.sampled_from([48_000, 44_100, 96_000, 47_000]))
    start = data.draw(st.integers(0, 2 * LENGTH + 5_000))
    length = data.draw(st.none() | st.integers(0, 40_000))
    cuts = data.draw(st.lists(st.integers(0, 20_000), min_size=1, max_size=6))
    expected = wholes[index, rate_hz][:, start:][:, :length]
    expected = np.pad(expected, ((0, 0), (0, sum(cuts))))[:, : sum(cuts)]
    with open_recording(recordings[index], rate_hz, start, length) as reader:
        blocks = [reader.read(cut) for cut in cuts]
        assert reader.channels == recordings[index].channels
    for block, cut in zip(blocks, cuts, strict=True):
        assert block.dtype == np.float32
        assert block.flags.c_contiguous
        assert block.shape == (recordings[index].channels, cut)
    assert np.array_equal(np.concatenate(blocks, axis=1), expected)


def test_the_samples_are_those_of_the_files(wholes):
    for index, seed in ((0, 1), (4 - 1, 5), (4, 6), (5, 7)):
        assert np.array_equal(wholes[index, 48_000][0] * 2.0**23, wav.noise24(LENGTH, seed=seed)[0])
    assert np.array_equal(wholes[1, 48_000] * 2.0**23, wav.noise24(LENGTH, 2, seed=2))
    assert np.array_equal(wholes[6, 48_000] * 2.0**23, wav.noise24(LENGTH, 2, seed=7))
    assert np.array_equal(wholes[2, 48_000][1, : LENGTH - 777] * 2.0**23, wav.noise24(LENGTH - 777, seed=4)[0])
    assert not wholes[2, 48_000][1, LENGTH - 777 :].any()


@given(frames=st.integers(0, 10**10), rates=st.tuples(*[st.sampled_from([44_100, 48_000, 88_200, 96_000])] * 2))
def test_converted_length_is_the_nearest(frames, rates):
    assert abs(converted_frames(frames, *rates) * rates[0] - frames * rates[1]) * 2 <= rates[0]


def test_take_length_is_what_the_reader_yields(tmp_path):
    (tmp_path / "a.wav").write_bytes(wav.mono(1000, rate_hz=48_000))
    (tmp_path / "b.wav").write_bytes(wav.mono(1001, rate_hz=44_100))
    (tmp_path / "c.wav").write_bytes(wav.mono(1, rate_hz=48_000))
    take = find_take(tmp_path)
    lengths = []
    for recording in take.recordings:
        with open_recording(recording, take.rate_hz) as reader:
            lengths.append(reader.frames)
    assert take.frames == max(lengths) == 1090


@pytest.mark.parametrize(("from_hz", "to_hz"), [(44_100, 48_000), (96_000, 48_000), (48_000, 44_100), (32_000, 48_000)])
def test_a_converted_sine_is_that_sine(tmp_path, from_hz, to_hz):
    """In time, level and phase, across the edges of the segments: error under -100 dB, that is 16 bits with room."""
    tone = 0.5 * np.sin(2 * np.pi * 997 * np.arange(from_hz) / from_hz)
    soundfile.write(tmp_path / "a.wav", tone, from_hz, "FLOAT")
    (recording,) = find_take(tmp_path).recordings
    sound = whole(recording, to_hz)[0]
    expected = 0.5 * np.sin(2 * np.pi * 997 * np.arange(to_hz) / to_hz)
    inner = slice(1000, to_hz - 1000)
    assert len(sound) == to_hz
    assert np.abs(sound - expected)[inner].max() < 0.5e-5


def test_conversion_in_segments_equals_one_long_conversion(tmp_path, monkeypatch):
    soundfile.write(tmp_path / "a.wav", 0.2 * np.random.default_rng(3).standard_normal(90_000), 44_100, "FLOAT")
    (recording,) = find_take(tmp_path).recordings
    cut = whole(recording, 48_000)
    monkeypatch.setattr(read, "_SEGMENT_FRAMES", 200_000)
    # The HQ setting computes in float32 at 20 bits: -120 dB, with 10 dB of room.
    assert np.abs(cut - whole(recording, 48_000)).max() < 0.2 * 10 ** (-110 / 20) * 5


@pytest.mark.parametrize("name", ["a.wav", "a.caf"])
@pytest.mark.parametrize("subtype", ["FLOAT", "DOUBLE"])
def test_samples_that_are_not_finite_read_as_silence(tmp_path, name, subtype):
    sound = np.full((100, 2), 0.25)
    sound[10, 0], sound[20, 1], sound[30, 0] = np.nan, np.inf, -np.inf
    soundfile.write(tmp_path / name, sound, 48_000, subtype)
    (recording,) = find_take(tmp_path).recordings
    expected = np.where(np.isfinite(sound), sound, 0.0)
    assert np.array_equal(whole(recording, 48_000), expected.T)


@pytest.mark.parametrize(("name", "subtype"), [("a.wav", "FLOAT"), ("a.wav", "DOUBLE"), ("a.aiff", "FLOAT")])
def test_impossibly_large_samples_read_as_silence_and_are_counted(tmp_path, name, subtype):
    """A float recorder exceeds full scale by its trim; 1e20 is damage, and its square overflows."""
    sound = np.full(100, 0.25)
    sound[10:14] = 60.0, -60.0, 1e20, -3e38
    soundfile.write(tmp_path / name, sound, 48_000, subtype)
    (recording,) = find_take(tmp_path).recordings
    with open_recording(recording, 48_000) as reader:
        assert np.array_equal(reader.read(100)[0], np.where(np.abs(sound) <= read.LARGEST_SAMPLE, sound, 0.0))
        assert reader.broken_samples == 2


def test_a_file_that_shrinks_while_it_is_read(tmp_path):
    path = tmp_path / "kick.wav"
    path.write_bytes(wav.mono(96_000))
    (recording,) = find_take(tmp_path).recordings
    path.write_bytes(path.read_bytes()[: 44 + 3 * 72_000])
    with open_recording(recording, 48_000) as reader:
        reader.read(48_000)
        with pytest.raises(RecordingsError, match=r"kick\.wav: reading stopped at 0:0[01]"):
            reader.read(48_000)


def flac(path, frames, channels=1):
    soundfile.write(path, wav.noise24(frames, channels).T << 8, 48_000, "PCM_24")
    return bytearray(path.read_bytes())


def test_a_flac_file_cut_short_gives_all_the_sound_there_is(tmp_path):
    path = tmp_path / "kick.flac"
    path.write_bytes(flac(path, 96_000)[:150_000])
    (recording,) = find_take(tmp_path).recordings
    assert "says 0:02.0 of sound; 0:01.0 was recovered" in recording.damage[0]
    assert 45_000 < recording.frames < 96_000
    assert np.array_equal(whole(recording, 48_000)[0] * 2.0**23, wav.noise24(96_000)[0, : recording.frames])


@pytest.mark.parametrize(
    ("declared", "words"),
    [(0, "does not say how long"), ((1 << 36) - 1, "says 397:"), (96_001, "says 0:02.0 of sound")],
)
def test_a_flac_file_is_as_long_as_it_decodes(tmp_path, declared, words):
    path = tmp_path / "kick.flac"
    content = flac(path, 96_000)
    content[21:26] = (((content[21] >> 4) << 36) | declared).to_bytes(5, "big")
    path.write_bytes(content)
    (recording,) = find_take(tmp_path).recordings
    assert recording.frames == 96_000
    assert words in recording.damage[0]
    assert np.array_equal(whole(recording, 48_000)[0] * 2.0**23, wav.noise24(96_000)[0])


@pytest.mark.parametrize("channels", [1, 2])
def test_a_flac_file_is_read_around_damage_in_its_middle(tmp_path, channels):
    path = tmp_path / "kick.flac"
    content = flac(path, 96_000, channels)
    content[len(content) // 2 : len(content) // 2 + 40] = bytes(40)
    path.write_bytes(content)
    (recording,) = find_take(tmp_path).recordings
    assert (recording.frames, recording.damage) == (96_000, ())
    expected = wav.noise24(96_000, channels) * 2.0**-23
    with open_recording(recording, 48_000) as reader:
        sound = reader.read(96_000)
        assert 0 < reader.broken_samples < 40_000 * channels
    lost = (sound != expected).any(axis=0)
    assert not sound[:, lost].any()
    assert np.count_nonzero(lost) * channels == reader.broken_samples
    for start, cut in ((0, 1000), (40_000, 777), (int(np.flatnonzero(lost)[-1]), 5000), (70_000, 4096)):
        with open_recording(recording, 48_000, start) as reader:
            blocks = [reader.read(min(cut, 96_000 - at)) for at in range(start, 96_000, cut)]
        assert np.array_equal(np.concatenate(blocks, axis=1), sound[:, start:])


def test_a_failing_card_is_an_error_and_not_damage(tmp_path, monkeypatch):
    path = tmp_path / "kick.flac"
    content = flac(path, 96_000)
    content[len(content) // 2 : len(content) // 2 + 40] = bytes(40)
    path.write_bytes(content)
    (recording,) = find_take(tmp_path).recordings

    def fail(*_arguments, **_more):
        raise OSError(5, "Input/output error")

    with open_recording(recording, 48_000) as reader:
        reader.read(1000)
        monkeypatch.setattr(Path, "open", fail)
        with pytest.raises(RecordingsError, match=r"kick\.flac: reading stopped at 0:0[01]"):
            reader.read(95_000)


@pytest.mark.parametrize("name", ["a.wav", "a.flac"])
def test_a_file_that_is_gone(tmp_path, name):
    soundfile.write(tmp_path / name, np.zeros(100), 48_000, "PCM_16")
    (recording,) = find_take(tmp_path).recordings
    (tmp_path / name).unlink()
    with (
        open_recording(recording, 48_000) as reader,
        pytest.raises(RecordingsError, match=f"{name}: .* cannot be opened"),
    ):
        reader.read(10)


def test_raw_files_are_never_opened_for_writing(tmp_path, monkeypatch):
    """Same bytes, same times, in a folder without write permission; and every opening asks for reading only."""
    for name in ("OH L", "OH R", "solo"):
        (tmp_path / f"{name}.wav").write_bytes(wav.mono(5_000, rate_hz=44_100))
    soundfile.write(tmp_path / "z.flac", np.zeros(5_000), 48_000, "PCM_16")
    paths = sorted(tmp_path.iterdir())
    before = [(p.stat().st_mtime_ns, hashlib.sha256(p.read_bytes()).hexdigest()) for p in paths]
    modes = []
    original = Path.open
    monkeypatch.setattr(
        Path, "open", lambda self, mode="r", *a, **k: modes.append(mode) or original(self, mode, *a, **k)
    )
    for path in paths:
        path.chmod(0o444)
    tmp_path.chmod(0o555)
    try:
        take = pair(find_take(tmp_path), ("OH L.wav", "OH R.wav"))
        for recording in take.recordings:
            whole(recording, 48_000)
        hashes = [sha256_of(path) for path in paths]
    finally:
        tmp_path.chmod(0o755)
    assert set(modes) == {"rb"}
    assert hashes == [digest for _, digest in before]
    assert [(p.stat().st_mtime_ns, hashlib.sha256(p.read_bytes()).hexdigest()) for p in paths] == before


def test_sha256_of_nothing(tmp_path):
    with pytest.raises(RecordingsError, match=r"gone\.wav: the file cannot be read"):
        sha256_of(tmp_path / "gone.wav")


def test_a_negative_stretch_is_refused(recordings):
    with pytest.raises(ValueError, match="at or after the start"):
        open_recording(recordings[0], 48_000, -1)


@pytest.mark.parametrize("size", [0, 1, 4096, 5000, 1_000_000])
def test_samples_of_the_content_distinguish_files_of_equal_size(tmp_path: Path, size: int) -> None:
    contents = [np.random.default_rng(seed).bytes(size) for seed in (1, 2, 1)]
    for number, content in enumerate(contents):
        (tmp_path / f"{number}.wav").write_bytes(content)
    one, other, again = (sample_of(tmp_path / f"{number}.wav") for number in range(3))
    assert one == again
    assert (one != other) == (size > 0)


@pytest.mark.parametrize("rate_hz", [8_000, 12_000])
def test_a_recording_may_begin_later_in_its_take(tmp_path, rate_hz):
    sound = (0.1 * np.random.default_rng(4).standard_normal(5_000)).astype(np.float32)
    soundfile.write(tmp_path / "a.wav", sound, 8_000, subtype="FLOAT")
    recording = find_take(tmp_path).recordings[0]
    alone = read_stretch(recording, rate_hz, -2_000, 9_000)
    later = read_stretch(replace(recording, at_frame=1_500), rate_hz, -500, 10_500)
    np.testing.assert_array_equal(later, alone)
    with open_recording(replace(recording, at_frame=1_500), rate_hz) as reader:
        assert reader.frames == 1_500 + 5_000 * rate_hz // 8_000
