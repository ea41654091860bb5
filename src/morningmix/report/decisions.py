"""Every decision with its reason, in tables."""

from __future__ import annotations

from markupsafe import Markup  # noqa: TID251

from morningmix.model.plan import TrackPlan
from morningmix.report.contents import ReportedSong
from morningmix.report.decision_words import decibels, fader, filters, input_decision, song_decision, timing
from morningmix.report.parts import Table
from morningmix.report.words import below_clipping, clean, named, number, sentence, side


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
        (track.name, next((reason.in_full for reason in track.reasons if reason.what == "mute"), ""))
        for track in song.plan.tracks
        if not track.sounds
    ]


def _role(track: TrackPlan) -> Markup:
    guess = Markup(' <span class="guess">(a guess)</span>') if track.role_is_guess else ""
    return Markup("{}{}").format(clean(track.role), guess)


def _cells(track: TrackPlan, seconds: float) -> list[str]:
    return [
        decibels(track.gain_db)
        + "".join(
            f", {extra}" for extra in ("polarity inverted" if track.flip else "", timing(track.delay_s)) if extra
        ),
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
    return f"{share}otherwise {decibels(track.gate.floor_db)}"


def _compressor(track: TrackPlan) -> str:
    squeeze = track.compressor
    return "none" if squeeze is None else f"{number(squeeze.ratio)}:1 above {number(squeeze.threshold_db)} dB"


def reasons(song: ReportedSong) -> list[tuple[str, Table]]:
    """Each input's name with the reasons for every decision about it."""
    return [(track.name, _reasons(track)) for track in song.plan.tracks]


def _reasons(track: TrackPlan) -> Table:
    worded = [(input_decision(reason.what, track), reason) for reason in track.reasons]
    return Table(
        caption=f"Reasons for {track.name}",
        head=("What", "Decided", "Why"),
        rows=[[decision.heading, decision.value, sentence(reason.in_full)] for decision, reason in worded],
        wordy=1,
    )


def master_decisions(song: ReportedSong) -> Table:
    """Decisions about the whole mix, with their reasons."""
    master, trims = song.master, song.master.trims
    reverb = song.plan.reverb
    because = {f"trim {goal.family}": goal.because for goal in song.plan.goals}
    given = (*song.plan.reasons, *(reverb.reasons if reverb else ()), *trims.reasons, *master.reasons)
    because |= {reason.what: reason.because for reason in given}
    decided = [f"trim {family}" for family, _ in trims.trims_db]
    decided += ["drum_peak_dbfs"] if trims.drum_peak_dbfs is not None else []
    decided += ["gain_db", "target_lufs", *(["room"] if reverb else []), *(reason.what for reason in given)]
    rows = []
    for what in dict.fromkeys(decided):
        worded = song_decision(what, song.plan, master)
        rows.append([worded.heading, worded.value, sentence(because.get(what, ""))])
    rows.append(
        [
            "Limiter",
            f"{number(-master.ceiling_dbfs)} dB below clipping, {1000.0 * master.lookahead_s:.0f} ms look-ahead, "
            f"{1000.0 * master.release_s:.0f} ms release",
            f"So that peaks stay {below_clipping(song.plan.ceiling_dbtp, 'dBTP')}, between the samples too.",
        ]
    )
    return Table(caption="Decisions for the whole mix", head=("What", "Decided", "Why"), rows=rows, wordy=1)
