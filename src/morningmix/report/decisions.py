"""Every decision with its reason, in tables."""

from __future__ import annotations

from morningmix.model.plan import Goal, Reason, TrackPlan
from morningmix.report.contents import ReportedSong
from morningmix.report.decision_words import decibels, fader, filters, input_decision, song_decision, timing
from morningmix.report.parts import table
from morningmix.report.words import cited, named, number, safe, sentence, side


def decisions(song: ReportedSong) -> str:
    """The table of all inputs, and the reasons of each behind a fold."""
    head = ("Input", "Role", "Gain", "Filters", "Gate", "Compressor", "Fader", "Place", "Reverb")
    seconds = song.plan.end_s - song.plan.start_s
    rows = [[named(track.name), _role(track), *_cells(track, seconds)] for track in song.plan.tracks]
    whys = "".join(_why(track) for track in song.plan.tracks)
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
    inverted = "polarity inverted" if track.flip else ""
    return [
        ", ".join(part for part in (decibels(track.gain_db), inverted, timing(track.delay_s)) if part),
        filters(track),
        _gate(track, seconds),
        _compressor(track),
        fader(track),
        side(track.pan),
        "dry" if track.send_db is None else decibels(track.send_db),
    ]


def _gate(track: TrackPlan, seconds: float) -> str:
    if track.gate is None:
        return "none"
    open_s = sum(b - a for a, b in track.gate.open_s)
    share = f"open {100.0 * min(open_s / seconds, 1.0):.0f} %, " if seconds > 0.0 else ""
    return f"{share}else {decibels(track.gate.floor_db)}"


def _compressor(track: TrackPlan) -> str:
    one = track.compressor
    return "none" if one is None else f"{number(one.ratio)}:1 over {number(one.threshold_db)} dB"


def _why(track: TrackPlan) -> str:
    worded = [(input_decision(reason.what, track), reason) for reason in track.reasons]
    rows = [[safe(one.heading), safe(one.value), *_because(reason)] for one, reason in worded]
    name = safe(track.name)
    numbers = table(f"Reasons for {name}", ("What", "Decided", "Why", "Source"), rows, wordy=2) if rows else ""
    summary = f"Why {named(track.name)} is as it is"
    return f'<details class="why"><summary>{summary}</summary>{numbers or "<p>No reason is kept.</p>"}</details>'


def _because(reason: Reason | Goal) -> list[str]:
    return [safe(sentence(reason.because)), safe(cited(reason.source))]


def master_decisions(song: ReportedSong) -> str:
    """What was decided for the whole mix, behind a fold."""
    master, trims = song.master, song.master.trims
    reverb = song.plan.reverb
    because = {
        reason.what: reason
        for reason in (*song.plan.reasons, *(reverb.reasons if reverb else ()), *trims.reasons, *master.reasons)
    }
    goals = {f"trim {goal.family}": goal for goal in song.plan.goals}
    decided = [f"trim {family}" for family, _ in trims.trims_db]
    decided += ["drum_peak_dbfs"] if trims.drum_peak_dbfs is not None else []
    decided += ["gain_db", "target_lufs", *(["room"] if reverb else [])]
    rows = []
    for what in dict.fromkeys((*decided, *because)):
        worded = song_decision(what, song.plan, master)
        why = because.get(what) or goals.get(what)
        rows.append([safe(worded.heading), safe(worded.value), *(_because(why) if why else ("", ""))])
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
