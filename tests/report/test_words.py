"""What a reader sees of a plan's words."""

from __future__ import annotations

from morningmix.model.plan import Filter, Reason, TrackPlan
from morningmix.model.tempo import Tempo
from morningmix.report.explain import input_in_words
from morningmix.report.words import cited, tempo_in_words


def test_pages_do_not_mention_what_is_quoted_from_memory() -> None:
    cut = Reason(what="peak_hz", because="it covers the voice", source="Somebody, JAES 63(5) 2015 (from memory)")
    track = TrackPlan(
        files=("a.wav",),
        name="keys",
        role="keys",
        role_is_guess=False,
        family="keys",
        filters=(Filter(kind="peak", corner_hz=900.0, gain_db=-2.0, q=1.0),),
        reasons=(cut,),
    )
    said = input_in_words(track, sources=True)[-1]
    assert said == "  EQ cut of 2.0 dB at 900 Hz: it covers the voice. [Somebody, JAES 63(5) 2015]"
    assert cited("design choice") == "design choice"


def beats(*periods_s: tuple[float, int]) -> tuple[float, ...]:
    """Beats from 0 on: so many periods of each length."""
    times = [0.0]
    for period_s, amount in periods_s:
        times += [times[-1] + period_s * count for count in range(1, amount + 1)]
    return tuple(times)


def test_a_tempo_in_words_says_drift_and_doubt() -> None:
    steady = Tempo(tempo_bpm=120.4, other_bpm=None, beats_s=beats((0.5, 40)))
    assert tempo_in_words(steady) == "about 120 BPM"
    faster = Tempo(tempo_bpm=120.0, other_bpm=60.0, beats_s=beats((0.5, 30), (60.0 / 123.0, 10)))
    assert tempo_in_words(faster) == "about 120 BPM, 3 faster at the end (or 60)"
    slower = Tempo(tempo_bpm=120.0, other_bpm=None, beats_s=beats((0.5, 30), (60.0 / 115.0, 10)))
    assert tempo_in_words(slower) == "about 120 BPM, 5 slower at the end"
    hardly = Tempo(tempo_bpm=120.0, other_bpm=None, beats_s=beats((0.5, 30), (60.0 / 121.4, 10)))
    assert tempo_in_words(hardly) == "about 120 BPM"
