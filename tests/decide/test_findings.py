"""What is found, worst first."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from decide.made import STEADY, an_input, bump, facts_of, measurements, recordings
from morningmix.decide.findings import find_faults
from morningmix.model.input import Input
from morningmix.model.measured import AcousticFeedback, AlignmentFacts, Cleaned, GainStep, Hum, Singing, TrackFacts
from morningmix.model.recording import Recording, Take


def test_faults_are_reported_worst_first() -> None:
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
        "electric guitar 1 is very quiet (its loudest peak is 45 dB below clipping). "
        "This looks like a passive instrument in a line input; "
        "an instrument input (a DI box) or a preamp would bring it up.",
    ]


def test_corrected_faults_are_reported_with_what_to_do_next_time() -> None:
    tones = (
        AcousticFeedback(start_s=28.4, end_s=29.0, hz=263.0, rise_db=45.0),
        AcousticFeedback(start_s=31.0, end_s=31.5, hz=263.0, rise_db=45.0),
    )
    sang = facts_of(bump(500.0, 1.0), STEADY, feedback=tones, pops_s=((3.0, 3.1),))
    one = replace(an_input("lead vocal", sang), name="lead vocal", gain_step=GainStep(at_s=62.0, step_db=-6.0))
    take = Take(folder=Path("take"), recordings=tuple(recordings("a")), rate_hz=48_000, frames=480_000)
    assert [fault.says for fault in find_faults([one], take, measurements(sang), {})] == [
        "Feedback in the lead vocal mic at 0:28 and later (a tone without overtones that swelled by 45 dB, in this "
        "input alone). We turned it down in the mix. Next time turn its monitor down (the tone is at 263 Hz), or move "
        "the mic away from the loudspeaker.",
        "The gain of lead vocal was turned down by 6 dB at 1:02. We evened it out in the mix. "
        "Next time leave the gains alone while recording.",
        "lead vocal popped at 0:03. We turned it down in the mix. Look for a loose plug, "
        "and mute the channel before you plug in.",
    ]


VOCAL_TAKE = Take(folder=Path("card"), recordings=tuple(recordings("lead")), rate_hz=48_000, frames=480_000)


def cleaned_vocal(clean: TrackFacts, band_db: float) -> Input:
    """A vocal from whose microphone a band was removed, at a level re the voice, in the same bands."""
    cleaned = Cleaned(
        sounds=(((0.0, 10.0), VOCAL_TAKE.recordings[0]),),
        subtracted=True,
        slots=clean.slots,
        hop_s=0.02,
        clear_db=np.zeros(500, np.float32),
        bleed_sources=(),
    )
    recorded = clean.slots.scaled(np.full(len(clean.slots), np.sqrt(1.0 + 10.0 ** (band_db / 10.0)), np.float32))
    return replace(an_input("lead vocal", clean), cleaned=cleaned, recorded=recorded)


def sung(start_s: float, end_s: float) -> dict[int, Singing | None]:
    return {0: Singing(open_s=(), sings_s=((start_s, end_s),), because="")}


@pytest.mark.parametrize(("band_db", "drowned"), [(-6.0, False), (-0.5, False), (0.5, True)])
def test_a_vocal_is_drowned_where_more_bleed_was_removed_than_voice_stayed(band_db: float, drowned: bool) -> None:
    clean = facts_of(bump(800.0, 1.5), np.full(100, 1e-2))
    lead = cleaned_vocal(clean, band_db)
    said = find_faults((lead,), VOCAL_TAKE, measurements(clean), sung(0.0, 8.0))
    assert [one.says for one in said if one.kind == "drowned"] == [
        "The lead vocal 0 mic picks up the band about as loudly as the voice. "
        "Sing closer, and point the back of the mic at the drums."
    ] * drowned
    said = find_faults((replace(lead, cleaned=None),), VOCAL_TAKE, measurements(clean), {0: None})
    assert not any(one.kind == "drowned" for one in said)


def found_of(facts: TrackFacts, role: str = "electric guitar", **changes: object) -> dict[str, tuple[float, str]]:
    """What is said of one input: kind -> weight and words."""
    one = replace(an_input(role, facts), **changes)  # type: ignore[arg-type]
    take = Take(folder=Path("card"), recordings=tuple(recordings("a")), rate_hz=48_000, frames=480_000)
    return {each.kind: (each.weight, each.says) for each in find_faults((one,), take, measurements(facts), {})}


POP = ((1.0, 1.1),)


@pytest.mark.parametrize(
    ("facts", "kinds"),
    [
        ({}, set()),
        ({"peak_dbfs": -0.9}, {"headroom"}),
        ({"peak_dbfs": -1.1}, set()),
        ({"peak_dbfs": -30.5}, {"quiet"}),
        ({"peak_dbfs": -29.5}, set()),
        ({"clipped_runs": 1}, {"clipped"}),
        ({"clipped_runs": 2, "pops_s": POP}, {"pop"}),
        ({"clipped_runs": 3, "pops_s": POP}, {"pop", "clipped"}),
        ({"dc": 0.0021}, {"dc"}),
        ({"dc": 0.0019}, set()),
        ({"hum": Hum(mains_hz=50.0, level_dbfs=-50.0)}, {"hum"}),
        ({"dropouts": 1}, {"dropout"}),
        ({"broken_samples": 1}, {"damaged"}),
        ({"feedback": (AcousticFeedback(start_s=1.0, end_s=2.0, hz=900.0, rise_db=45.0),)}, {"feedback"}),
        ({"peak_dbfs": -74.0}, {"quiet"}),
        ({"peak_dbfs": -76.0}, {"silent"}),
    ],
)
def test_each_fault_is_found_from_its_level_on(facts: dict[str, object], kinds: set[str]) -> None:
    assert set(found_of(facts_of(bump(500.0, 1.0), STEADY, **facts))) == kinds  # type: ignore[arg-type]


def test_an_input_that_sounds_for_a_moment_only_is_found() -> None:
    assert set(found_of(facts_of(bump(500.0, 1.0), np.where(np.arange(100) < 3, 1e-2, 0.0)))) == {"silent"}
    assert set(found_of(facts_of(bump(500.0, 1.0), np.where(np.arange(100) < 4, 1e-2, 0.0)))) == set()


@pytest.mark.parametrize(("runs", "weight"), [(7, 50.7), (400, 90.0), (1_000, 90.0)])
def test_the_more_often_it_clipped_the_worse(runs: int, weight: float) -> None:
    assert found_of(facts_of(bump(500.0, 1.0), STEADY, clipped_runs=runs))["clipped"][0] == pytest.approx(weight)


@pytest.mark.parametrize(("inverted", "found"), [(0.9, True), (0.7, False)])
def test_opposite_polarity_is_found_where_it_costs_two_decibels(inverted: float, found: bool) -> None:
    facts = facts_of(bump(500.0, 1.0), STEADY)
    alignment = AlignmentFacts(
        other="overhead", delay_s=0.0, correlation=0.1, flipped_delay_s=0.0, flipped_correlation=inverted
    )
    assert ("polarity" in found_of(facts, "snare", alignment=alignment)) is found


@pytest.mark.parametrize(("step_db", "way"), [(4.0, "up"), (-4.0, "down")])
def test_a_gain_step_says_which_way_it_went(step_db: float, way: str) -> None:
    says = found_of(facts_of(bump(500.0, 1.0), STEADY), gain_step=GainStep(at_s=62.0, step_db=step_db))["gain step"][1]
    assert f" {way} by 4 dB" in says
    assert "1:02" in says


@pytest.mark.parametrize(("count", "more"), [(1, False), (3, False), (4, True)])
def test_three_pops_are_named_and_the_rest_counted(count: int, more: bool) -> None:
    pops_s = tuple((float(at_s), at_s + 0.1) for at_s in range(1, count + 1))
    says = found_of(facts_of(bump(500.0, 1.0), STEADY, pops_s=pops_s))["pop"][1]
    assert [f"0:0{at_s}" in says for at_s in range(1, 5)] == [at_s <= min(count, 3) for at_s in range(1, 5)]
    assert ("later" in says) is more


@pytest.mark.parametrize(("hz", "pitch"), [(900.0, "900 Hz"), (1_000.0, "1.0 kHz"), (2_460.0, "2.5 kHz")])
def test_feedback_is_named_by_pitch_and_time(hz: float, pitch: str) -> None:
    says = found_of(
        facts_of(bump(500.0, 1.0), STEADY, feedback=(AcousticFeedback(start_s=28.4, end_s=29.0, hz=hz, rise_db=45.0),))
    )["feedback"][1]
    assert pitch in says
    assert "0:28" in says
    assert "later" not in says


@pytest.mark.parametrize(("rise_db", "also_in", "sure"), [(30.0, 0, False), (45.0, 0, True), (30.0, 2, True)])
def test_feedback_is_sure_where_it_rose_far_or_shows_in_several_inputs(
    rise_db: float, also_in: int, sure: bool
) -> None:
    tones = (
        AcousticFeedback(start_s=1.0, end_s=2.0, hz=900.0, rise_db=50.0, also_in=also_in),
        AcousticFeedback(start_s=3.0, end_s=4.0, hz=900.0, rise_db=rise_db, also_in=also_in),
    )
    says = found_of(facts_of(bump(500.0, 1.0), STEADY, feedback=tones))["feedback"][1]
    assert says.startswith("Feedback in the " if sure else "Probably feedback in the ")
    assert ('feedback = "off"' in says) is not sure
    assert ("in 3 inputs at once" if also_in else "in this input alone") in says


def test_the_figures_of_small_faults_are_those_that_were_measured() -> None:
    assert "0.3 %" in found_of(facts_of(bump(500.0, 1.0), STEADY, dc=0.003))["dc"][1]
    assert "0.5 dB" in found_of(facts_of(bump(500.0, 1.0), STEADY, peak_dbfs=-0.5))["headroom"][1]
    assert "40 dB below clipping" in found_of(facts_of(bump(500.0, 1.0), STEADY, peak_dbfs=-40.0))["quiet"][1]


def test_a_drowned_voice_is_worse_than_little_headroom_and_better_than_the_wrong_polarity() -> None:
    clean = facts_of(bump(800.0, 1.5), np.full(100, 1e-2), peak_dbfs=-0.5)
    alignment = AlignmentFacts(
        other="overhead", delay_s=0.0, correlation=0.1, flipped_delay_s=0.0, flipped_correlation=0.9
    )
    lead = replace(cleaned_vocal(clean, 5.0), alignment=alignment)
    found = find_faults((lead,), VOCAL_TAKE, measurements(clean), sung(3.0, 8.0))
    assert [each.kind for each in found] == ["polarity", "drowned", "headroom"]


def test_the_order_of_faults_is_by_what_they_spoil() -> None:
    """What cannot be played first, what is only untidy last."""
    tones, hum = (
        (AcousticFeedback(start_s=1.0, end_s=2.0, hz=900.0, rise_db=45.0),),
        Hum(mains_hz=50.0, level_dbfs=-50.0),
    )
    everything = facts_of(
        bump(500.0, 1.0), STEADY, peak_dbfs=-40.0, broken_samples=2, dropouts=2, feedback=tones, hum=hum, pops_s=POP,
        clipped_runs=9, dc=0.01,
    )  # fmt: skip
    found = found_of(everything, gain_step=GainStep(at_s=1.0, step_db=3.0))
    assert list(found) == ["damaged", "clipped", "quiet", "dropout", "feedback", "hum", "gain step", "pop", "dc"]


@pytest.mark.parametrize(
    ("kind", "field", "once", "twice"),
    [
        ("damaged", "broken_samples", "1 sample ", "2 samples "),
        ("dropout", "dropouts", " once", " 2 times"),
        ("clipped", "clipped_runs", " once", " 2 times"),
    ],
)
def test_what_happened_once_and_twice_is_counted_as_people_do(kind: str, field: str, once: str, twice: str) -> None:
    for count, words in ((1, once), (2, twice)):
        facts = facts_of(bump(500.0, 1.0), STEADY, **{field: count})  # type: ignore[arg-type]
        assert words in found_of(facts)[kind][1]


def test_a_guess_that_leaves_an_input_out_names_its_file() -> None:
    """Only a guess: whoever wrote the role knows."""
    facts = facts_of(bump(500.0, 1.0), STEADY)
    for role in ("click", "desk mix"):
        assert "a.wav" in found_of(facts, role, role_is_guess=True)["no part"][1]
        assert found_of(facts, role) == {}
    assert found_of(facts, "keys", role_is_guess=True) == {}


def test_two_seconds_of_singing_are_needed_to_say_that_a_voice_is_drowned() -> None:
    clean = facts_of(bump(800.0, 1.5), np.full(100, 1e-2))
    lead = cleaned_vocal(clean, 5.0)
    for sung_s, drowned in ((1.9, False), (2.0, True)):
        found = find_faults((lead,), VOCAL_TAKE, measurements(clean), sung(3.0, 3.0 + sung_s))
        assert ("drowned" in {each.kind for each in found}) == drowned
    # A gain step or a mask alone does not say how loud the band was.
    assert lead.cleaned is not None
    masked = replace(lead, cleaned=replace(lead.cleaned, subtracted=False))
    stepped = replace(lead, gain_step=GainStep(at_s=1.0, step_db=3.0))
    for voice in (masked, stepped):
        found = find_faults((voice,), VOCAL_TAKE, measurements(clean), sung(3.0, 8.0))
        assert "drowned" not in {each.kind for each in found}
