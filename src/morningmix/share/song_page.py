"""A song's own page: play it, turn everybody up or down, ask for changes, practise. One file, no network, no server."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup  # noqa: TID251

from morningmix.audio.encode import wav_bytes
from morningmix.model.recipe import SongNote
from morningmix.model.tempo import Tempo
from morningmix.report import pictures
from morningmix.report.numbers import Array
from morningmix.report.templates import render
from morningmix.report.words import all_named, minutes
from morningmix.share.inputs import Line, Parts
from morningmix.share.pieces import CLICK_AT_S, MARGIN_S, PIECE_S, RATE_HZ, Pieces
from morningmix.share.script import as_data, beside, script_of
from morningmix.units import Block

_SCRIPTS = ("said.js", "asked.js", "pieces.js", "sound.js", "practise.js", "slowly.js", "listen.js")
"""Parts of the page's one script."""
_TONES = (("room", ("less echo", "more echo")), ("low", ("less boom", "more boom")), ("high", ("darker", "brighter")))


@dataclass(frozen=True, slots=True, kw_only=True)
class SongToHear:
    """A song, as its page needs it."""

    title: str
    rehearsal: str
    mix_id: str
    seconds: float
    parts: Parts
    pieces: Pieces
    """In the order of `parts`."""
    ridges: Sequence[tuple[str, Array]]
    """As `report.numbers.ridges` gives them."""
    tempo: Tempo | None
    notes: Sequence[SongNote] = ()
    """What the band noted about it before."""


def song_page(song: SongToHear) -> str:
    """The page as one HTML document."""
    script, script_sha256 = script_of(_SCRIPTS)
    parts = song.parts.parts
    return render(
        "song.html",
        package=__package__,
        title=song.title,
        rehearsal=song.rehearsal,
        seconds=song.seconds,
        parts=parts,
        players=list(dict.fromkeys(part.player or part.name for part in parts)),
        has_beats=len(_beats(song)) > 1,
        has_notes=bool(song.notes),
        tones=_TONES,
        hills=pictures.hills(song.ridges),
        hill_names=[name for name, _ in song.ridges],
        minutes=minutes,
        named=all_named,
        data=_data(song),
        script=script,
        script_sha256=script_sha256,
        listen_style=Markup(beside("listen.css")),
    )


def _data(song: SongToHear) -> Markup:
    """What the script reads, as JSON."""
    parts = [
        {
            "name": part.name,
            "player": part.player,
            "family": part.family,
            "left": round(part.left, 5),
            "right": round(part.right, 5),
            "send": round(part.send, 5),
            "hz": coded.rung.rate_hz,
            "pieces": coded.pieces,
        }
        for part, coded in zip(song.parts.parts, song.pieces.of, strict=True)
    ]
    room, room_gain = _room(song.parts.room, song.parts.rate_hz)
    values = {
        "title": " ".join(song.title.split()),
        "mix": song.mix_id,
        "seconds": round(song.seconds, 3),
        "rate_hz": RATE_HZ,
        "piece_s": PIECE_S,
        "margin_s": MARGIN_S,
        "clicks": song.pieces.clicks,
        "click_at_s": CLICK_AT_S,
        "room": room,
        "room_gain": room_gain,
        "mono_below_hz": song.parts.mono_below_hz,
        "step_s": song.parts.step_s,
        "master": _flat(song.parts.master),
        "drums": _flat(song.parts.drums),
        "beats": _beats(song),
        "notes": [{"at": note.at_s, "says": f"{note.who}: {note.says}"} for note in song.notes],
        "parts": parts,
    }
    return as_data(values)


def _beats(song: SongToHear) -> list[float]:
    beats = [] if song.tempo is None else song.tempo.beats_s
    return [round(beat, 3) for beat in beats if 0.0 <= beat < song.seconds]


def _flat(line: Line) -> list[float]:
    """Steps since the point before, and gains, in turn."""
    found: list[float] = []
    before = 0
    for step, gain in line:
        found += [step - before, gain]
        before = step
    return found


def _room(response: Block | None, rate_hz: int) -> tuple[str | None, float]:
    """The room as a WAV file in base64, at full scale, and the gain that makes up for it."""
    if response is None:
        return None, 1.0
    data, gain = wav_bytes(response, rate_hz, RATE_HZ)
    # At fewer samples a second each stands for more of the sound.
    return base64.b64encode(data).decode("ascii"), gain * rate_hz / RATE_HZ
