from __future__ import annotations

import hashlib
import shutil
import sys
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from film.made import RATE_HZ, Made, av, clicks, music
from morningmix.audio.write import IntegerWriter
from morningmix.errors import OutputError, RecordingsError
from morningmix.film.clip import open_clip, sound
from morningmix.film.soundtrack import loudness
from morningmix.film.write import Film, Settings, Shot, Song, write_film
from morningmix.model.film import Lined

MIX_HZ = 44_100
SONG_S, STRIKES_S = 2.4, (0.5, 2.2)
"""Length of the song, and when somebody strikes a drum in it: a click in the mix, a flash in the clip."""
LINED = Lined(file="", offset_s=10.0, drift_ppm=4000.0, confidence=1.0, accepted=True)
"""A clock so far off that three seconds of it are 12 ms too long."""
START_S = 10.53
FRAME_S = 0.04


@pytest.fixture(scope="module")
def song(tmp_path_factory) -> Song:
    path = tmp_path_factory.mktemp("mix") / "mix.wav"
    tone = 0.1 * np.sin(2 * np.pi * 220 * np.arange(round(SONG_S * MIX_HZ)) / MIX_HZ)
    strikes = 0.6 * clicks(SONG_S, *STRIKES_S)[0, np.arange(tone.size) * RATE_HZ // MIX_HZ]
    samples = np.rint(np.stack([tone + strikes] * 2) * 8_388_607).astype(np.int32)
    with IntegerWriter(path, rate_hz=MIX_HZ, channels=2, frames=samples.shape[1]) as writer:
        writer.write(samples)
    return Song(title="One / two", mix=path, start_s=START_S, number=3)


def shot_of(path, lined=LINED) -> Shot:
    return Shot(clip=open_clip(path), lined=lined, name=path.stem)


def made(path, lined=LINED, **settings) -> Shot:
    flashes = tuple(LINED.clip_s(START_S + at_s) for at_s in STRIKES_S)
    wanted = Made(seconds=4.0, key_every=20, sound=music(4.0), flashes_s=flashes, options=(("bf", "2"),))
    return shot_of(replace(wanted, **settings).write(path), lined)


@pytest.fixture(scope="module")
def clip(tmp_path_factory) -> Shot:
    return made(tmp_path_factory.mktemp("clip") / "stage.mp4", uneven=True, rotation=90)


@pytest.fixture(scope="module")
def film(tmp_path_factory, clip, song) -> Film:
    """The film of the song as it is written if nothing else is asked for."""
    tags = (("date", "2026-11-28"), ("album", "Tuesdays"))
    return write_film(clip, song, tmp_path_factory.mktemp("films"), Settings(tags=tags))


def pictures(path) -> list[tuple[float, np.ndarray, int]]:
    with av.open(str(path)) as container:
        return [
            (frame.time, frame.to_ndarray(format="gray"), frame.rotation)
            for frame in container.decode(container.streams.video[0])
        ]


def packets(path) -> list[tuple[str, float]]:
    """Hash and time of every packet of the picture."""
    with av.open(str(path)) as container:
        return [
            (hashlib.sha256(bytes(packet)).hexdigest(), float(packet.pts * packet.time_base))
            for packet in container.demux(container.streams.video[0])
            if packet.size
        ]


def apart_s(path) -> list[float]:
    """How much later than its flash each click comes."""
    film = open_clip(path)
    origin_s = float(film.origin_s)
    heard = np.abs(np.concatenate(list(sound(film, RATE_HZ)), axis=1)[0])
    bright = [at_s for at_s, picture, _ in pictures(path) if picture.mean() > 150]
    found = []
    for flash_s in bright:
        first = round((flash_s - origin_s - 0.1) * RATE_HZ)
        near = heard[first : first + RATE_HZ // 5]
        found.append(float(np.argmax(near > 0.6 * near.max()) / RATE_HZ - 0.1))
    return found


def test_a_film_shows_a_song_as_the_camera_held_it(film):
    assert film.file.name == "03 One - two - stage.mp4"
    assert film.whole
    assert film.encoded_s == 0.0
    assert -FRAME_S * 2 < film.start_s <= 0.0
    assert film.stop_s == pytest.approx(SONG_S, abs=0.01)
    shown = pictures(film.file)
    assert shown[0][0] == 0.0, "the edit list begins with the picture at the song's start"
    assert {rotation for _, _, rotation in shown} == {90}
    with av.open(str(film.file)) as container:
        tags = container.metadata
    assert (tags["title"], tags["date"], tags["album"]) == ("One / two", "2026-11-28", "Tuesdays")
    assert [path.name for path in film.file.parent.iterdir()] == [film.file.name]


def test_pictures_are_copied_packet_for_packet_with_their_uneven_times(clip, film):
    theirs, ours = packets(clip.clip.path), packets(film.file)
    first = [digest for digest, _ in theirs].index(ours[0][0])
    same = theirs[first : first + len(ours)]
    assert len(ours) > 50
    assert [digest for digest, _ in ours] == [digest for digest, _ in same]
    shift = {round(ours_s - theirs_s, 4) for (_, ours_s), (_, theirs_s) in zip(ours, same, strict=True)}
    assert len(shift) == 1, "every picture keeps its time"
    gaps = {round(after - before, 3) for before, after in pairwise(sorted(at_s for _, at_s in ours))}
    assert gaps == {0.04, 0.08}


def assert_in_step(path, late_s=0.0):
    """A flash is seen with the next picture: how much later than its strike is known, and so how much the click is."""
    apart = apart_s(path)
    assert len(apart) == 2
    assert all(abs(late_s) < FRAME_S for late_s in apart), apart
    expected = [((LINED.clip_s(START_S + at_s) + late_s) % FRAME_S) - FRAME_S for at_s in STRIKES_S]
    assert np.diff(apart)[0] == pytest.approx(np.diff(expected)[0], abs=0.003)


def test_a_flash_and_its_click_stay_together_to_the_end(film):
    assert_in_step(film.file)


def test_without_an_edit_list_a_film_begins_in_silence_at_the_key_frame(tmp_path, song):
    late_s = 0.2
    flashes = tuple(LINED.clip_s(START_S + at_s) + late_s for at_s in STRIKES_S)
    shot = made(tmp_path / "stage.mkv", sound_codec="pcm_s16le", sound_start_s=late_s, flashes_s=flashes)

    film = write_film(shot, song, tmp_path / "films", Settings())

    assert shot.clip.picture.start_s == pytest.approx(-late_s, abs=0.001), "the sound began later"
    assert -0.8 < film.start_s < -FRAME_S
    assert film.whole
    heard = np.concatenate(list(sound(open_clip(film.file), RATE_HZ)), axis=1)
    lead = round(-film.start_s * LINED.clock * RATE_HZ)
    assert np.abs(heard[:, : lead - 480]).max() < 1e-3
    assert np.abs(heard[:, lead : lead + 9600]).max() > 0.1
    assert_in_step(film.file, late_s)


def test_exact_encodes_the_pictures_before_the_key_frame_alone(tmp_path, clip, song):
    film = write_film(clip, song, tmp_path, Settings(exact=True))

    theirs, ours = packets(clip.clip.path), packets(film.file)
    known = {digest for digest, _ in theirs}
    encoded = [digest not in known for digest, _ in ours]
    count = encoded.index(False)
    assert 0 < count < 20
    assert not any(encoded[count:]), "all after the first key frame is copied"
    assert film.encoded_s == pytest.approx(count * FRAME_S, abs=0.15)
    original = {round(at_s, 3): picture for at_s, picture, _ in pictures(clip.clip.path)}
    begins = LINED.clip_s(START_S + film.start_s) + float(clip.clip.origin_s)
    for at_s, picture, _ in pictures(film.file):
        nearest = min(original, key=lambda each: abs(each - begins - at_s))
        assert np.abs(picture.astype(int) - original[nearest]).mean() < 2.0, at_s


def test_the_sound_is_as_loud_as_films_are_with_its_peaks_under_the_ceiling(film):
    track = film.track
    assert track.peak_dbtp <= -1.0
    assert track.lufs == pytest.approx(-16.0 - track.lowered_db, abs=0.5)


def test_the_camera_s_own_sound_is_left_in_that_far_down(tmp_path, song):
    tone = np.sin(2 * np.pi * 440 * np.arange(4 * RATE_HZ) / RATE_HZ)
    shot = made(tmp_path / "tone.mp4", sound=0.05 * tone[None].astype(np.float32))

    film = write_film(shot, song, tmp_path / "films", Settings(keep_room_db=6.0))

    heard = np.concatenate(list(sound(open_clip(film.file), RATE_HZ)), axis=1)[0, : 2 * RATE_HZ]
    level = 2 * np.abs(np.mean(heard * np.exp(-2j * np.pi * 440 * np.arange(heard.size) / RATE_HZ)))
    own_lufs = loudness([np.float32(level) * np.stack([tone, tone]).astype(np.float32)], RATE_HZ, 2).integrated_lufs
    assert own_lufs == pytest.approx(film.track.lufs - 7.0, abs=0.5), (
        "1 dB more: the whole is louder than the mix alone"
    )


def test_a_clip_that_begins_in_the_song_gives_the_rest_of_it(tmp_path, clip, song):
    late = replace(clip, lined=replace(LINED, offset_s=START_S + 0.9))

    film = write_film(late, song, tmp_path, Settings())

    assert not film.whole
    assert (film.start_s, film.stop_s) == (pytest.approx(0.9, abs=0.001), pytest.approx(SONG_S, abs=0.01))
    assert write_film(replace(clip, lined=replace(LINED, offset_s=60.0)), song, tmp_path, Settings()) is None


def test_a_transport_stream_is_filmed_from_its_very_beginning(tmp_path, song):
    shot = made(tmp_path / "camera.ts", seconds=1.5, lined=replace(LINED, offset_s=START_S))

    film = write_film(shot, song, tmp_path / "films", Settings())

    assert film.file.suffix == ".mp4"
    assert len(packets(film.file)) == len(packets(shot.clip.path))


def test_ten_bits_of_colour_are_copied_too(tmp_path, song):
    options = (("x265-params", "log-level=0:bframes=0:transfer=smpte2084"),)
    shot = made(tmp_path / "phone.mov", codec="libx265", pixels="yuv420p10le", options=options)

    film = write_film(shot, song, tmp_path / "films", Settings())

    picture = open_clip(film.file).picture
    assert (picture.codec, picture.bits, picture.hdr) == ("hevc", 10, "PQ")
    with pytest.raises(RecordingsError, match=r"phone\.mov: --exact knows ordinary H\.264 pictures only"):
        write_film(shot, song, tmp_path / "films", Settings(exact=True))


def test_what_is_no_film_of_ours_stays_and_what_is_is_replaced(tmp_path, clip, song, film):
    place = tmp_path / "03 One - two - stage.mp4"
    place.write_bytes(clip.clip.path.read_bytes())
    with pytest.raises(OutputError, match="is in the way"):
        write_film(clip, song, tmp_path, Settings())
    assert place.read_bytes() == clip.clip.path.read_bytes()
    place.unlink()
    place.hardlink_to(clip.clip.path)
    with pytest.raises(OutputError, match="is in the way"):
        write_film(clip, song, tmp_path, Settings())
    place.unlink()

    shutil.copy(film.file, place)
    (tmp_path / ".02 Other - stage.film.partial").write_bytes(b"left by a run that was killed")
    write_film(clip, song, tmp_path, Settings())
    assert [path.name for path in tmp_path.iterdir()] == [place.name]


def test_a_clip_that_breaks_off_leaves_no_half_film(tmp_path, song):
    path = made(tmp_path / "stage.mkv").clip.path
    whole = shot_of(path)
    path.write_bytes(path.read_bytes()[: path.stat().st_size * 45 // 100])

    with pytest.raises(RecordingsError, match=r"^stage\.mkv is damaged: its pictures end"):
        write_film(whole, song, tmp_path / "films", Settings())

    assert list((tmp_path / "films").iterdir()) == []


@pytest.mark.skipif(sys.platform == "win32", reason="limits of file sizes are POSIX's")
def test_a_disk_that_refuses_is_one_line_and_no_half_film(tmp_path, clip, song):
    import resource

    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (15_000, before[1]))
    try:
        with pytest.raises(OutputError, match=r"stage\.mp4 is too big") as refused:
            write_film(clip, song, tmp_path, Settings())
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)

    assert "\n" not in str(refused.value)
    assert list(tmp_path.iterdir()) == []
