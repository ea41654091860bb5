"""Lines changed in a recipe, every other byte kept."""

from __future__ import annotations

import math
import tomllib
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from files.made import RECIPE, changed
from morningmix.errors import RecipeError, UsageError
from morningmix.files.recipe_edit import Key, turn, with_songs
from morningmix.model.found import Boundary, FoundSong


def test_turning_a_level_that_is_there() -> None:
    text, old, new = turn(RECIPE, "lead vocal", 2)
    assert (old, new) == (1.5, 3.5)
    assert text == changed("level_db = 1.5   ", "level_db = 3.5   ")


def test_turning_a_level_that_is_not_there_yet() -> None:
    text, old, new = turn(RECIPE, "KEYS", -2)
    assert (old, new) == (0.0, -2.0)
    assert text == changed('role = "Keys"\n', 'role = "Keys"\nlevel_db = -2.0\n')


def test_turning_in_one_song() -> None:
    text, old, new = turn(RECIPE, "lead vocal", 0.5, song="copper rain-gauge")
    assert (old, new) == (2.0, 2.5)
    assert text == changed('name = "Lead-Vocal"\nlevel_db = 2\n', 'name = "Lead-Vocal"\nlevel_db = 2.5\n')
    text, old, new = turn(RECIPE, "keys", 1, song="Copper Rain Gauge")
    block = '\n[[song.input]]\nname = "keys"\nlevel_db = 1.0\n'
    assert text == changed('to = "2:40"\nlevel_db = 2\n', f'to = "2:40"\nlevel_db = 2\n{block}')
    text, _, _ = turn(RECIPE, "keys", 1, song="Nine Paper Boats")
    assert text == RECIPE + block


def test_turning_the_last_line_of_a_text_without_a_line_break() -> None:
    head = 'recipe = 1\r\n[rehearsal]\r\ntracks = "raw"\r\n  [[input]]\r\n  file = "a.wav"'
    text, _, _ = turn(head, "a", 1)
    assert text == head + "\r\n  level_db = 1.0"
    assert turn(text, "a", 1)[0] == head + "\r\n  level_db = 2.0"


def test_turning_what_is_not_there() -> None:
    with pytest.raises(
        UsageError,
        match=r'No input or family is called "led vocal". Did you mean "lead vocal"\? The inputs are: "lead vocal", '
        r'"keys"\. The families are: drums, bass, guitars, keys, vocals, playback, horns, strings, extras\.$',
    ):
        turn(RECIPE, "led vocal", 1)
    with pytest.raises(UsageError, match=r'No song is called "Coper Rain Gauge". Did you mean "Copper Rain Gauge"\?'):
        turn(RECIPE, "keys", 1, song="Coper Rain Gauge")
    with pytest.raises(UsageError, match="Several songs"):
        turn(changed("Nine Paper Boats", "Copper Rain Gauge"), "keys", 1, song="Copper Rain Gauge")
    with pytest.raises(RecipeError, match="levle_db"):
        turn(changed("level_db", "levle_db"), "keys", 1)


@pytest.mark.parametrize("by_db", [23.0, -70.0, math.inf, math.nan])
def test_turning_too_far(by_db: float) -> None:
    with pytest.raises(UsageError, match=r'"lead vocal" is at \+1.5 dB; .* range of -60 to \+24 dB'):
        turn(RECIPE, "lead vocal", by_db)


WITH_FAMILY = changed(
    "\n[[song]]\n", '\n[[family]]  # all of them\nname = "Vocals"\nroom_db = 1.5  # Mara\n\n[[song]]\n'
)


def test_turning_a_family_writes_its_table_below_the_inputs() -> None:
    text, old, new = turn(RECIPE, "Drums", -2)
    assert (old, new) == (0.0, -2.0)
    assert text == changed('role = "Keys"\n', 'role = "Keys"\n\n[[family]]\nname = "drums"\nlevel_db = -2.0\n')
    again, old, new = turn(text, "drums", 3, key="low_db")
    assert (old, new) == (0.0, 3.0)
    assert again == text.replace("level_db = -2.0\n", "level_db = -2.0\nlow_db = 3.0\n")
    third, _, _ = turn(again, "bass", 1)
    assert third == again.replace("low_db = 3.0\n", 'low_db = 3.0\n\n[[family]]\nname = "bass"\nlevel_db = 1.0\n')
    bare = 'recipe = 1\n[rehearsal]\ntracks = "raw"'
    assert turn(bare, "horns", 1, key="high_db")[0] == bare + '\n\n[[family]]\nname = "horns"\nhigh_db = 1.0'


def test_turning_a_family_that_is_there_keeps_every_other_byte() -> None:
    text, old, new = turn(WITH_FAMILY, "vocals", 2, key="room_db")
    assert (old, new) == (1.5, 3.5)
    assert text == changed("room_db = 1.5", "room_db = 3.5", WITH_FAMILY)
    text, _, _ = turn(WITH_FAMILY, "vocals", 2)
    assert text == changed("# Mara\n", "# Mara\nlevel_db = 2.0\n", WITH_FAMILY)


def test_turning_a_family_in_one_song() -> None:
    block = '\n[[song.family]]\nname = "guitars"\nhigh_db = -1.5\n'
    text, old, new = turn(RECIPE, "guitars", -1.5, "Nine Paper Boats", "high_db")
    assert (old, new, text) == (0.0, -1.5, RECIPE + block)
    again, old, new = turn(text, "guitars", 1, "Nine Paper Boats", "high_db")
    assert (old, new, again) == (-1.5, -0.5, RECIPE + block.replace("-1.5", "-0.5"))
    text, _, _ = turn(RECIPE, "guitars", -1.5, "Copper Rain Gauge", "high_db")
    assert text == changed('to = "2:40"\nlevel_db = 2\n', f'to = "2:40"\nlevel_db = 2\n{block}')


@pytest.mark.parametrize("key", ["low_db", "high_db", "room_db"])
def test_turning_tone_and_room_of_an_input(key: Key) -> None:
    text, old, new = turn(RECIPE, "lead vocal", 2, key=key)
    assert (old, new) == (0.0, 2.0)
    said = "level_db = 1.5                  # on top of the automatic balance\n"
    assert text == changed(said, f"{said}{key} = 2.0\n")
    text, old, new = turn(text, "lead vocal", -1, "Copper Rain Gauge", key)
    assert (old, new) == (0.0, -1.0)
    assert f'name = "Lead-Vocal"\nlevel_db = 2\n{key} = -1.0\n' in text


def test_an_input_goes_before_the_family_of_its_name() -> None:
    text, _, _ = turn(RECIPE, "keys", 1)
    assert "[[family]]" not in text


@pytest.mark.parametrize(
    ("key", "by_db", "says"),
    [
        (
            "low_db",
            7,
            'The low_db of "vocals" is at +0 dB; +7 dB would leave the range of -6 to +6 dB. Turn it by less.',
        ),
        ("high_db", -6.1, 'The high_db of "vocals" is at +0 dB; -6.1 dB would leave the range of -6 to +6 dB.'),
        ("room_db", 11, 'The room_db of "vocals" is at +1.5 dB; +11 dB would leave the range of -12 to +12 dB.'),
    ],
)
def test_turning_tone_or_room_too_far_names_the_key(key: Key, by_db: float, says: str) -> None:
    with pytest.raises(UsageError) as refused:
        turn(WITH_FAMILY, "vocals", by_db, key=key)
    assert str(refused.value).startswith(says)
    assert "\n" not in str(refused.value)


def test_of_two_tries_at_a_song_the_kept_one_is_turned() -> None:
    text = changed("Nine Paper Boats", "Copper Rain Gauge", changed("# keep = false", "keep = false"))
    turned, _, _ = turn(text, "keys", 1, song="Copper Rain Gauge")
    assert turned.startswith(text)


remark = st.sampled_from(["", "# a remark", "  # x = [1", "   ", "# level_db = 9"])


@given(
    st.lists(st.tuples(st.sampled_from("vks"), remark, remark, st.booleans()), min_size=1, max_size=8),
    st.floats(-20, 20),
    st.booleans(),
    st.sampled_from(["\n", "\r\n"]),
    st.booleans(),
)
@settings(max_examples=150, deadline=None)
def test_turning_keeps_every_other_byte(
    blocks: list[tuple[str, str, str, bool]], by_db: float, in_song: bool, end: str, ended: bool
) -> None:
    lines = ["recipe = 1", "[rehearsal]", 'tracks = "raw"', "[[input]]", 'file = "f.wav"', 'name = "vox"', "[[song]]"]
    lines += ['title = "S"', "start = 0", 'end = "9:00"']
    for at, (kind, above, inside, levelled) in enumerate(blocks):
        lines.append(above)
        if kind == "v":
            lines += ["[[input]]", inside, f'file = "{at}.wav" # {at}']
            lines += ["level_db = 1 # loud"] * levelled
        elif kind == "k":
            lines += ["[[song]]", f'title = "S{at}"', inside, "start = 1", 'end = """2"""']
        else:
            lines += ["[[song.move]]", 'name = "vox"', "from = 0", inside, "to = 0.5", "level_db = 1"]
    text = end.join(lines) + end * ended
    song = "S" if in_song else None
    turned, old, new = turn(text, "Vox", by_db, song)
    assert (old, new) == (0.0, round(by_db, 1))
    added = [f"level_db = {new}"] if song is None else ["", "[[song.input]]", 'name = "vox"', f"level_db = {new}"]
    before, after = text.split(end), turned.split(end)
    assert len(after) == len(before) + len(added)
    start = next((at for at, (a, b) in enumerate(zip(before, after, strict=False)) if a != b), len(before))
    windows = [at for at in range(start + 1) if after[at : at + len(added)] == added]
    assert any(before == after[:at] + after[at + len(added) :] for at in windows)
    again, old_again, _ = turn(turned, "vox", 1, song)
    assert old_again == new
    assert len(again.split(end)) == len(after)
    read = tomllib.loads(turned)
    where = read["input"][0] if song is None else read["song"][0]["input"][0]
    assert where["level_db"] == new


def song_at(start_s: float, end_s: float, *, keep: bool = True, sure: float = 0.9) -> FoundSong:
    return FoundSong(
        start=Boundary(at_s=start_s, because="a guitar alone, then the band", sure=sure),
        end=Boundary(at_s=end_s, because="the last note has died away", sure=0.9),
        keep=keep,
        reason=None if keep else "false start: the band stops after 9 s",
        played_s=end_s - start_s,
    )


BARE = '# by hand\nrecipe = 1\n[rehearsal]\ntracks = "raw"  # there\n'


def test_songs_are_written_at_the_end_of_a_recipe_without_any() -> None:
    found = (song_at(12.04, 250.0), song_at(260.0, 270.0, keep=False), song_at(300.0, 3700.0, sure=0.3))
    text = with_songs(BARE, found)
    assert text == BARE + (
        '\n[[song]]\ntitle = "Song 1"\nstart = "0:12.0"\nend = "4:10.0"\n'
        '\n[[song]]\ntitle = "Try 1"\nstart = "4:20.0"\nend = "4:30.0"\n'
        'keep = false\nreason = "false start: the band stops after 9 s"\n'
        '\n[[song]]\ntitle = "Song 2"\n'
        'start = "5:00.0"  # unsure: a guitar alone, then the band\nend = "1:01:40.0"\n'
    )
    assert [song["start"] for song in tomllib.loads(text)["song"]] == ["0:12.0", "4:20.0", "5:00.0"]


def test_a_recipe_whose_last_line_is_not_ended_gets_its_songs_too() -> None:
    text = with_songs(BARE.rstrip(), (song_at(1.0, 90.0), song_at(100.0, 190.0)))
    assert [song["title"] for song in tomllib.loads(text)["song"]] == ["Song 1", "Song 2"]


LISTED = (
    BARE
    + """
# the good one
[[song]]
title = "Copper Rain Gauge"   # Mara's
start = "0:10.0"  # after the joke
end = "4:00.0"

[[song.move]]
name = "f"
from = 1
to = 2
level_db = 3

[[song]]
title = "Nine Paper Boats"
start = 600
end = 700
# was too fast
keep = false

[[input]]
file = "f.wav"
"""
)


def test_finding_songs_again_moves_only_the_times_of_those_that_are_found_again() -> None:
    text = with_songs(LISTED, (song_at(12.0, 243.04), song_at(600.04, 700.0)))
    assert text == LISTED.replace('"0:10.0"', '"0:12.0"').replace('"4:00.0"', '"4:03.0"')


def test_songs_that_are_not_found_again_become_comments() -> None:
    text = with_songs(LISTED, (song_at(12.0, 240.0),))
    assert [song["title"] for song in tomllib.loads(text)["song"]] == ["Copper Rain Gauge"]
    assert '# [[song]]\n# title = "Nine Paper Boats"\n# start = 600\n' in text
    assert "\n# was too fast\n" in text
    assert '[[input]]\nfile = "f.wav"' in text


def test_new_songs_stand_in_the_order_of_time() -> None:
    found = (song_at(1.0, 8.0, keep=False), song_at(12.0, 240.0), song_at(300.0, 500.0), song_at(600.0, 700.0))
    text = with_songs(LISTED, found)
    songs = tomllib.loads(text)["song"]
    assert [song["title"] for song in songs] == ["Try 1", "Copper Rain Gauge", "Song 1", "Nine Paper Boats"]
    assert "move" in songs[1]
    assert '\n\n# the good one\n[[song]]\ntitle = "Copper Rain Gauge"' in text


def test_tries_of_a_song_are_named_after_it() -> None:
    broken_off = replace(song_at(300.0, 348.0, keep=False), reason="broken off after 0:44", of=2)
    once_more = replace(song_at(400.0, 640.0), of=1)
    found = (broken_off, song_at(12.0, 240.0), song_at(360.0, 399.0), once_more, replace(once_more, of=2))
    songs = tomllib.loads(with_songs(LISTED, found))["song"]
    assert {song["title"]: song.get("reason") for song in songs} == {
        "Copper Rain Gauge": None,
        "Try 1": "Song 1, broken off after 0:44",
        "Song 1": None,
        "Copper Rain Gauge again": None,
        "Song 1 again": None,
    }


@settings(max_examples=60, deadline=None)
@given(
    starts=st.lists(st.integers(0, 5000), min_size=1, max_size=6, unique=True),
    crlf=st.booleans(),
    listed=st.booleans(),
)
def test_a_recipe_with_found_songs_reads_as_they_were_found(starts: list[int], crlf: bool, listed: bool) -> None:
    text = (LISTED if listed else BARE).replace("\n", "\r\n" if crlf else "\n")
    found = tuple(song_at(start, start + 0.9) for start in sorted(starts))
    once = with_songs(text, found)
    songs = tomllib.loads(once)["song"]
    assert len(songs) == len(found)
    assert ("\n" in once.replace("\r\n", "")) is (not crlf)
    assert with_songs(once, found) == once
