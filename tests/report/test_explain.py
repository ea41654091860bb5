"""`why`: what matters most on two screens at most, one input in full, papers only where they are asked for."""

from __future__ import annotations

from dataclasses import replace

import pytest

from morningmix.model.plan import Filter, MasterPlan, Reason, SongPlan, TrackPlan, Trims
from morningmix.model.tempo import Tempo
from morningmix.report.explain import MOST_LINES, changes_in_words, input_in_words, songs_in_brief, whole_in_words

BOOK = "Somebody, JAES 2011"


def reason(what: str) -> Reason:
    return Reason(what=what, because=f"that is why {what}", source=BOOK)


def a_track(name: str, **plan: object) -> TrackPlan:
    """An input with a reason for everything that is always decided, and for `plan`."""
    whats = ("role", "gain_db", "high_pass_hz", "gate", "compressor", "fader_db", "pan", "send_db", *plan)
    reasons = tuple(reason(what) for what in dict.fromkeys(whats))
    changes = {"family": "guitars", **{what: value for what, value in plan.items() if what != "mute"}}
    return TrackPlan(  # type: ignore[arg-type]
        files=(f"{name}.wav",), name=name, role="electric guitar", role_is_guess=False, reasons=reasons, **changes
    )


def a_song(title: str, *tracks: TrackPlan) -> tuple[SongPlan, MasterPlan, Tempo | None]:
    plan = SongPlan(
        title=title,
        start_s=0.0,
        end_s=60.0,
        rate_hz=48_000,
        tracks=tracks,
        reverb=None,
        target_lufs=-16.0,
        ceiling_dbtp=-1.0,
        max_limiting_db=3.0,
        tilt_db=1.5,
        reasons=(reason("tilt_db"),),
    )
    families = ("drums", "bass", "guitars", "keys", "vocals")
    trims = Trims(
        trims_db=tuple((family, 1.0) for family in families),
        drum_peak_dbfs=-3.0,
        drum_lookahead_s=0.002,
        drum_release_s=0.06,
        gain_db=2.0,
        reasons=(*(reason(f"trim {family}") for family in families), reason("drum_peak_dbfs")),
    )
    master = MasterPlan(
        trims=trims,
        gain_db=2.0,
        target_lufs=-16.0,
        ceiling_dbfs=-1.2,
        lookahead_s=0.003,
        release_s=0.12,
        dither_seed=1,
        reasons=(reason("target_lufs"), reason("gain_db")),
    )
    return plan, master, None


TEN = [a_track(f"input {number}", gain_db=float(number)) for number in range(10)]


@pytest.mark.parametrize("songs", [1, 3, 7, 40])
@pytest.mark.parametrize("inputs", [10, 48])
def test_what_matters_most_fits_on_two_screens(songs: int, inputs: int) -> None:
    tracks = [replace(TEN[number % 10], name=f"input {number}") for number in range(inputs)]
    lines = songs_in_brief([a_song(f"Song {number}", *tracks) for number in range(songs)], sources=False)
    assert len(lines) < MOST_LINES, "one line is left for what to ask next"
    shown = min(songs, 7)
    assert all(sum(line.startswith(f"Song {number}:") for line in lines) == 1 for number in range(shown))
    assert sum("input" in line for line in lines) >= 3 * shown


def test_ten_inputs_of_three_songs_have_a_line_each() -> None:
    lines = songs_in_brief([a_song(f"Song {number}", *TEN) for number in range(3)], sources=False)
    assert all(sum(line.startswith(f"  input {number}: ") for line in lines) == 3 for number in range(10))


def test_faults_come_first_then_what_was_left_out_then_the_largest_changes() -> None:
    tracks = [
        a_track("level", gain_db=4.0, fader_db=-1.0),
        a_track("plain"),
        a_track("silent", mute=True, family=""),
        a_track("loud", gain_db=-14.0),
        a_track("opposite", flip=True, gain_db=1.0),
    ]
    lines = songs_in_brief([a_song("Song", *tracks)], sources=False)
    named = [line.split(":")[0].strip() for line in lines]
    assert named[-5:] == ["opposite", "silent", "loud", "level", "plain"]
    assert lines[-5] == "  opposite: Polarity inverted: that is why flip."


def test_papers_are_named_only_where_they_are_asked_for() -> None:
    song = a_song("Song", *TEN)
    for sources in (False, True):
        told = songs_in_brief([song], sources=sources)
        told += whole_in_words(*song, sources=sources)
        told += input_in_words(TEN[3], sources=sources)
        assert any(BOOK in line for line in told) == sources


def test_why_explains_one_input_in_full() -> None:
    lines = input_in_words(TEN[3], sources=False)
    assert len(lines) == 1 + len(TEN[3].reasons)
    assert lines[0] == "input 3 (input 3.wav): electric guitar, in the guitars stem."
    assert "  Gain +3.0 dB: that is why gain_db." in lines


def test_a_new_version_says_what_is_different() -> None:
    before, *_ = a_song("Song", *TEN[:3])
    louder = replace(TEN[1], fader_db=2.0, pan=0.3)
    after = replace(before, tracks=(TEN[0], louder, replace(TEN[2], flip=True)), end_s=50.0, target_lufs=-14.0)
    assert changes_in_words(before, after) == [
        "input 1 +2.0 dB",
        "input 1 is panned somewhere else",
        "input 2 is processed differently",
        "it starts or ends somewhere else",
        "the whole song is louder (-14.0 LUFS)",
    ]


def test_a_new_version_says_what_was_wished_for_tone_and_room() -> None:
    def sent(track: TrackPlan, send_db: float | None, because: str) -> TrackPlan:
        return replace(track, send_db=send_db, reasons=(Reason(what="send_db", because=because, source="x"),))

    low, high = (
        Filter(kind="low_shelf", corner_hz=200.0, gain_db=2.0),
        Filter(kind="high_shelf", corner_hz=4000.0, gain_db=-1.0),
    )
    before, *_ = a_song("Song", *(sent(track, -12.0, "usual") for track in TEN[:3]), sent(TEN[3], None, "dry"))
    after = replace(
        before,
        tracks=(
            replace(before.tracks[0], filters=(low, high)),
            sent(before.tracks[1], -9.5, "+3 dB from the recipe"),
            # All sends moved with the balance: a consequence.
            sent(before.tracks[2], -12.5, "usual"),
            sent(before.tracks[3], -20.0, "+4 dB from the recipe"),
        ),
    )
    assert changes_in_words(before, after) == [
        "input 0 has more lows (+2.0 dB)",
        "input 0 has less highs (-1.0 dB)",
        "input 1 has more reverb (+2.5 dB)",
        "input 3 has some reverb",
    ]
    assert changes_in_words(after, before)[-1] == "input 3 is dry"


def test_the_tempo_stands_beside_the_length() -> None:
    plan, master, _ = a_song("Song", *TEN)
    tempo = Tempo(tempo_bpm=124.3, other_bpm=62.1, beats_s=(0.0, 0.5))
    said = whole_in_words(plan, master, tempo, sources=False)[0]
    assert said == "Song: 1:00.0 long, about 124 BPM (or 62), aimed at a loudness of -16.0 LUFS."
    assert "BPM" not in whole_in_words(plan, master, None, sources=False)[0]
