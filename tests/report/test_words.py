"""What a reader sees of a plan's words."""

from __future__ import annotations

from morningmix.model.plan import Filter, Reason, TrackPlan
from morningmix.report.explain import input_in_words
from morningmix.report.words import cited


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
