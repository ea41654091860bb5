"""What to change at the desk next time: what went wrong, in words, worst first.

Only what a person can act on is said. Levels at which something is said are common practice, no source, unless marked.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from morningmix.decide.align import flip_margin_db
from morningmix.laws.track_power import k_powers, loudness_of, spans_to_mask
from morningmix.model.found import Finding
from morningmix.model.input import Input
from morningmix.model.measured import Measurements, Singing
from morningmix.model.recording import Take
from morningmix.units import clock

TOO_QUIET_DBFS = -30.0
LITTLE_HEADROOM_DBFS = -1.0
MOST_DC = 0.002
UPSIDE_DOWN_DB = 2.0
VOICE_OVER_BAND_LU = 0.0
NO_PART = {"desk mix": "carries the sum of the others", "click": "holds a click"}
"""What is said of inputs that are no part of the music, by role."""


def find_faults(
    inputs: Sequence[Input], take: Take, measured: Measurements, singing: Mapping[int, Singing | None]
) -> tuple[Finding, ...]:
    """Findings, worst first; `inputs` are in the order of the take."""
    found = [finding for one in inputs for finding in _of_input(one, measured.slot_s)]
    found += _drowned(inputs, measured, singing)
    for recording, one in zip(take.recordings, inputs, strict=True):
        found += [
            Finding(name=one.name, kind="damaged", says=f"{one.name}: {says}", weight=80.0) for says in recording.damage
        ]
    found += [Finding(name="", kind="left out", says=says, weight=70.0) for says in take.left_out]
    return tuple(sorted(found, key=lambda finding: -finding.weight))


def _of_input(one: Input, slot_s: float) -> list[Finding]:
    facts, name = one.facts, one.name
    if facts.silent:
        return [
            _finding(one, "silent", 60.0, f"{name} recorded nothing: check its cable, its mute and that it was armed")
        ]
    if facts.momentary(slot_s):
        says = f"{name} recorded only a moment of sound and was left out: check its cable and that it was armed"
        return [_finding(one, "silent", 60.0, says)]
    found: list[Finding] = []
    if one.role_is_guess and one.role in NO_PART:
        # A guessed name does not tell which input is meant.
        which = f"{name} ({' and '.join(facts.files)})"
        says = f"{which} {NO_PART[one.role]}: it is left out; write its role into the recipe if that is wrong"
        found.append(_finding(one, "no part", 55.0, says))
    if facts.broken_samples:
        count = "1 sample" if facts.broken_samples == 1 else f"{facts.broken_samples} samples"
        found.append(
            _finding(
                one,
                "damaged",
                80.0,
                f"{name} has {count} that cannot be played, silent here: copy the file from the recorder again",
            )
        )
    # A pop may hit full scale by itself; that is reported once.
    if facts.clipped_runs > 2 * len(facts.pops_s):
        times = "once" if facts.clipped_runs == 1 else f"{facts.clipped_runs} times"
        drum = one.preset.family == "drums"
        advice = "switch its pad on, or turn it down about 6 dB" if drum else "turn it down about 6 dB"
        weight = 50.0 + min(facts.clipped_runs, 400) / 10.0
        found.append(_finding(one, "clipped", weight, f"{name} hit full scale {times}: {advice}"))
    elif facts.peak_dbfs > LITTLE_HEADROOM_DBFS:
        found.append(
            _finding(
                one,
                "headroom",
                20.0,
                f"{name} came within {max(-facts.peak_dbfs, 0.0):.1f} dB of full scale: turn it down about 6 dB",
            )
        )
    if facts.peak_dbfs < TOO_QUIET_DBFS:
        direct = one.preset.family in ("bass", "guitars", "keys")
        looks_like = "a passive instrument in a line input" if direct else "a microphone in a line input"
        found.append(
            _finding(
                one,
                "quiet",
                45.0,
                f"{name} peaks at {facts.peak_dbfs:.0f} dBFS: this looks like {looks_like}; "
                f"a {'DI box or preamp' if direct else 'microphone input'} would bring it up",
            )
        )
    if one.gain_step is not None:
        way = "down" if one.gain_step.step_db < 0.0 else "up"
        found.append(
            _finding(
                one,
                "turned",
                40.0,
                f"the gain of {name} was turned {way} by {abs(one.gain_step.step_db):.0f} dB "
                f"at {clock(one.gain_step.at_s)}: "
                "made up for here; better leave gains alone while recording",
            )
        )
    if facts.hum is not None:
        found.append(
            _finding(
                one,
                "hum",
                42.0,
                f"{name} hums at {facts.hum.mains_hz:.0f} Hz ({facts.hum.level_dbfs:.0f} dBFS): "
                "try another cable, keep it away from power supplies, or use a DI box with its ground lifted",
            )
        )
    if facts.pops_s:
        times = ", ".join(clock(start) for start, _ in facts.pops_s[:3])
        found.append(
            _finding(
                one,
                "pop",
                38.0,
                f"{name} popped at {times}{' and later' if len(facts.pops_s) > 3 else ''}: "
                "turned down here; look for a loose plug, and mute before plugging",
            )
        )
    if facts.feedback:
        first = facts.feedback[0]
        pitch = f"{first.hz / 1000.0:.1f} kHz" if first.hz >= 1000.0 else f"{first.hz:.0f} Hz"
        found.append(
            _finding(
                one,
                "howl",
                43.0,
                f"{name} howled at {pitch} at {clock(first.start_s)}{' and later' if len(facts.feedback) > 1 else ''}: "
                "turned down here; turn its monitor down, or move it away from the loudspeaker",
            )
        )
    if facts.dropouts:
        found.append(
            _finding(
                one,
                "dropout",
                44.0,
                f"{name} dropped out {facts.dropouts} time{'s' if facts.dropouts > 1 else ''}: "
                "try another cable or a faster card",
            )
        )
    if facts.dc > MOST_DC:
        found.append(
            _finding(
                one, "dc", 15.0, f"{name} sits {100.0 * facts.dc:.1f} % off centre (DC): have that input looked at"
            )
        )
    margin_db = flip_margin_db(one)
    if margin_db is not None and margin_db >= UPSIDE_DOWN_DB:
        found.append(
            _finding(
                one,
                "polarity",
                35.0,
                f"{name} is upside down against the overhead: turned over here; press its polarity switch, "
                "or look for a cable wired the other way",
            )
        )
    return found


def _drowned(inputs: Sequence[Input], measured: Measurements, singing: Mapping[int, Singing | None]) -> list[Finding]:
    """Voice microphones in which the band is about as loud as the voice: bleed that was taken out, against what stayed.

    Only where the bleed was subtracted: a gate tells when somebody sings, not how loud the band is meanwhile.
    """
    found = []
    for one in inputs:
        heard = singing.get(one.index)
        apart = one.cleaned is not None and one.cleaned.subtracted and one.gain_step is None
        if one.preset.family != "vocals" or heard is None or not apart or one.recorded is None:
            continue
        voice = k_powers(one.facts, measured, ())
        recorded = k_powers(replace(one.facts, slots=one.recorded), measured, ())
        sings = spans_to_mask(heard.sings_s, len(voice), measured.slot_s)
        if np.count_nonzero(sings) < 20:
            continue
        voice_lufs, band_lufs = loudness_of(voice, sings), loudness_of(np.maximum(recorded - voice, 0.0), sings)
        if voice_lufs is not None and band_lufs is not None and voice_lufs - band_lufs < VOICE_OVER_BAND_LU:
            says = (
                f"{one.name} hears the band about as loud as the voice: sing closer to it, "
                "and turn its back to drums and loudspeakers"
            )
            found.append(_finding(one, "drowned", 30.0, says))
    return found


def _finding(one: Input, kind: str, weight: float, says: str) -> Finding:
    return Finding(name=one.name, kind=kind, says=says, weight=weight)
