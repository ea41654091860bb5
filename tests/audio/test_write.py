"""Written files hold exactly the given samples; errors are one clear line."""

from __future__ import annotations

import struct
from contextlib import contextmanager

import numpy as np
import pytest
import soundfile  # noqa: TID251 - an outside reader
from hypothesis import given, settings
from hypothesis import strategies as st

from morningmix.audio import write
from morningmix.audio.encode import encode_mp3
from morningmix.audio.write import IntegerWriter
from morningmix.errors import OutputError


def noise(bits, channels, frames, seed=0):
    limit = 1 << (bits - 1)
    sound = np.random.default_rng(seed).integers(-limit, limit, (channels, frames), dtype=np.int32)
    sound[0, : min(2, frames)] = [-limit, limit - 1][: min(2, frames)]
    return sound


def cut(sound, lengths):
    """`sound` in blocks of these lengths, the rest as the last."""
    start = 0
    for length in lengths:
        yield sound[:, start : start + length]
        start += length
    yield sound[:, start:]


@contextmanager
def disk_of(size):
    """No file may grow beyond `size` bytes."""
    resource = pytest.importorskip("resource", reason="limits are set the POSIX way")
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


# ---------------------------------------------------------------- WAV and FLAC


@settings(max_examples=40, deadline=None)
@given(
    bits=st.sampled_from([16, 24]),
    channels=st.integers(1, 2),
    file_format=st.sampled_from(["wav", "flac"]),
    frames=st.integers(1, 40_000),
    lengths=st.lists(st.integers(0, 20_000), max_size=4),
)
def test_the_file_holds_exactly_what_was_given(tmp_path_factory, bits, channels, file_format, frames, lengths):
    folder = tmp_path_factory.mktemp("out")
    sound = noise(bits, channels, frames)
    for name, blocks in (("cut", cut(sound, lengths)), ("whole", [sound])):
        with IntegerWriter(
            folder / name, rate_hz=48_000, channels=channels, frames=frames, bits=bits, file_format=file_format
        ) as writer:
            for block in blocks:
                writer.write(block)
    assert (folder / "cut").read_bytes() == (folder / "whole").read_bytes()
    told = soundfile.info(folder / "cut")
    assert (told.samplerate, told.channels, told.frames, told.subtype) == (48_000, channels, frames, f"PCM_{bits}")
    assert told.format == file_format.upper()
    back, _ = soundfile.read(folder / "cut", dtype="int32", always_2d=True)
    assert np.array_equal(back.T >> (32 - bits), sound)


@pytest.mark.parametrize("frames", [0, 1, 7, 8])
def test_wav_sizes_add_up_with_a_pad_byte_and_when_less_came(tmp_path, frames):
    path = tmp_path / "a.wav"
    with IntegerWriter(path, rate_hz=44_100, channels=1, frames=100, bits=24) as writer:
        writer.write(noise(24, 1, frames))
    content = path.read_bytes()
    assert len(content) % 2 == 0
    assert struct.unpack_from("<I", content, 4)[0] == len(content) - 8
    assert struct.unpack_from("<I", content, 40)[0] == 3 * frames
    assert soundfile.info(path).frames == frames


def test_over_four_gigabytes_is_rf64_from_the_start(tmp_path):
    frames = (1 << 32) // 6 + 1
    path = tmp_path / "a.wav"
    writer = IntegerWriter(path, rate_hz=48_000, channels=2, frames=frames)
    head = path.read_bytes()
    writer.close()
    assert (head[:4], head[8:16]) == (b"RF64", b"WAVEds64")
    assert struct.unpack_from("<QQQ", head, 20) == (len(head) - 8 + 6 * frames, 6 * frames, frames)
    with IntegerWriter(path, rate_hz=48_000, channels=2, frames=(1 << 32) // 6 - 100):
        assert path.read_bytes()[:4] == b"RIFF"


def test_rf64_reads_back(tmp_path, monkeypatch):
    monkeypatch.setattr(write, "_RIFF_LIMIT_BYTES", 1000)
    sound = noise(24, 2, 501)
    with IntegerWriter(tmp_path / "a.wav", rate_hz=48_000, channels=2, frames=501) as writer:
        writer.write(sound)
    assert soundfile.info(tmp_path / "a.wav").format == "RF64"
    back, _ = soundfile.read(tmp_path / "a.wav", dtype="int32")
    assert np.array_equal(back.T >> 8, sound)


@pytest.mark.parametrize(
    ("bits", "sound", "words"),
    [
        (16, np.full((2, 5), 1 << 15, np.int32), "between -32768 and 32767"),
        (24, np.full((2, 5), -(1 << 23) - 1, np.int32), "between -8388608 and 8388607"),
        (24, np.zeros((1, 5), np.int32), "2 channels of int32"),
        (24, np.zeros((2, 5), np.float32), "2 channels of int32"),
        (24, np.zeros((2, 11), np.int32), "more frames than announced"),
    ],
)
def test_samples_that_do_not_fit_the_file_are_refused(tmp_path, bits, sound, words):
    with (
        IntegerWriter(tmp_path / "a.wav", rate_hz=48_000, channels=2, frames=10, bits=bits) as writer,
        pytest.raises(ValueError, match=words),
    ):
        writer.write(sound)


@pytest.mark.parametrize("file_format", ["wav", "flac"])
def test_a_disk_that_is_full(tmp_path, file_format):
    path = tmp_path / "stems.out"
    with (
        disk_of(100_000),
        pytest.raises(OutputError, match=r"stems\.out cannot be written: .*\.$"),
        IntegerWriter(path, rate_hz=48_000, channels=2, frames=480_000, file_format=file_format) as writer,
    ):
        writer.write(noise(24, 2, 480_000))


@pytest.mark.parametrize("file_format", ["wav", "flac"])
def test_a_folder_that_is_not_there(tmp_path, file_format):
    with pytest.raises(OutputError, match="cannot be written"):
        IntegerWriter(tmp_path / "no" / "a", rate_hz=48_000, channels=1, frames=1, file_format=file_format)


def test_reasons_in_words(tmp_path):
    assert "the disk is full" in str(write.cannot_write(tmp_path / "a", OSError(28, "No space left on device")))
    assert "no permission" in str(write.cannot_write(tmp_path / "a", PermissionError(13, "Permission denied")))


# ---------------------------------------------------------------- MP3


def music(rate_hz, frames):
    time = np.arange(frames) / rate_hz
    left = 0.4 * np.sin(2 * np.pi * 330 * time) + 0.2 * np.sin(2 * np.pi * 1000 * time)
    return np.stack([left, left[::-1]]).astype(np.float32)


@settings(max_examples=8, deadline=None)
@given(lengths=st.lists(st.integers(0, 9_000), max_size=5), rate_hz=st.sampled_from([44_100, 48_000, 96_000]))
def test_mp3_has_the_same_bytes_however_it_is_cut(tmp_path_factory, lengths, rate_hz):
    folder = tmp_path_factory.mktemp("mp3")
    sound = music(rate_hz, 40_000)
    encode_mp3(cut(sound, [*lengths, 2]), folder / "cut.mp3", rate_hz=rate_hz)
    encode_mp3([sound], folder / "whole.mp3", rate_hz=rate_hz)
    assert (folder / "cut.mp3").read_bytes() == (folder / "whole.mp3").read_bytes()


@pytest.mark.parametrize(
    ("rate_hz", "mp3_hz"),
    [(44_100, 44_100), (48_000, 48_000), (88_200, 44_100), (96_000, 48_000), (192_000, 48_000), (32_000, 32_000)],
)
def test_mp3_plays_the_same_sound_for_the_same_time(tmp_path, rate_hz, mp3_hz):
    encode_mp3([music(rate_hz, 2 * rate_hz)], tmp_path / "a.mp3", rate_hz=rate_hz)
    back, rate = soundfile.read(tmp_path / "a.mp3")
    assert (rate, back.shape) == (mp3_hz, (2 * mp3_hz, 2))
    expected = music(mp3_hz, 2 * mp3_hz).T
    inner = slice(2_000, -2_000)
    residual = np.sum((back - expected)[inner] ** 2) / np.sum(expected[inner] ** 2)
    assert residual < 10 ** (-25 / 10)  # design choice: 25 dB tells the same sound in time and level from any other


@pytest.mark.parametrize("frames", [1, 2, 3])
def test_mp3_of_next_to_nothing(tmp_path, frames):
    encode_mp3([np.zeros((2, frames), np.float32)], tmp_path / "a.mp3", rate_hz=48_000)
    assert soundfile.info(tmp_path / "a.mp3").channels == 2


def test_mp3_on_a_full_disk_or_nowhere(tmp_path):
    sound = np.random.default_rng(0).uniform(-0.5, 0.5, (2, 480_000)).astype(np.float32)
    with disk_of(50_000), pytest.raises(OutputError, match=r"a\.mp3 cannot be written"):
        encode_mp3(cut(sound, [100_000] * 4), tmp_path / "a.mp3", rate_hz=48_000)
    with pytest.raises(OutputError, match="cannot be written"):
        encode_mp3([sound], tmp_path / "no" / "a.mp3", rate_hz=48_000)


def test_an_error_before_the_encoder_is_raised_unchanged(tmp_path):
    def blocks():
        yield np.zeros((2, 10), np.float32)
        raise RuntimeError("elsewhere")

    with pytest.raises(RuntimeError, match="elsewhere"):
        encode_mp3(blocks(), tmp_path / "a.mp3", rate_hz=48_000)
