"""Takes found in a folder of raw tracks."""

from __future__ import annotations

import struct
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile  # noqa: TID251 - files of other kinds come from libsndfile, an outside writer
from hypothesis import given, settings
from hypothesis import strategies as st

import wav_bytes as wav
from morningmix.audio.read import open_recording
from morningmix.audio.takes import find_take, pair
from morningmix.errors import RecordingsError


def put(folder: Path, **files: bytes) -> Path:
    for name, content in files.items():
        (folder / f"{name}.wav").write_bytes(content)
    return folder


def only(folder: Path):
    take = find_take(folder)
    assert len(take.recordings) == 1
    return take.recordings[0]


def samples(recording) -> np.ndarray:
    with open_recording(recording, recording.rate_hz) as reader:
        return reader.read(recording.frames)


# ---------------------------------------------------------------- names


def test_exact_spelling_pairs_first(tmp_path):
    for name in ("Keys L", "keys L", "keys R", "PAD l", "pad R"):
        put(tmp_path, **{name: wav.mono(100)})
    files = {recording.files for recording in find_take(tmp_path).recordings}
    assert files == {("Keys L.wav",), ("keys L.wav", "keys R.wav"), ("PAD l.wav", "pad R.wav")}


# ---------------------------------------------------------------- kinds of files


@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE", "ALAW"])
@pytest.mark.parametrize("kind", ["WAV", "WAVEX", "RF64"])
@pytest.mark.parametrize("channels", [1, 2])
def test_every_width_and_header_reads_as_libsndfile_reads_it(tmp_path, subtype, kind, channels):
    sound = np.random.default_rng(1).uniform(-1, 1, (1234, channels))
    path = tmp_path / "one.wav"
    soundfile.write(path, sound, 44_100, subtype, format=kind)
    recording = only(tmp_path)
    part = recording.parts[0]
    assert (part.rate_hz, part.channels, part.frames, part.subtype) == (44_100, channels, 1234, subtype)
    assert part.damage is None
    expected, _ = soundfile.read(path, dtype="float32", always_2d=True)
    assert np.array_equal(samples(recording), expected.T)


@pytest.mark.parametrize(
    ("name", "kind", "subtype"),
    [
        ("a.w64", "W64", "PCM_24"),
        ("a.aif", "AIFF", "PCM_24"),
        ("a.aifc", "AIFF", "FLOAT"),
        ("a.caf", "CAF", "PCM_16"),
        ("a.flac", "FLAC", "PCM_24"),
    ],
)
@pytest.mark.parametrize("channels", [1, 2])
def test_other_kinds_of_files(tmp_path, name, kind, subtype, channels):
    sound = np.random.default_rng(1).uniform(-1, 1, (1234, channels))
    soundfile.write(tmp_path / name, sound, 48_000, subtype, format=kind)
    recording = only(tmp_path)
    assert recording.frames == 1234
    expected, _ = soundfile.read(tmp_path / name, dtype="float32", always_2d=True)
    assert np.array_equal(samples(recording), expected.T)


def test_extensible_header_and_odd_chunks_before_the_sound(tmp_path):
    sound = wav.noise24(100, 2)
    junk = wav.chunk(b"JUNK", bytes(27))
    put(tmp_path, a=wav.riff(junk, wav.extensible(96_000, 2, 3), junk, wav.chunk(b"data", wav.pcm24(sound)), junk))
    recording = only(tmp_path)
    assert (recording.rate_hz, recording.channels, recording.damage) == (96_000, 2, ())
    assert np.array_equal(samples(recording) * 2.0**23, sound)


def test_names_and_time_inside_the_file(tmp_path):
    put(
        tmp_path,
        a=wav.mono(
            10, extra=(wav.bext(b"Recorder take 4", 123_456_789_012), wav.ixml("Lead &amp; low"), wav.info(b"no"))
        ),
        b=wav.mono(10, extra=(wav.bext(b"Floor tom\r\nsecond line"), wav.info(b"no"))),
        c=wav.mono(10) + wav.info("Grüße".encode()),
        d=wav.mono(10, extra=(wav.bext(b"sSPEED=025\r\nsTRK1=Snare\r\n"),)),
        e=wav.mono(10),
    )
    recordings = find_take(tmp_path).recordings
    assert [r.embedded_name for r in recordings] == ["Lead & low", "Floor tom", "Grüße", "Snare", None]
    assert recordings[0].parts[0].time_reference == 123_456_789_012
    assert recordings[4].parts[0].time_reference is None


def test_name_inside_aiff_and_flac(tmp_path):
    for name in ("a.aiff", "b.flac"):
        with soundfile.SoundFile(tmp_path / name, "w", 48_000, 1, "PCM_16") as sound:
            sound.title = "Kick in"
            sound.write(np.zeros(10))
    assert [r.embedded_name for r in find_take(tmp_path).recordings] == ["Kick in", "Kick in"]


def test_natural_order_and_what_is_passed_over(tmp_path):
    put(tmp_path, **{"input 10": wav.mono(9), "Input 2": wav.mono(9), "._input 2": b"x", ".hidden": b"x"})
    (tmp_path / "notes.txt").write_text("set list")
    (tmp_path / "folder.wav").mkdir()
    take = find_take(tmp_path)
    assert [r.files for r in take.recordings] == [("Input 2.wav",), ("input 10.wav",)]
    assert take.left_out == ()


# ---------------------------------------------------------------- damage

BODY = wav.pcm24(wav.noise24(96_000))  # two seconds


@pytest.mark.parametrize(
    ("content", "frames", "words"),
    [
        (
            wav.riff(wav.fmt(), wav.chunk(b"data", BODY, declared=0)),
            96_000,
            "says 0:00.0 of sound; 0:02.0 was recovered",
        ),
        (wav.riff(wav.fmt(), wav.chunk(b"data", BODY, declared=0), size=0), 96_000, "0:02.0 was recovered"),
        (wav.riff(wav.fmt(), wav.chunk(b"data", BODY, declared=0xFFFFFFFF)), 96_000, "does not say how long"),
        (wav.riff(wav.fmt(), wav.chunk(b"data", BODY, declared=864_000)), 96_000, "says 0:06.0 of sound; 0:02.0"),
        (wav.riff(wav.fmt(), wav.chunk(b"data", BODY, declared=72_000)), 96_000, "says 0:00.5 of sound; 0:02.0"),
        (wav.riff(wav.fmt(), wav.chunk(b"data", BODY), size=7), 96_000, "wrong file size"),
        (wav.riff(wav.fmt(), wav.chunk(b"data", BODY[:-1])), 95_999, "last sample is cut off"),
        (wav.riff(wav.fmt(), wav.chunk(b"data", BODY))[:-1], 95_999, "the rest is missing"),
        (wav.rf64(wav.fmt(), wav.chunk(b"data", BODY, declared=0xFFFFFFFF), data_bytes=0), 96_000, "0:02.0 was recov"),
        (wav.riff(wav.fmt(), wav.chunk(b"data", BODY, declared=0xFFFFFFFF), form=b"RF64"), 96_000, "does not say"),
    ],
)
def test_damaged_headers_give_all_the_sound_there_is(tmp_path, content, frames, words):
    put(tmp_path, a=content)
    recording = only(tmp_path)
    assert recording.frames == frames
    assert recording.parts[0].data_offset_bytes is not None
    assert words in recording.damage[0]
    assert np.array_equal(samples(recording)[0] * 2.0**23, wav.noise24(96_000)[0, :frames])


@pytest.mark.parametrize(
    "content",
    [
        wav.riff(wav.fmt(), wav.chunk(b"data", BODY[:27], pad=False), wav.info(b"Bass")),
        wav.riff(wav.fmt(), wav.chunk(b"JUNK", bytes(5), pad=False), wav.info(b"Bass"), wav.chunk(b"data", BODY[:27])),
        wav.riff(wav.fmt(), wav.info(b"Bass"), wav.chunk(b"data", BODY[:27], pad=False)),
        wav.riff(wav.fmt(), wav.info(b"Bass"), wav.chunk(b"data", BODY[:27])) + b"TAG" + bytes(125),
    ],
)
def test_missing_pad_bytes_and_stray_tags_do_no_harm(tmp_path, content):
    put(tmp_path, a=content)
    recording = only(tmp_path)
    assert (recording.frames, recording.embedded_name, recording.damage) == (9, "Bass", ())
    assert np.array_equal(samples(recording)[0] * 2.0**23, wav.noise24(96_000)[0, :9])


def test_a_length_that_overflowed_four_gigabytes(tmp_path):
    data_bytes = (1 << 32) + 6_000_000
    head = wav.riff(wav.fmt(sample_bytes=2), b"data" + struct.pack("<I", data_bytes % (1 << 32)))
    wav.sparse(tmp_path / "long.wav", len(head) + data_bytes, head)
    with (tmp_path / "long.wav").open("ab") as file:
        file.write(wav.info(b"Bass"))
    recording = only(tmp_path)
    assert (recording.frames, recording.embedded_name) == (data_bytes // 2, "Bass")
    assert len(recording.damage) == 1


def test_healthy_rf64_over_four_gigabytes(tmp_path):
    data_bytes = (1 << 32) + 602  # a whole number of 24-bit samples
    head = wav.rf64(wav.fmt(), b"data" + struct.pack("<I", 0xFFFFFFFF), data_bytes=data_bytes)
    ds64 = struct.pack("<Q", len(head) - 8 + data_bytes)
    head = head[:20] + ds64 + head[28:]
    wav.sparse(tmp_path / "long.wav", len(head) + data_bytes, head)
    recording = only(tmp_path)
    assert (recording.frames, recording.damage) == (data_bytes // 3, ())


def test_what_cannot_be_used_is_left_out_with_its_reason(tmp_path):
    put(
        tmp_path,
        good=wav.mono(100),
        empty=b"",
        text=b"set list: first the slow one, then the fast one",
        nodata=wav.riff(wav.fmt()),
        nofmt=wav.riff(wav.chunk(b"data", BODY[:99])),
        mad=wav.riff(wav.fmt(rate_hz=0), wav.chunk(b"data", BODY[:99])),
        four=wav.riff(wav.fmt(channels=4), wav.chunk(b"data", BODY[:120])),
    )
    (tmp_path / "rough.mp3").write_bytes(b"x")
    names = ["empty", "text", "nodata", "nofmt", "mad", "four"]
    # Making links needs rights on Windows.
    if sys.platform != "win32":
        (tmp_path / "gone.wav").symlink_to(tmp_path / "nowhere.wav")
        names.append("gone")
    take = find_take(tmp_path)
    assert [r.files for r in take.recordings] == [("good.wav",)]
    reasons = dict(line.split(": ", 1) for line in take.left_out)
    assert reasons.keys() == {f"{name}.wav" for name in names} | {"rough.mp3"}
    assert "0 bytes" in reasons["empty.wav"]
    assert "not a sound file" in reasons["text.wav"]
    assert "4 channels" in reasons["four.wav"]
    assert "No such file" in reasons.get("gone.wav", "No such file")


@pytest.mark.parametrize(
    ("kind", "subtype", "words"),
    [
        ("OGG", "VORBIS", "compressed sound"),
        ("MP3", "MPEG_LAYER_III", "compressed sound"),
        ("SDS", "PCM_16", "it holds SDS sound; save it again as WAV"),
    ],
)
def test_formats_are_recognised_by_content(tmp_path, kind, subtype, words):
    put(tmp_path, good=wav.mono(10))
    soundfile.write(tmp_path / "other.aiff", np.zeros(5000), 48_000, subtype, format=kind)
    (reason,) = find_take(tmp_path).left_out
    assert reason.startswith("other.aiff: ")
    assert words in reason


def test_a_file_without_permission(tmp_path, monkeypatch):
    put(tmp_path, good=wav.mono(10), locked=wav.mono(10))
    original = Path.open

    def refuse(self, *args, **kwargs):
        if self.name == "locked.wav":
            raise PermissionError(13, "Permission denied")
        return original(self, *args, **kwargs)

    monkeypatch.setattr(Path, "open", refuse)
    assert find_take(tmp_path).left_out == ("locked.wav: the file cannot be read (Permission denied)",)


@pytest.mark.parametrize("cut", [0, 3, 11, 12, 20, 30, 43, 44, 45, 47, 60])
def test_a_file_cut_anywhere_never_ends_in_a_crash(tmp_path, cut):
    put(tmp_path, a=wav.mono(100)[:cut], good=wav.mono(10))
    take = find_take(tmp_path)
    assert len(take.recordings) + len(take.left_out) == 2
    assert all(r.frames == max(0, cut - 44) // 3 for r in take.recordings if r.files == ("a.wav",))


@settings(max_examples=150, deadline=None)
@given(
    places=st.lists(st.tuples(st.integers(0, 1100), st.integers(0, 255)), max_size=8),
    extra=st.sampled_from([(), (wav.bext(b"Kick", 9), wav.ixml("Kick")), (wav.info(b"Kick"),)]),
    length=st.none() | st.integers(0, 1300),
    wide=st.booleans(),
)
def test_no_header_however_mangled_ends_in_a_crash(tmp_path_factory, places, extra, length, wide):
    form = wav.extensible(48_000, 1, 3) if wide else wav.fmt()
    content = bytearray(wav.riff(form, *extra, wav.chunk(b"data", BODY[:300]), wav.info(b"Kick")))
    for place, value in places:
        content[place % len(content)] = value
    folder = put(tmp_path_factory.mktemp("mangled"), a=bytes(content[:length]))
    try:
        take = find_take(folder)
    except RecordingsError:
        return
    assert take.recordings[0].frames * take.recordings[0].channels <= len(content)
    assert np.isfinite(samples(take.recordings[0])).all()


def test_nothing_usable(tmp_path):
    put(tmp_path, text=b"not sound")
    with pytest.raises(RecordingsError, match=r"text\.wav: not a sound file"):
        find_take(tmp_path)


def test_empty_folder_missing_folder_and_a_file_for_a_folder(tmp_path):
    with pytest.raises(RecordingsError, match="no recordings in"):
        find_take(tmp_path)
    with pytest.raises(RecordingsError, match="There is no folder"):
        find_take(tmp_path / "nowhere")
    (tmp_path / "a.wav").write_bytes(wav.mono(9))
    with pytest.raises(RecordingsError, match="is a file"):
        find_take(tmp_path / "a.wav")


def test_an_input_without_a_single_sample(tmp_path):
    put(tmp_path, a=wav.mono(0), b=wav.mono(9), c=wav.riff(wav.fmt(), wav.chunk(b"data", b""), wav.info(b"Bass")))
    take = find_take(tmp_path)
    assert [(r.frames, r.damage) for r in take.recordings] == [(0, ()), (9, ()), (0, ())]
    (tmp_path / "b.wav").unlink()
    with pytest.raises(RecordingsError, match=r"a\.wav, c\.wav"):
        find_take(tmp_path)


def test_more_inputs_than_can_be_mixed_are_refused(tmp_path):
    put(tmp_path, **{f"input {number}": wav.mono(9) for number in range(1, 65)}, **{"oh L": wav.mono(9)})
    with pytest.raises(RecordingsError, match=r"are 65 inputs in .*; at most 64 can be mixed together\. Move"):
        find_take(tmp_path)
    (tmp_path / "input 64.wav").rename(tmp_path / "oh R.wav")
    assert len(find_take(tmp_path).recordings) == 64


# ---------------------------------------------------------------- rates


def test_most_common_rate_then_the_highest(tmp_path):
    put(tmp_path, a=wav.mono(441, rate_hz=44_100), b=wav.mono(96, rate_hz=48_000))
    take = find_take(tmp_path)
    assert (take.rate_hz, take.frames) == (48_000, 480)
    put(tmp_path, c=wav.mono(95, rate_hz=44_100))
    take = find_take(tmp_path)
    assert (take.rate_hz, take.frames) == (44_100, 441)


# ---------------------------------------------------------------- pairs


@pytest.mark.parametrize(
    ("left", "right"), [("OH L", "OH R"), ("keys-left", "keys-right"), ("Oh_l", "oh_r"), ("room.L", "room.R")]
)
def test_two_sides_of_a_pair(tmp_path, left, right):
    put(tmp_path, **{right: wav.mono(90, seed=2), left: wav.mono(100, seed=1), "zz": wav.mono(5)})
    recording = find_take(tmp_path).recordings[0]
    assert recording.files == (f"{left}.wav", f"{right}.wav")
    assert (recording.channels, recording.frames) == (2, 100)
    sound = samples(recording) * 2.0**23
    assert np.array_equal(sound[0], wav.noise24(100, seed=1)[0])
    assert np.array_equal(sound[1], np.pad(wav.noise24(90, seed=2)[0], (0, 10)))


def test_what_is_no_pair(tmp_path):
    put(
        tmp_path,
        **{"a L": wav.mono(100), "a R": wav.mono(100, rate_hz=44_100)},
        **{"b L": wav.mono(100), "b R": wav.mono(96_000)},
        **{"c L": wav.mono(100), "d R": wav.mono(100), "cellar": wav.mono(100), "cella l": wav.mono(100)},
        **{"e L": wav.mono(100), "e R": wav.riff(wav.fmt(channels=2), wav.chunk(b"data", BODY[:600]))},
    )
    assert all(len(r.lanes) == 1 for r in find_take(tmp_path).recordings)


def test_a_pair_by_order(tmp_path):
    put(tmp_path, a=wav.mono(10), b=wav.mono(10), c=wav.mono(10))
    put(tmp_path, d=wav.riff(wav.fmt(channels=2), wav.chunk(b"data", BODY[:60])), e=wav.mono(10, rate_hz=44_100))
    take = find_take(tmp_path)
    paired = pair(take, ("c.wav", "a.wav"))
    assert [r.files for r in paired.recordings] == [("b.wav",), ("c.wav", "a.wav"), ("d.wav",), ("e.wav",)]
    assert pair(paired, ("c.wav", "a.wav")) == paired
    assert [r.files for r in pair(paired, ("b.wav", "c.wav")).recordings][:2] == [("b.wav", "c.wav"), ("a.wav",)]
    for files, words in {
        ("a.wav", "x.wav"): r"x\.wav is not among",
        ("a.wav", "d.wav"): r"d\.wav is stereo already",
        ("a.wav", "e.wav"): "sample rates differ",
        ("a.wav", "a.wav"): "both sides",
    }.items():
        with pytest.raises(RecordingsError, match=words):
            pair(take, files)


# ---------------------------------------------------------------- continued files


def test_continued_by_time_reference(tmp_path):
    put(
        tmp_path,
        kick_1=wav.mono(100, seed=1, extra=(wav.bext(b"Kick", 5000),)),
        kick_2=wav.mono(70, seed=2, extra=(wav.bext(b"Kick", 5100),)),
        kick_3=wav.mono(30, seed=3, extra=(wav.bext(b"Kick", 5170),)),
        kick_4=wav.mono(30, seed=3, extra=(wav.bext(b"Kick", 5201),)),
        kick_6=wav.mono(30, seed=3, extra=(wav.bext(b"Kick", 5231),)),
    )
    recordings = find_take(tmp_path).recordings
    assert [[p.path.name for p in r.parts] for r in recordings] == [
        ["kick_1.wav", "kick_2.wav", "kick_3.wav"],
        ["kick_4.wav"],
        ["kick_6.wav"],
    ]
    assert recordings[0].files == ("kick_1.wav",)
    expected = np.concatenate([wav.noise24(n, seed=s)[0] for n, s in ((100, 1), (70, 2), (30, 3))])
    assert np.array_equal(samples(recordings[0])[0] * 2.0**23, expected)


@pytest.mark.parametrize("seconds_name", ["Snare", None])
def test_other_names_inside_or_the_same_time_are_other_inputs(tmp_path, seconds_name):
    name = (seconds_name or "Kick").encode()
    put(
        tmp_path,
        in1=wav.mono(100, extra=(wav.bext(b"Kick", 5000),)),
        in2=wav.mono(100, extra=(wav.bext(name, 5100 if seconds_name else 5000),)),
    )
    assert len(find_take(tmp_path).recordings) == 2


def full(path: Path, size: int) -> None:
    data_bytes = (size - 44) // 3 * 3
    wav.sparse(
        path, 44 + data_bytes, wav.riff(wav.fmt(), b"data" + struct.pack("<I", data_bytes), size=36 + data_bytes)
    )


@pytest.mark.parametrize("limit", [2 << 30, (4 << 30) - (20 << 20)])
def test_continued_where_the_file_system_ends(tmp_path, limit):
    full(tmp_path / "kick_001.wav", limit)
    full(tmp_path / "kick_002.wav", limit)
    full(tmp_path / "kick_003.wav", 5000)
    full(tmp_path / "bass.wav", limit)
    full(tmp_path / "bass-2.wav", 5000)
    assert [[p.path.name for p in r.parts] for r in find_take(tmp_path).recordings] == [
        ["bass.wav", "bass-2.wav"],
        ["kick_001.wav", "kick_002.wav", "kick_003.wav"],
    ]


def test_short_files_and_inputs_that_all_stop_at_the_limit_stay_apart(tmp_path):
    for name in ("a1", "a2"):
        full(tmp_path / f"{name}.wav", 1 << 30)
    for name in ("in-1", "in-2", "in-3"):
        full(tmp_path / f"{name}.wav", 2 << 30)
    full(tmp_path / "b_1.wav", 2 << 30)
    full(tmp_path / "b_3.wav", 5000)
    assert all(len(r.parts) == 1 for r in find_take(tmp_path).recordings)


def test_every_input_of_a_long_take_is_continued_on_its_own(tmp_path):
    for n in (1, 2, 3):
        full(tmp_path / f"in-{n}.wav", 2 << 30)
        full(tmp_path / f"in-{n}-2.wav", 5000)
    assert [[p.path.name for p in r.parts] for r in find_take(tmp_path).recordings] == [
        [f"in-{n}.wav", f"in-{n}-2.wav"] for n in (1, 2, 3)
    ]


def test_a_pair_whose_sides_are_continued(tmp_path):
    for side in "LR":
        put(
            tmp_path,
            **{
                f"OH {side}_1": wav.mono(100, seed=ord(side), extra=(wav.bext(b"", 5000),)),
                f"OH {side}_2": wav.mono(50, seed=1, extra=(wav.bext(b"", 5100),)),
            },
        )
    recording = only(tmp_path)
    assert recording.files == ("OH L_1.wav", "OH R_1.wav")
    assert (recording.channels, recording.frames) == (2, 150)
