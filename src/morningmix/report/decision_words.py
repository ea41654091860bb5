"""Decisions and findings in words: one table each, read by `why` and by the report."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from morningmix.model.plan import MasterPlan, SongPlan, TrackPlan
from morningmix.report.words import hertz, loudness_in_words, minutes, number, side


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """One decision, worded for a table (`heading`, `value`) and for running text (`says`)."""

    heading: str
    value: str
    says: str


FINDINGS: Mapping[str, str] = {
    "clipped": "clipped",
    "damaged": "damaged file",
    "dc": "off centre",
    "dropout": "dropouts",
    "drowned": "too much bleed",
    "feedback": "feedback",
    "gain step": "gain changed",
    "headroom": "close to overload",
    "hum": "hum",
    "left out": "left out",
    "no part": "not part of the mix",
    "polarity": "opposite polarity",
    "only bleed": "only bleed",
    "pop": "pops",
    "quiet": "too quiet",
    "silent": "no sound",
}
"""Kinds of `Finding`, as a heading or a remark beside an input's name."""


def input_decision(what: str, track: TrackPlan) -> Decision:
    """The decision behind a track's `Reason.what`; a field that only an old recall sheet has stands for itself."""
    word = _OF_INPUT.get(what)
    return _unknown(what) if word is None else word(track)


def song_decision(what: str, plan: SongPlan, master: MasterPlan) -> Decision:
    """The decision behind a `Reason.what` that concerns the whole song."""
    if what.startswith("trim "):
        family = what.removeprefix("trim ")
        trim = decibels(dict(master.trims.trims_db).get(family, 0.0))
        return Decision(heading=f"Level of the {family}", value=trim, says=f"{family.capitalize()} adjusted by {trim}")
    match what:
        case "gain_db":
            value = decibels(master.gain_db)
            turned = f"{'down' if master.gain_db < 0.0 else 'up'} by {number(abs(master.gain_db))} dB"
            return Decision(heading="Final gain", value=value, says=f"Whole mix turned {turned}")
        case "target_lufs":
            value = loudness_in_words(master.target_lufs)
            return Decision(heading="Target", value=value, says=f"Aiming at {value}")
        case "drum_peak_dbfs":
            held = master.trims.drum_peak_dbfs
            value = "left as played" if held is None else f"{number(-held)} dB below clipping, before the final gain"
            says = "Drum peaks left as played" if held is None else "Highest drum peaks softened"
            return Decision(heading="Drum peaks", value=value, says=says)
        case "tilt_db":
            tone = "warmer" if plan.tilt_db > 0.0 else "brighter"
            value = f"{tone} by {number(abs(plan.tilt_db))} dB"
            return Decision(heading="Tone of the whole mix", value=value, says=f"Whole mix made {value}")
        case "mono_below_hz":
            value = "" if plan.mono_below_hz is None else f"in the middle below {hertz(plan.mono_below_hz)}"
            return Decision(heading="Lows", value=value or "left as they are", says="Lows in the middle")
        case "room":
            corner = "" if plan.reverb is None else f", high-pass at {hertz(plan.reverb.low_cut_hz)}"
            return Decision(heading="Reverb", value=f"one small room{corner}", says="One small room for all")
    return _unknown(what)


def _unknown(what: str) -> Decision:
    words = what.replace("_", " ").capitalize()
    return Decision(heading=words, value="", says=words)


# ---------------------------------------------------------------- values


def decibels(value_db: float) -> str:
    """A signed level."""
    return f"{number(value_db, signed=True)} dB"


def timing(delay_s: float) -> str:
    """Time shift of an input; empty where it is not moved."""
    return f"{number(abs(delay_s) * 1000.0, 2)} ms {'later' if delay_s > 0 else 'earlier'}" if delay_s else ""


def filters(track: TrackPlan, kind: str | None = None) -> str:
    """An input's filters, or those of one kind."""
    words = {
        "high_pass": "high-pass" if kind is None else "from",
        "low_pass": "low-pass" if kind is None else "up to",
        "peak": "at",
        "low_shelf": "below",
        "high_shelf": "above",
    }
    parts = [
        f"{decibels(planned.gain_db) + ' ' if planned.gain_db else ''}{words[planned.kind]} {hertz(planned.corner_hz)}"
        for planned in track.filters
        if kind in (None, planned.kind)
    ]
    return ", ".join(parts) or "none"


def fader(track: TrackPlan) -> str:
    """An input's fader, and where it moves."""
    moves = [f"{decibels(move.level_db)} from {minutes(move.from_s)} to {minutes(move.to_s)}" for move in track.moves]
    return "; ".join([decibels(track.fader_db), *moves])


# ---------------------------------------------------------------- inputs


def _role(track: TrackPlan) -> Decision:
    guess = " (a guess)" if track.role_is_guess else ""
    return Decision(heading="Role", value=f"{track.role}{guess}", says=f"Role: {track.role}{guess}")


def _gain(track: TrackPlan) -> Decision:
    value = decibels(track.gain_db)
    return Decision(heading="Gain", value=value, says=f"Gain {value}")


def _high_pass(track: TrackPlan) -> Decision:
    return _corner(track, "high_pass", "High-pass")


def _low_pass(track: TrackPlan) -> Decision:
    return _corner(track, "low_pass", "Low-pass")


def _corner(track: TrackPlan, kind: str, heading: str) -> Decision:
    corner = next((hertz(planned.corner_hz) for planned in track.filters if planned.kind == kind), None)
    if corner is None:
        return Decision(heading=heading, value="none", says=f"No {heading.lower()}")
    return Decision(heading=heading, value=corner, says=f"{heading} at {corner}")


def _peak(track: TrackPlan) -> Decision:
    cut = next((planned for planned in track.filters if planned.kind == "peak"), None)
    if cut is None:
        return Decision(heading="EQ cut", value="none", says="No EQ cut")
    return Decision(
        heading="EQ cut",
        value=f"{decibels(cut.gain_db)} at {hertz(cut.corner_hz)}",
        says=f"EQ cut of {number(-cut.gain_db)} dB at {hertz(cut.corner_hz)}",
    )


def _tone(track: TrackPlan) -> Decision:
    value = filters(track, "peak")
    return Decision(heading="Tone", value=value, says=f"Tone {value}")


def _low_shelf(track: TrackPlan) -> Decision:
    return _shelf(track, "low_shelf", "Lows")


def _high_shelf(track: TrackPlan) -> Decision:
    return _shelf(track, "high_shelf", "Highs")


def _shelf(track: TrackPlan, kind: str, heading: str) -> Decision:
    value = filters(track, kind)
    if value == "none":
        return Decision(heading=heading, value="as they are", says=f"{heading} left as they are")
    return Decision(heading=heading, value=value, says=f"{heading} {value}")


def _de_esser(track: TrackPlan) -> Decision:
    if track.de_esser is None:
        return Decision(heading="De-essing", value="none", says="S sounds left as they are")
    value = f"above {hertz(track.de_esser.corner_hz)}"
    return Decision(heading="De-essing", value=value, says="Sharp S sounds softened")


def _gate(track: TrackPlan) -> Decision:
    if track.gate is None:
        return Decision(heading="Gate", value="none", says="No gate")
    value = f"{decibels(track.gate.floor_db)} while closed"
    says = f"Turned down by {number(-track.gate.floor_db, 0)} dB between phrases"
    return Decision(heading="Gate", value=value, says=says)


def _compressor(track: TrackPlan) -> Decision:
    squeeze = track.compressor
    if squeeze is None:
        return Decision(heading="Compressor", value="none", says="Not compressed")
    value = f"{number(squeeze.ratio)}:1 above {number(squeeze.threshold_db)} dB"
    return Decision(heading="Compressor", value=value, says=f"Compressed {number(squeeze.ratio)}:1")


def _delay(track: TrackPlan) -> Decision:
    moved = timing(track.delay_s)
    says = f"Moved {moved}" if moved else "Timing left as it is"
    return Decision(heading="Timing", value=moved or "as recorded", says=says)


def _flip(track: TrackPlan) -> Decision:
    if track.flip:
        return Decision(heading="Polarity", value="inverted", says="Polarity inverted")
    return Decision(heading="Polarity", value="as recorded", says="Polarity left as it is")


def _repair(track: TrackPlan) -> Decision:
    if track.repair_s:
        value = f"repaired, up to {number(track.repair_s * 1000.0)} ms each"
        return Decision(heading="Clipping", value=value, says="Clipping repaired")
    return Decision(heading="Clipping", value="left as recorded", says="Clipping left as recorded")


def _gain_step(track: TrackPlan) -> Decision:
    value = (
        "none"
        if track.gain_step is None
        else f"{decibels(track.gain_step[1])} from {minutes(max(track.gain_step[0], 0.0))}"
    )
    return Decision(heading="Gain change during the take", value=value, says=f"Gain change evened out: {value}")


def _ducked(track: TrackPlan) -> Decision:
    count = len(track.ducked_s)
    places = "one place" if count == 1 else f"{count} places"
    return Decision(heading="Pops and feedback", value=f"{places} turned down", says=f"Turned down in {places}")


def _fader(track: TrackPlan) -> Decision:
    return Decision(heading="Fader", value=fader(track), says=f"Fader at {decibels(track.fader_db)}")


def _ride(track: TrackPlan) -> Decision:
    levels = [db for _, db in track.ride]
    if not levels:
        return Decision(heading="Fader ride", value="none", says="Fader not ridden")
    value = f"{decibels(min(levels))} to {decibels(max(levels))}"
    return Decision(heading="Fader ride", value=value, says=f"Fader ridden, {value}")


def _pan(track: TrackPlan) -> Decision:
    place = side(track.pan)
    says = "Panned to the centre" if place == "centre" else f"Panned {place}"
    return Decision(heading="Pan", value=place, says=says)


def _send(track: TrackPlan) -> Decision:
    if track.send_db is None:
        return Decision(heading="Reverb", value="dry", says="No reverb")
    value = decibels(track.send_db)
    return Decision(heading="Reverb", value=value, says=f"Reverb send at {value}")


_OF_INPUT: Mapping[str, Callable[[TrackPlan], Decision]] = {
    "role": _role,
    "mute": lambda _: Decision(heading="Left out", value="not in the mix", says="Left out of the mix"),
    "gain_db": _gain,
    "high_pass_hz": _high_pass,
    "low_pass_hz": _low_pass,
    "peak_hz": _peak,
    "tone_db": _tone,
    "low_shelf_hz": _low_shelf,
    "high_shelf_hz": _high_shelf,
    "de_esser": _de_esser,
    "gate": _gate,
    "compressor": _compressor,
    "delay_s": _delay,
    "flip": _flip,
    "repair_s": _repair,
    "cleaned": lambda _: Decision(heading="Bleed", value="reduced", says="Bleed reduced"),
    "gain_step": _gain_step,
    "ducked_s": _ducked,
    "fader_db": _fader,
    "ride": _ride,
    "pan": _pan,
    "send_db": _send,
}
