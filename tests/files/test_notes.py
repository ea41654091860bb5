"""Notes of the band in a recipe: comments that are read back and ticked off."""

from __future__ import annotations

import pytest

from files.made import RECIPE
from morningmix.errors import UsageError
from morningmix.files.move_edit import with_stretch
from morningmix.files.notes import notes_in, with_notes, without_note
from morningmix.model.recipe import SongNote

SONG = "Copper Rain Gauge"
LATER = SongNote(at_s=151.0, who="Mara", says='could it come in later? "#"')
SOON = SongNote(at_s=3.5, who="Theo", says="at 2:10: too slow")


def test_notes_are_lines_below_their_song_and_come_back_in_the_order_of_time() -> None:
    text = with_notes(RECIPE, SONG, [LATER, SOON])
    assert '# note 2:31.0 Mara: could it come in later? "#"\n# note 0:03.5 Theo: at 2:10: too slow\n' in text
    assert notes_in(text, "copper-rain gauge") == [SOON, LATER]
    assert notes_in(RECIPE, SONG) == notes_in(text, "Another") == []
    assert without_note(without_note(text, SONG, SOON), SONG, LATER) == RECIPE
    with pytest.raises(UsageError, match="not in the recipe any more"):
        without_note(RECIPE, SONG, LATER)


def test_notes_stay_with_their_song_whatever_is_written_below_it() -> None:
    text = with_stretch(with_notes(RECIPE, SONG, [LATER]), SONG, ("lead vocal", 10.0, 20.0, 2.0))
    text += (
        '\n[[song]]\ntitle = "Another"\nstart = "9:00"\nend = "9:30"\n# note 1:00 Ida: here\n# note me: this is none\n'
    )
    assert notes_in(text, SONG) == [LATER]
    assert notes_in(text, "Another") == [SongNote(at_s=60.0, who="Ida", says="here")]


def test_a_recipe_without_songs_has_its_notes_at_its_end() -> None:
    text = 'recipe = 1\r\n[rehearsal]\r\ntracks = "t"\r\n'
    noted = with_notes(text, None, [SongNote(at_s=4.0, who="M: a", says="hm")])
    assert noted == f"{text}# note 0:04.0 M a: hm\r\n"
    (note,) = notes_in(noted, "Whatever")
    assert without_note(noted, "Whatever", note) == text
