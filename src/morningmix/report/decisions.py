"""Every decision with its reason, in tables."""

from __future__ import annotations

from morningmix.model.plan import Reason, TrackPlan
from morningmix.report.contents import ReportedSong
from morningmix.report.parts import table
from morningmix.report.words import cited, hertz, minutes, named, number, safe, sentence, side


def decisions(song: ReportedSong) -> str:
    """The table of all inputs, and the reasons of each behind a fold."""
    head = ("Input", "Role", "Gain", "Filters", "Gate", "Compressor", "Fader", "Place", "Reverb")
    seconds = song.plan.end_s - song.plan.start_s
    rows = [[named(track.name), _role(track), *_cells(track, seconds)] for track in song.plan.tracks]
    whys = "".join(_why(track, seconds) for track in song.plan.tracks)
    return (
        "<h3>What was decided for each input</h3>"
        + (table("Decisions for each input", head, rows) if rows else "<p>There are no inputs.</p>")
        + whys
    )


def _role(track: TrackPlan) -> str:
    return f'{safe(track.role)} <span class="guess">(a guess)</span>' if track.role_is_guess else safe(track.role)


def _cells(track: TrackPlan, seconds: float) -> list[str]:
    if not track.sounds:
        why = next((reason.because for reason in track.reasons if reason.what == "mute"), "")
        return [f"not in the mix{f': {safe(why)}' if why else ''}", "", "", "", "", "", ""]
    return [
        _decibels(track.gain_db)
        + "".join(f", {extra}" for extra in ("turned over" if track.flip else "", _timing(track.delay_s)) if extra),
        _filters(track),
        _gate(track, seconds),
        _compressor(track),
        _fader(track),
        side(track.pan),
        "dry" if track.send_db is None else _decibels(track.send_db),
    ]


def _decibels(value_db: float) -> str:
    """A signed level."""
    return f"{number(value_db, signed=True)} dB"


def _timing(delay_s: float) -> str:
    return f"{number(abs(delay_s) * 1000.0, 2)} ms {'later' if delay_s > 0 else 'earlier'}" if delay_s else ""


def _filters(track: TrackPlan, kind: str | None = None) -> str:
    words = {"high_pass": "from", "low_pass": "up to"}
    kept = [one for one in track.filters if kind is None or one.kind == kind]
    said = [
        f"{_decibels(one.gain_db)} at {hertz(one.corner_hz)}"
        if one.kind == "peak"
        else f"{words[one.kind]} {hertz(one.corner_hz)}"
        for one in kept
    ]
    return ", ".join(said) or "none"


def _gate(track: TrackPlan, seconds: float) -> str:
    if track.gate is None:
        return "none"
    open_s = sum(b - a for a, b in track.gate.open_s)
    share = f"open {100.0 * min(open_s / seconds, 1.0):.0f} %, " if seconds > 0.0 else ""
    return f"{share}else {_decibels(track.gate.floor_db)}"


def _compressor(track: TrackPlan) -> str:
    one = track.compressor
    return "none" if one is None else f"{number(one.ratio)}:1 over {number(one.threshold_db)} dB"


def _fader(track: TrackPlan) -> str:
    moves = "".join(
        f"; {_decibels(move.level_db)} from {minutes(move.from_s)} to {minutes(move.to_s)}" for move in track.moves
    )
    return _decibels(track.fader_db) + moves


def _why(track: TrackPlan, seconds: float) -> str:
    values = {
        "role": ("Role", _role(track)),
        "mute": ("Left out", "not in the mix"),
        "gain_db": ("Gain", _decibels(track.gain_db)),
        "high_pass_hz": ("High-pass", _filters(track, "high_pass")),
        "low_pass_hz": ("Low-pass", _filters(track, "low_pass")),
        "peak_hz": ("Cut", _filters(track, "peak")),
        "de_esser": ("De-essing", "" if track.de_esser is None else f"over {hertz(track.de_esser.corner_hz)}"),
        "gate": ("Gate", _gate(track, seconds)),
        "compressor": ("Compressor", _compressor(track)),
        "fader_db": ("Fader", _fader(track)),
        "ride": ("Ride", _ride(track)),
        "pan": ("Place", side(track.pan)),
        "send_db": ("Reverb", "dry" if track.send_db is None else _decibels(track.send_db)),
        "flip": ("Polarity", "turned over" if track.flip else "as it is"),
        "delay_s": ("Timing", _timing(track.delay_s) or "as it is"),
        "gain_step": ("Gain, mid-take", "" if track.gain_step is None else _decibels(track.gain_step[1])),
        "ducked_s": ("Pops", f"{len(track.ducked_s)} turned down"),
    }
    rows = [[*values.get(reason.what, (_plain(reason.what), "")), *_because(reason)] for reason in track.reasons]
    name = safe(track.name)
    numbers = table(f"Reasons for {name}", ("What", "Decided", "Why", "Source"), rows, wordy=2) if rows else ""
    summary = f"Why {named(track.name)} is as it is"
    return f'<details class="why"><summary>{summary}</summary>{numbers or "<p>No reason is kept.</p>"}</details>'


def _ride(track: TrackPlan) -> str:
    levels = [db for _, db in track.ride]
    return f"{_decibels(min(levels))} to {_decibels(max(levels))}" if levels else ""


def _because(reason: Reason) -> list[str]:
    return [safe(sentence(reason.because)), safe(cited(reason.source))]


def _plain(what: str) -> str:
    return safe(sentence(what.replace("_", " ")).rstrip("."))


def master_decisions(song: ReportedSong) -> str:
    """What was decided for the whole mix, behind a fold."""
    master, trims = song.master, song.master.trims
    values = {f"trim {family}": ("Level of the " + safe(family), _decibels(db)) for family, db in trims.trims_db}
    if trims.drum_peak_dbfs is not None:
        values["drum_peak_dbfs"] = ("Drum peaks held at", f"{number(trims.drum_peak_dbfs)} dBFS before the last gain")
    values["gain_db"] = ("Last gain", _decibels(master.gain_db))
    values["target_lufs"] = ("Aim", f"{number(master.target_lufs)} LUFS")
    reverb = song.plan.reverb
    if reverb is not None:
        values["room"] = ("Reverb", f"one small room, nothing under {hertz(reverb.low_cut_hz)}")
    reasons = {reason.what: reason for reason in (*(reverb.reasons if reverb else ()), *trims.reasons, *master.reasons)}
    reasons |= {
        f"trim {goal.family}": Reason(what=f"trim {goal.family}", because=goal.because, source=goal.source)
        for goal in song.plan.goals
        if f"trim {goal.family}" in values and f"trim {goal.family}" not in reasons
    }
    rows = [[*values[what], *(_because(reasons[what]) if what in reasons else ("", ""))] for what in values]
    rows += [[_plain(what), "", *_because(reason)] for what, reason in reasons.items() if what not in values]
    rows.append(
        [
            "Limiter",
            f"at {number(master.ceiling_dbfs)} dBFS, {1000.0 * master.lookahead_s:.0f} ms ahead, "
            f"{1000.0 * master.release_s:.0f} ms to let go",
            f"So that true peaks stay under {number(song.plan.ceiling_dbtp)} dBTP.",
            "",
        ]
    )
    return (
        '<details class="why"><summary>Why the whole mix is as it is</summary>'
        + table("Decisions for the whole mix", ("What", "Decided", "Why", "Source"), rows, wordy=2)
        + "</details>"
    )
