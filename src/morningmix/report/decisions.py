"""Every decision with its reason, in tables."""

from __future__ import annotations

from markupsafe import Markup  # noqa: TID251

from morningmix.model.plan import TrackPlan
from morningmix.report.contents import ReportedSong
from morningmix.report.parts import Table
from morningmix.report.words import (
    below_clipping,
    clean,
    hertz,
    loudness_in_words,
    minutes,
    named,
    number,
    sentence,
    side,
)


def decisions(song: ReportedSong) -> Table:
    """All inputs in the mix, one row each."""
    seconds = song.plan.end_s - song.plan.start_s
    return Table(
        caption="Decisions for each input",
        head=("Input", "Role", "Gain", "Filters", "Gate", "Compressor", "Fader", "Position", "Reverb"),
        rows=[[named(track.name), _role(track), *_cells(track, seconds)] for track in song.plan.tracks if track.sounds],
    )


def left_out(song: ReportedSong) -> list[tuple[str, str]]:
    """Names of the inputs that are not in the mix, each with the reason."""
    return [
        (track.name, next((reason.because for reason in track.reasons if reason.what == "mute"), ""))
        for track in song.plan.tracks
        if not track.sounds
    ]


def _role(track: TrackPlan) -> Markup:
    guess = Markup(' <span class="guess">(a guess)</span>') if track.role_is_guess else ""
    return Markup("{}{}").format(clean(track.role), guess)


def _cells(track: TrackPlan, seconds: float) -> list[str]:
    return [
        _decibels(track.gain_db)
        + "".join(
            f", {extra}" for extra in ("polarity inverted" if track.flip else "", _timing(track.delay_s)) if extra
        ),
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
    words = {"high_pass": "high-pass ", "low_pass": "low-pass "}
    kept = [one for one in track.filters if kind is None or one.kind == kind]
    said = [
        f"{_decibels(one.gain_db)} at {hertz(one.corner_hz)}"
        if one.kind == "peak"
        else f"{words[one.kind] if kind is None else ''}{hertz(one.corner_hz)}"
        for one in kept
    ]
    return ", ".join(said) or "none"


def _gate(track: TrackPlan, seconds: float) -> str:
    if track.gate is None:
        return "none"
    open_s = sum(b - a for a, b in track.gate.open_s)
    share = f"open {100.0 * min(open_s / seconds, 1.0):.0f} %, " if seconds > 0.0 else ""
    return f"{share}otherwise {_decibels(track.gate.floor_db)}"


def _compressor(track: TrackPlan) -> str:
    one = track.compressor
    return "none" if one is None else f"{number(one.ratio)}:1 above {number(one.threshold_db)} dB"


def _fader(track: TrackPlan) -> str:
    moves = "".join(
        f"; {_decibels(move.level_db)} from {minutes(move.from_s)} to {minutes(move.to_s)}" for move in track.moves
    )
    return _decibels(track.fader_db) + moves


def reasons(song: ReportedSong) -> list[tuple[str, Table]]:
    """Each input's name with the reasons for all that was decided for it."""
    seconds = song.plan.end_s - song.plan.start_s
    return [(track.name, _reasons(track, seconds)) for track in song.plan.tracks]


def _reasons(track: TrackPlan, seconds: float) -> Table:
    values = {
        "role": ("Role", _role(track)),
        "mute": ("Left out", "not in the mix"),
        "cleaned": ("Bleed removal", "on"),
        "repair_s": ("Repair", "on"),
        "gain_db": ("Gain", _decibels(track.gain_db)),
        "high_pass_hz": ("High-pass", _filters(track, "high_pass")),
        "low_pass_hz": ("Low-pass", _filters(track, "low_pass")),
        "peak_hz": ("Equaliser", _filters(track, "peak")),
        "de_esser": (
            "Sharp S sounds",
            "" if track.de_esser is None else f"softened above {hertz(track.de_esser.corner_hz)}",
        ),
        "gate": ("Gate", _gate(track, seconds)),
        "compressor": ("Compressor", _compressor(track)),
        "fader_db": ("Fader", _fader(track)),
        "ride": ("Fader moves", _ride(track)),
        "pan": ("Position", side(track.pan)),
        "send_db": ("Reverb", "dry" if track.send_db is None else _decibels(track.send_db)),
        "flip": ("Polarity", "inverted" if track.flip else "normal"),
        "delay_s": ("Timing", _timing(track.delay_s) or "unchanged"),
        "gain_step": ("Gain step", "" if track.gain_step is None else _decibels(track.gain_step[1])),
        "ducked_s": ("Pops", f"{len(track.ducked_s)} turned down"),
    }
    return Table(
        caption=f"Reasons for {track.name}",
        head=("What", "Decided", "Why"),
        rows=[
            [*values.get(reason.what, (_plain(reason.what), "")), sentence(reason.because)] for reason in track.reasons
        ],
        wordy=1,
    )


def _ride(track: TrackPlan) -> str:
    levels = [db for _, db in track.ride]
    return f"{_decibels(min(levels))} to {_decibels(max(levels))}" if levels else ""


def _plain(what: str) -> str:
    return sentence(what.replace("_", " ")).rstrip(".")


def master_decisions(song: ReportedSong) -> Table:
    """What was decided for the whole mix, with the reasons."""
    master, trims = song.master, song.master.trims
    values = {f"trim {family}": (f"Level of the {family}", _decibels(db)) for family, db in trims.trims_db}
    if trims.drum_peak_dbfs is not None:
        below = f"{number(-trims.drum_peak_dbfs)} dB below clipping, before the final gain"
        values["drum_peak_dbfs"] = ("Drum peaks held", below)
    values["gain_db"] = ("Final gain", _decibels(master.gain_db))
    values["target_lufs"] = ("Target", loudness_in_words(master.target_lufs))
    if song.plan.tilt_db:
        values["tilt_db"] = ("Tone of the mix", f"tilted by {_decibels(song.plan.tilt_db)}")
    reverb = song.plan.reverb
    if reverb is not None:
        values["room"] = ("Reverb", f"one small room, nothing below {hertz(reverb.low_cut_hz)}")
    given = (*song.plan.reasons, *(reverb.reasons if reverb else ()), *trims.reasons, *master.reasons)
    why = {f"trim {goal.family}": goal.because for goal in song.plan.goals if f"trim {goal.family}" in values}
    why |= {reason.what: reason.because for reason in given}
    rows = [[*values[what], sentence(why.get(what, ""))] for what in values]
    rows += [[_plain(what), "", sentence(because)] for what, because in why.items() if what not in values]
    rows.append(
        [
            "Limiter",
            f"{number(-master.ceiling_dbfs)} dB below clipping, {1000.0 * master.lookahead_s:.0f} ms look-ahead, "
            f"{1000.0 * master.release_s:.0f} ms release",
            f"So that peaks stay {below_clipping(song.plan.ceiling_dbtp, 'dBTP')}, between the samples too.",
        ]
    )
    return Table(caption="Decisions for the whole mix", head=("What", "Decided", "Why"), rows=rows, wordy=1)
