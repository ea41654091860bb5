"""Plans in words: what was done to an input or to the whole, plain words first, then the rule and its source."""

from __future__ import annotations

from morningmix.model.plan import MasterPlan, Reason, SongPlan, TrackPlan
from morningmix.report.words import cited
from morningmix.units import clock


def whole_in_words(plan: SongPlan, master: MasterPlan) -> list[str]:
    """The whole song: how loud, how much of what, which tilt and room."""
    lines = [f"{plan.title}: {clock(plan.end_s - plan.start_s)} long, aimed at {master.target_lufs:.1f} LUFS."]
    for goal in plan.goals:
        trim = dict(master.trims.trims_db).get(goal.family, 0.0)
        if goal.level_lu is None:
            lines.append(f"  {goal.family}: {goal.because}. [{cited(goal.source)}]")
            continue
        aim = f"wanted at {goal.level_lu:+.1f} LU re the mix, {goal.because}"
        lines.append(f"  {goal.family}: {aim}; trimmed by {trim:+.1f} dB. [{cited(goal.source)}]")
    others = [reason for reason in master.trims.reasons if not reason.what.startswith("trim ")]
    lines += [
        f"  {_master_words(reason, master)}: {reason.because}. [{cited(reason.source)}]"
        for reason in (*master.reasons, *others)
    ]
    lines += [
        f"  The whole tilted by {plan.tilt_db:+.1f} dB: {one.because}. [{cited(one.source)}]" for one in plan.reasons
    ]
    if plan.reverb is not None:
        lines += [
            f"  One small room for all: {reason.because}. [{cited(reason.source)}]" for reason in plan.reverb.reasons
        ]
    return lines


def _master_words(reason: Reason, master: MasterPlan) -> str:
    if reason.what == "gain_db":
        return f"The whole turned by {master.gain_db:+.1f} dB"
    if reason.what == "target_lufs":
        return "It aims lower than asked"
    if reason.what == "drum_peak_dbfs":
        return f"Drum peaks held at {master.trims.drum_peak_dbfs:.1f} dBFS before the sum"
    return reason.what


def changes_in_words(before: SongPlan, after: SongPlan) -> list[str]:
    """What a new version of a song does otherwise, most telling first; nothing of what follows from it."""
    said: list[str] = []
    former = {track.name: track for track in before.tracks}
    for track in after.tracks:
        was = former.pop(track.name, None)
        if was is None:
            said.append(f"{track.name} is new")
            continue
        if track.sounds != was.sounds:
            said.append(f"{track.name} is {'back in' if track.sounds else 'left out'}")
        elif track.role != was.role:
            said.append(f"{track.name} is the {track.role}")
        elif track.sounds:
            said += _changes_of_track(was, track)
    said += [f"{name} is gone" for name in former]
    if (before.start_s, before.end_s) != (after.start_s, after.end_s):
        said.append("it is cut otherwise")
    if before.target_lufs != after.target_lufs:
        said.append(f"it aims at {after.target_lufs:.1f} LUFS")
    return said


def _changes_of_track(was: TrackPlan, track: TrackPlan) -> list[str]:
    by_db = track.fader_db + track.gain_db - was.fader_db - was.gain_db
    said = [f"{track.name} {by_db:+.1f} dB"] if abs(by_db) >= 0.05 else []
    if track.moves != was.moves:
        said.append(f"{track.name} for a stretch")
    if track.pan != was.pan:
        said.append(f"{track.name} stands elsewhere")
    chains = [(one.filters, one.gate, one.de_esser, one.compressor, one.cleaned, one.flip) for one in (was, track)]
    if chains[0] != chains[1]:
        said.append(f"{track.name} is treated otherwise")
    return said


def input_in_words(track: TrackPlan) -> list[str]:
    """One input: every decision with its measurement, its rule and its source."""
    guess = ", a guess" if track.role_is_guess else ""
    where = f"in the {track.family} stem" if track.sounds else "left out of the mix"
    lines = [f"{track.name} ({' + '.join(track.files)}): {track.role}{guess}, {where}."]
    lines += [f"  {_track_words(one.what, track)}: {one.because}. [{cited(one.source)}]" for one in track.reasons]
    lines += [
        f"  {move.level_db:+.1f} dB from {clock(move.from_s)} to {clock(move.to_s)}: as written. [recipe]"
        for move in track.moves
    ]
    return lines


def _track_words(what: str, track: TrackPlan) -> str:
    corner = {one.kind: one.corner_hz for one in track.filters}
    squeeze = track.compressor
    words = {
        "role": f"It is the {track.role}",
        "mute": "Not in the mix",
        "gain_db": f"Brought to working level by {track.gain_db:+.1f} dB",
        "high_pass_hz": f"Nothing under {corner['high_pass']:.0f} Hz" if "high_pass" in corner else "No high-pass",
        "low_pass_hz": f"Softened above {corner.get('low_pass', 0.0):.0f} Hz",
        "peak_hz": _peak_words(track),
        "ride": "Fader ridden",
        "de_esser": "Its s softened" if track.de_esser else "Its s as it is",
        "gate": f"Turned down to {track.gate.floor_db:.0f} dB while nobody sings" if track.gate else "Always open",
        "compressor": f"Evened out, {squeeze.ratio:.1f}:1" if squeeze else "Not compressed",
        "delay_s": f"Moved {abs(track.delay_s) * 1000.0:.1f} ms {'later' if track.delay_s > 0 else 'earlier'}"
        if track.delay_s
        else "Not moved in time",
        "flip": "Turned upside down" if track.flip else "Polarity as it is",
        "repair_s": "Clipping mended" if track.repair_s else "Clipping not mended",
        "cleaned": "Cleaned of bleed",
        "gain_step": "Gain evened out",
        "ducked_s": "Turned down for a moment",
        "fader_db": f"Fader at {track.fader_db:+.1f} dB",
        "pan": _pan_words(track.pan),
        "send_db": "No reverb" if track.send_db is None else f"Reverb {track.send_db:+.0f} dB",
    }
    return words.get(what, what)


def _peak_words(track: TrackPlan) -> str:
    cut = next((one for one in track.filters if one.kind == "peak"), None)
    return f"{-cut.gain_db:.1f} dB less around {cut.corner_hz:.0f} Hz" if cut else "No cut"


def _pan_words(pan: float) -> str:
    if pan == 0.0:
        return "In the middle"
    return f"{abs(pan) * 100:.0f} % to the {'left' if pan < 0.0 else 'right'}"
