from __future__ import annotations

import sys

import numpy as np
import pytest

from film.made import RATE_HZ, Made, clicks, music
from morningmix.errors import RecordingsError, UsageError
from morningmix.film.clip import mono, open_clip, sound


def heard(clip, *args) -> np.ndarray:
    return np.concatenate(list(sound(clip, *args)), axis=1)


def test_a_clip_says_what_is_in_it(tmp_path):
    clip = open_clip(Made(sound=music(3.0, 2), rotation=90, sound_start_s=0.2).write(tmp_path / "clip.mp4"))

    assert (clip.name, clip.rate_hz, clip.channels) == ("clip.mp4", RATE_HZ, 2)
    assert clip.duration_s == pytest.approx(3.0, abs=0.05)
    assert clip.picture.start_s == pytest.approx(-0.2, abs=0.023), "an AAC encoder adds 1024 frames"
    assert (clip.picture.codec, clip.picture.width, clip.picture.height) == ("h264", 64, 48)
    assert clip.picture.frames_per_s == pytest.approx(25, abs=0.5)
    assert (abs(clip.picture.rotation), clip.picture.bits, clip.picture.hdr) == (90, 8, None)


def test_ten_bits_of_colour_are_seen(tmp_path):
    made = Made(
        sound=music(1.0),
        seconds=1.0,
        codec="libx265",
        pixels="yuv420p10le",
        options=(("x265-params", "log-level=0:transfer=arib-std-b67"),),
    )
    picture = open_clip(made.write(tmp_path / "clip.mov")).picture

    assert (picture.codec, picture.bits, picture.hdr) == ("hevc", 10, "HLG")


@pytest.mark.parametrize(
    ("name", "codec"),
    [("a.mp4", "aac"), ("a.mov", "pcm_s16le"), ("a.mkv", "flac"), ("a.mkv", "libopus"), ("a.ts", "aac")],
)
def test_clicks_lie_where_they_were_put_at_any_rate(tmp_path, name, codec):
    clip = open_clip(Made(sound=clicks(3.0, 0.5, 2.5), sound_codec=codec).write(tmp_path / name))

    for rate_hz in (RATE_HZ, 8_000):
        loud = np.abs(heard(clip, rate_hz))[0]
        assert loud.size == pytest.approx(clip.duration_s * rate_hz, abs=2)
        for at_s in (0.5 + clip.picture.start_s, 2.5 + clip.picture.start_s):
            near = loud[round((at_s - 0.1) * rate_hz) : round((at_s + 0.1) * rate_hz)]
            first = np.flatnonzero(near > 0.5 * near.max())[0] / rate_hz - 0.1
            assert abs(first) < 0.0015, "within AAC's blur"


def test_a_stretch_is_what_lies_there(tmp_path):
    sweep = 0.3 * np.sin(np.arange(3 * RATE_HZ) ** 2 * 2e-6).astype(np.float32)
    clip = open_clip(Made(sound=sweep[None]).write(tmp_path / "clip.mp4"))
    whole = heard(clip, RATE_HZ)

    piece = heard(clip, RATE_HZ, 1.1, 2.3)

    assert piece.shape == (1, round(1.2 * RATE_HZ))
    assert np.allclose(piece, whole[:, round(1.1 * RATE_HZ) :][:, : piece.shape[1]], atol=1e-3)


def test_missing_sound_is_silent_and_all_the_rest_keeps_its_time(tmp_path):
    path = Made(sound=clicks(3.0, 0.5, 2.5), sound_codec="pcm_s16le").write(tmp_path / "clip.mkv")
    whole = heard(open_clip(path), RATE_HZ)
    gap = tmp_path / "gap.mkv"
    without_packets(path, gap, 1.0, 1.6)

    holed = heard(open_clip(gap), RATE_HZ)

    assert holed.shape == whole.shape
    shift = np.argmax(holed[0, 2 * RATE_HZ :]) - np.argmax(whole[0, 2 * RATE_HZ :])
    assert abs(shift) <= 0.001 * RATE_HZ, "Matroska counts milliseconds"


def without_packets(path, to, start_s, stop_s):
    from film.made import av

    with av.open(str(path)) as source, av.open(str(to), "w") as target:
        streams = {each.index: target.add_stream_from_template(each) for each in source.streams}
        for packet in source.demux():
            if packet.dts is None or (
                packet.stream.type == "audio" and start_s < packet.pts * packet.time_base < stop_s
            ):
                continue
            packet.stream = streams[packet.stream.index]
            target.mux(packet)


def test_mono_is_the_mean_of_the_channels():
    both = np.stack([np.ones(5), np.zeros(5)]).astype(np.float32)

    (one,) = mono([both])

    assert one.dtype == np.float32
    assert np.array_equal(one, np.full((1, 5), 0.5, np.float32))


def test_what_is_no_film_with_sound_is_refused_in_a_line(tmp_path):
    silent = Made().write(tmp_path / "silent.mp4")
    whole = Made(sound=music(3.0)).write(tmp_path / "whole.mp4")
    (tmp_path / "cut.mp4").write_bytes(whole.read_bytes()[:2000])
    (tmp_path / "text.mp4").write_text("#EXTM3U\n#EXTINF:9,\n/etc/passwd\n" * 50)

    for name, says in (
        ("silent", "no sound track"),
        ("cut", "damaged or not a film"),
        ("text", "damaged or not a film"),
    ):
        with pytest.raises(RecordingsError, match=f"^{name}.mp4 .*{says}"):
            open_clip(tmp_path / f"{name}.mp4")
    with pytest.raises(RecordingsError, match="There is no"):
        open_clip(tmp_path / "nowhere.mp4")
    assert silent.exists()


def test_a_clip_is_never_opened_for_writing(tmp_path):
    path = Made(sound=music(1.0), seconds=1.0).write(tmp_path / "clip.mp4")
    before = path.read_bytes()
    path.chmod(0o444)

    heard(open_clip(path), 8_000)

    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


def test_without_pyav_a_line_says_what_to_install(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "av", None)

    with pytest.raises(UsageError, match=r"^Films need PyAV\. Install it with: pip install '\.\[film\]'$"):
        open_clip(tmp_path / "clip.mp4")
