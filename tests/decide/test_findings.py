"""What is found, worst first."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from decide.made import STEADY, an_input, bump, facts_of, measurements, recordings
from morningmix.decide.findings import find_faults
from morningmix.model.measured import AcousticFeedback, Cleaned, GainStep, Singing
from morningmix.model.recording import Recording, Take


def test_faults_are_said_worst_first() -> None:
    bad = facts_of(bump(500.0, 1.0), STEADY, clipped_runs=7, peak_dbfs=0.0, files=("a.wav",))
    quiet = facts_of(bump(500.0, 1.0), STEADY, peak_dbfs=-45.0, files=("b.wav",))
    silent = facts_of(bump(500.0, 1.0), np.full(100, 1e-12), peak_dbfs=-110.0, files=("c.wav",))
    fine = facts_of(bump(500.0, 1.0), STEADY, peak_dbfs=-8.0, files=("d.wav",))
    inputs = [an_input("electric guitar", one, i) for i, one in enumerate((fine, quiet, bad, silent))]
    found = recordings("d", "b", "a", "c")
    (part,) = found[0].lanes[0]
    found[0] = Recording(lanes=((replace(part, damage="its end is missing"),),))
    take = Take(
        folder=Path("take"),
        recordings=tuple(found),
        rate_hz=48_000,
        frames=480_000,
        left_out=("song.mp3: compressed sound",),
    )
    faults = find_faults(inputs, take, measurements(fine, quiet, bad, silent), {})
    kinds = [(fault.name, fault.kind) for fault in faults]
    assert kinds == [
        (inputs[0].name, "damaged"),
        ("", "left out"),
        (inputs[3].name, "silent"),
        (inputs[2].name, "clipped"),
        (inputs[1].name, "quiet"),
    ]
    assert [fault.weight for fault in faults] == sorted((fault.weight for fault in faults), reverse=True)
    assert [fault.says for fault in faults[2:]] == [
        "electric guitar 3 recorded nothing. Check its cable and its mute, and that the track was armed.",
        "electric guitar 2 was too loud for the recorder 7 times. Turn it down by about 6 dB.",
        "electric guitar 1 is very quiet (peaks at -45 dBFS). This looks like a passive instrument in a line input; "
        "an instrument input (a DI box) or a preamp would bring it up.",
    ]


def test_what_was_made_up_for_is_said_with_what_to_do_next_time() -> None:
    howls = (AcousticFeedback(start_s=28.4, end_s=29.0, hz=263.0), AcousticFeedback(start_s=31.0, end_s=31.5, hz=263.0))
    sang = facts_of(bump(500.0, 1.0), STEADY, feedback=howls, pops_s=((3.0, 3.1),))
    one = replace(an_input("lead vocal", sang), name="lead vocal", gain_step=GainStep(at_s=62.0, step_db=-6.0))
    take = Take(folder=Path("take"), recordings=tuple(recordings("a")), rate_hz=48_000, frames=480_000)
    assert [fault.says for fault in find_faults([one], take, measurements(sang), {})] == [
        "Feedback in the lead vocal mic at 0:28 and later. We turned it down in the mix. Next time turn its monitor "
        "down (the tone is 263 Hz), or move the mic away from the loudspeaker.",
        "The gain of lead vocal was turned down by 6 dB at 1:02. We evened it out in the mix. "
        "Next time leave the gains alone while recording.",
        "lead vocal popped at 0:03. We turned it down in the mix. Look for a loose plug, and mute before plugging in.",
    ]


@pytest.mark.parametrize(("band_db", "drowned"), [(-6.0, False), (-1.0, False), (1.0, True)])
def test_a_voice_is_drowned_where_more_was_taken_out_of_it_than_stayed(band_db: float, drowned: bool) -> None:
    """Bleed at `band_db` re the voice, both in the same bands, while the voice sings."""
    level = np.full(100, 1e-2)
    clean = facts_of(bump(800.0, 1.5), level)
    recorded = clean.slots.scaled(np.full(100, np.sqrt(1.0 + 10.0 ** (band_db / 10.0)), np.float32))
    whole = Recording(lanes=recordings("lead")[0].lanes)
    nothing = np.zeros(500, np.float32)
    cleaned = Cleaned(sound=whole, subtracted=True, slots=clean.slots, hop_s=0.02, clear_db=nothing, bleed_sources=())
    lead = replace(an_input("lead vocal", clean, 0), cleaned=cleaned, recorded=recorded)
    spans = ((0.0, 8.0),)
    take = Take(folder=Path("card"), recordings=(whole,), rate_hz=48_000, frames=480_000)
    said = find_faults((lead,), take, measurements(clean), {0: Singing(open_s=spans, sings_s=spans, because="")})
    assert [one.says for one in said if one.kind == "drowned"] == [
        "The lead vocal 0 mic picks up the band about as loudly as the voice. "
        "Sing closer, and point the back of the mic at the drums."
    ] * drowned
    said = find_faults((replace(lead, cleaned=None),), take, measurements(clean), {0: None})
    assert not any(one.kind == "drowned" for one in said)
