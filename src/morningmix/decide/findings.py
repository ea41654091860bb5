"""What to change at the desk next time: faults in words, worst first.

Only faults that a person can act on are reported. Thresholds are common practice, no source, unless marked.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from morningmix.decide.acoustic_feedback import is_sure
from morningmix.decide.align import flip_margin_db
from morningmix.laws.track_power import k_powers, loudness_of, spans_to_mask
from morningmix.model.found import Finding
from morningmix.model.input import Input
from morningmix.model.measured import AcousticFeedback, Measurements, Singing
from morningmix.model.recording import Take
from morningmix.units import clock

TOO_QUIET_DBFS = -30.0
LITTLE_HEADROOM_DBFS = -1.0
MOST_DC = 0.002
OPPOSITE_DB = 2.0
VOICE_OVER_BAND_LU = 0.0
NO_PART = {"desk mix": "is a mix of the other inputs", "click": "is a click track"}
"""What is said of inputs that are not part of the music, by role."""


def find_faults(
    inputs: Sequence[Input], take: Take, measured: Measurements, singing: Mapping[int, Singing | None]
) -> tuple[Finding, ...]:
    """Findings, worst first; `inputs` are in the order of the take."""
    found = [finding for input_ in inputs for finding in _of_input(input_, measured.slot_s)]
    found += _drowned(inputs, measured, singing)
    for recording, input_ in zip(take.recordings, inputs, strict=True):
        found += [
            Finding(name=input_.name, kind="damaged", says=f"{input_.name}: {says}", weight=80.0)
            for says in recording.damage
        ]
    found += [Finding(name="", kind="left out", says=says, weight=70.0) for says in take.left_out]
    return tuple(sorted(found, key=lambda finding: -finding.weight))


def _of_input(input_: Input, slot_s: float) -> list[Finding]:
    facts, name = input_.facts, input_.name
    if facts.silent:
        says = f"{name} recorded nothing. Check its cable and its mute, and that the track was armed."
        return [_finding(input_, "silent", 60.0, says)]
    if input_.only_bleed:
        says = f"{name} recorded only bleed, so it is left out. If somebody played it, check its cable and its volume."
        return [_finding(input_, "only bleed", 55.0, says)]
    if facts.momentary(slot_s):
        says = f"{name} recorded only a moment of sound, so it is left out. Check its cable, and that it was armed."
        return [_finding(input_, "silent", 60.0, says)]
    return [*_of_level(input_), *_of_the_take(input_), *_of_wiring(input_)]


def _of_level(input_: Input) -> list[Finding]:
    facts, name = input_.facts, input_.name
    found: list[Finding] = []
    # A pop alone may hit full scale, and is reported once.
    if facts.clipped_runs > 2 * len(facts.pops_s):
        times = "once" if facts.clipped_runs == 1 else f"{facts.clipped_runs} times"
        drum = input_.preset.family == "drums"
        advice = "Switch its pad on, or turn it down by about 6 dB." if drum else "Turn it down by about 6 dB."
        weight = 50.0 + min(facts.clipped_runs, 400) / 10.0
        found.append(_finding(input_, "clipped", weight, f"{name} was too loud for the recorder {times}. {advice}"))
    elif facts.peak_dbfs > LITTLE_HEADROOM_DBFS:
        near_db = max(-facts.peak_dbfs, 0.0)
        says = f"{name} was nearly too loud for the recorder ({near_db:.1f} dB left). Turn it down by about 6 dB."
        found.append(_finding(input_, "headroom", 20.0, says))
    if facts.peak_dbfs < TOO_QUIET_DBFS:
        direct = input_.preset.family in ("bass", "guitars", "keys")
        looks_like = "a passive instrument" if direct else "a microphone"
        better = "an instrument input (a DI box) or a preamp" if direct else "a microphone input"
        says = (
            f"{name} is very quiet (its loudest peak is {-facts.peak_dbfs:.0f} dB below clipping). "
            f"This looks like {looks_like} in a line input; {better} would bring it up."
        )
        found.append(_finding(input_, "quiet", 45.0, says))
    return found


def _of_the_take(input_: Input) -> list[Finding]:
    """Faults that happened during the recording."""
    facts, name = input_.facts, input_.name
    found: list[Finding] = []
    if input_.role_is_guess and input_.role in NO_PART:
        # A guessed name does not tell which input it is.
        which = f"{name} ({' and '.join(facts.files)})"
        says = f"{which} {NO_PART[input_.role]}, so it is left out. If that is wrong, write its role into the recipe."
        found.append(_finding(input_, "no part", 55.0, says))
    if facts.broken_samples:
        count = "1 sample" if facts.broken_samples == 1 else f"{facts.broken_samples} samples"
        says = f"{name} has {count} that cannot be played, so we muted them. Copy the file from the recorder again."
        found.append(_finding(input_, "damaged", 80.0, says))
    if input_.gain_step is not None:
        at_s, step_db = input_.gain_step.at_s, input_.gain_step.step_db
        way = "down" if step_db < 0.0 else "up"
        says = (
            f"The gain of {name} was turned {way} by {abs(step_db):.0f} dB at {_at(at_s)}. "
            "We evened it out in the mix. Next time leave the gains alone while recording."
        )
        found.append(_finding(input_, "gain step", 40.0, says))
    if facts.pops_s:
        times = ", ".join(_at(start) for start, _ in facts.pops_s[:3])
        says = (
            f"{name} popped at {times}{' and later' if len(facts.pops_s) > 3 else ''}. We turned it down in the mix. "
            "Look for a loose plug, and mute the channel before you plug in."
        )
        found.append(_finding(input_, "pop", 38.0, says))
    if facts.feedback:
        found.append(_finding(input_, "feedback", 43.0, _fed_back(name, facts.feedback)))
    if facts.dropouts:
        times = "once" if facts.dropouts == 1 else f"{facts.dropouts} times"
        says = f"{name} dropped out {times}. Try another cable or a faster memory card."
        found.append(_finding(input_, "dropout", 44.0, says))
    return found


def _fed_back(name: str, tones: Sequence[AcousticFeedback]) -> str:
    """What is said of feedback in an input: how sure it is, what happened to it, and what to do."""
    first = tones[0]
    pitch = f"{first.hz / 1000.0:.1f} kHz" if first.hz >= 1000.0 else f"{first.hz:.0f} Hz"
    where = f"in the {name} mic at {_at(first.start_s)}{' and later' if len(tones) > 1 else ''}"
    mics = f"{1 + first.also_in} inputs at once" if first.also_in else "this input alone"
    why = f"a tone without overtones that swelled by {first.rise_db:.0f} dB, in {mics}"
    sure = all(is_sure(tone) for tone in tones)
    return (
        f"{'Feedback' if sure else 'Probably feedback'} {where} ({why}). We turned it down in the mix"
        + (". " if sure else '; if it was a note, write feedback = "off" under that input. ')
        + f"Next time turn its monitor down (the tone is at {pitch}), or move the mic away from the loudspeaker."
    )


def _of_wiring(input_: Input) -> list[Finding]:
    facts, name = input_.facts, input_.name
    found: list[Finding] = []
    if facts.hum is not None:
        says = (
            f"{name} hums ({facts.hum.mains_hz:.0f} Hz, {-facts.hum.level_dbfs:.0f} dB below clipping). "
            "Try another cable, keep it off power supplies, or use a DI box (instrument input) with a ground lift."
        )
        found.append(_finding(input_, "hum", 42.0, says))
    if facts.dc > MOST_DC:
        says = f"{name} sits {100.0 * facts.dc:.1f} % off centre (DC offset). Have that input looked at."
        found.append(_finding(input_, "dc", 15.0, says))
    margin_db = flip_margin_db(input_)
    if margin_db is not None and margin_db >= OPPOSITE_DB:
        says = (
            f"{name} has the opposite polarity to the overhead. We inverted it in the mix. "
            "Next time press its polarity switch, or look for a cable that is wired the other way."
        )
        found.append(_finding(input_, "polarity", 35.0, says))
    return found


def _at(seconds: float) -> str:
    """A time to the second, as people say it."""
    return clock(seconds).partition(".")[0]


def _drowned(inputs: Sequence[Input], measured: Measurements, singing: Mapping[int, Singing | None]) -> list[Finding]:
    """Vocal microphones in which the band is about as loud as the voice: bleed that was removed, against what stayed.

    Only where bleed was subtracted: a gate tells when somebody sings, not how loud the band is meanwhile.
    """
    found = []
    for input_ in inputs:
        sung = singing.get(input_.index)
        apart = input_.cleaned is not None and input_.cleaned.subtracted and input_.gain_step is None
        if input_.preset.family != "vocals" or sung is None or not apart or input_.recorded is None:
            continue
        voice = k_powers(input_.facts, measured, ())
        recorded = k_powers(replace(input_.facts, slots=input_.recorded), measured, ())
        sings = spans_to_mask(sung.sings_s, len(voice), measured.slot_s)
        if np.count_nonzero(sings) < 20:
            continue
        voice_lufs, band_lufs = loudness_of(voice, sings), loudness_of(np.maximum(recorded - voice, 0.0), sings)
        if voice_lufs is not None and band_lufs is not None and voice_lufs - band_lufs < VOICE_OVER_BAND_LU:
            says = (
                f"The {input_.name} mic picks up the band about as loudly as the voice. "
                "Sing closer, and point the back of the mic at the drums."
            )
            found.append(_finding(input_, "drowned", 30.0, says))
    return found


def _finding(input_: Input, kind: str, weight: float, says: str) -> Finding:
    return Finding(name=input_.name, kind=kind, says=says, weight=weight)
