"""A song's own page: play it, turn its families, say what to change. One file, no network, no server."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import resources

import numpy as np
from numpy.typing import NDArray

from morningmix.report.numbers import columns
from morningmix.report.parts import wrapped
from morningmix.report.style import CSS
from morningmix.report.words import listed, minutes, named, safe
from morningmix.share.pieces import CLICK_AT_S, MARGIN_S, PIECE_S, RATE_HZ, Pieces
from morningmix.units import powers_db

_Powers = NDArray[np.float64]
_ACROSS, _UP = 400, 100


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One family on the page."""

    family: str
    inputs: tuple[str, ...]


def listen_page(
    *, title: str, rehearsal: str, mix_id: str, seconds: float, parts: Sequence[Part], pieces: Pieces, powers: _Powers
) -> str:
    """The page as one HTML document; `powers` is the mix's power per 0.1 s, `pieces` are in the order of `parts`."""
    room = resources.files("morningmix.share")
    script = (room / "listen.js").read_text(encoding="utf-8")
    style = CSS + (room / "listen.css").read_text(encoding="utf-8")
    allowed = base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode("ascii")
    song = {
        "title": " ".join(title.split()),
        "mix": mix_id,
        "seconds": round(seconds, 3),
        "rate_hz": RATE_HZ,
        "piece_s": PIECE_S,
        "margin_s": MARGIN_S,
        "click": pieces.click,
        "click_at_s": CLICK_AT_S,
        "families": [{"name": part.family, "pieces": coded} for part, coded in zip(parts, pieces.of, strict=True)],
    }
    # "<" would end the script that holds the data, or begin a comment in it.
    data = json.dumps(song, separators=(",", ":")).replace("<", "\\u003c")
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8"/>\n'
        '<meta name="viewport" content="width=device-width,initial-scale=1"/>\n'
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; '
        f"style-src 'unsafe-inline'; img-src data:; script-src 'sha256-{allowed}'\"/>\n"
        f'<title>{safe(title)}: listen</title>\n<link rel="icon" href="data:,"/>\n'
        f"<style>{style}</style>\n</head>\n<body>\n"
        f"<header>{wrapped(f'<h1>{named(title)}: what should change?</h1>{_lead(rehearsal)}')}</header>\n"
        f"<main>{wrapped(_play(seconds, powers) + _parts(parts) + _stretch() + _say())}</main>\n"
        f"<footer>{wrapped(_CARE)}</footer>\n"
        f'<script type="application/json" id="song">{data}</script>\n<script>{script}</script>\n</body>\n</html>\n'
    )


def _lead(rehearsal: str) -> str:
    return (
        '<p class="lead">Play it, turn what is too loud or too soft, write down what you notice, and send your wishes '
        f'to whoever mixes.</p><p class="quiet">From {named(rehearsal)}. Nothing leaves this page by itself.</p>'
        "<noscript><p>This page needs JavaScript to play. Open it in a browser that allows it.</p></noscript>"
    )


def _play(seconds: float, powers: _Powers) -> str:
    return (
        '<div class="player"><div class="lake">'
        f'<svg viewBox="0 0 {_ACROSS} {_UP}" preserveAspectRatio="none" aria-hidden="true">'
        f'<path class="land" d="{_land(powers)}"/></svg><div id="band" hidden></div><div id="hand"></div>'
        f'<input id="place" type="range" min="0" max="{seconds:.1f}" step="0.1" value="0" '
        'aria-label="Place in the song"/></div>'
        '<div class="row"><button id="play" type="button" class="main">Play</button>'
        '<button id="back" type="button">5 s back</button><button id="on" type="button">5 s on</button>'
        f'<span id="time">0:00 of {minutes(seconds)}</span></div></div>'
        '<div class="row volume"><label for="volume">How loud all of it plays (it starts quietly)</label>'
        '<input id="volume" type="range" min="-40" max="0" step="1" value="-12" aria-valuetext="−12 dB"/></div>'
        '<p id="told" class="quiet" role="status"></p>'
    )


def _land(powers: _Powers) -> str:
    """An outline from the ground up, over 40 dB."""
    if not len(powers) or not powers.any():
        return f"M0 {_UP}H{_ACROSS}Z"
    levels = powers_db(columns(powers, _ACROSS))
    heights = np.clip((levels - levels.max() + 40.0) / 40.0, 0.0, 1.0) * (_UP - 8.0)
    width = _ACROSS / len(heights)
    steps = "".join(f"L{width * (at + 0.5):.1f} {_UP - height:.1f}" for at, height in enumerate(heights))
    return f"M0 {_UP}{steps}L{_ACROSS} {_UP}Z"


def _parts(parts: Sequence[Part]) -> str:
    items = "".join(
        f'<div class="part" role="group" aria-labelledby="part-{at}"><h3 id="part-{at}">{safe(part.family)}</h3>'
        f'<p class="who quiet">{listed([named(name) for name in part.inputs])}</p>'
        f'<input id="fader-{at}" type="range" min="-12" max="6" step="0.5" value="0" '
        f'aria-label="Level of the {safe(part.family)}"/><output id="says-{at}" for="fader-{at}">0 dB</output>'
        f'<div class="row"><button id="mute-{at}" type="button" aria-pressed="false" '
        f'aria-label="Mute the {safe(part.family)}">Mute</button>'
        f'<button id="solo-{at}" type="button" aria-pressed="false" '
        f'aria-label="Solo the {safe(part.family)}">Solo</button></div></div>'
        for at, part in enumerate(parts)
    )
    return (
        "<h2>Louder, softer</h2><p>A fader that you move is a wish; two or three decibels are clearly heard. Mute and "
        f'solo are for listening only.</p><div class="parts">{items}</div>'
    )


def _stretch() -> str:
    return (
        "<h2>A stretch of it</h2><p>Mark where it begins and ends while you listen. You can repeat it, or let your "
        'faders count only there.</p><div class="row"><button id="from" type="button">It begins here</button>'
        '<button id="to" type="button">It ends here</button>'
        '<button id="only" type="button" disabled>Faders only for this stretch</button>'
        '<label><input id="repeat" type="checkbox" disabled/> Repeat it</label>'
        '<button id="forget" type="button">Forget it</button></div><p id="marked" class="quiet"></p>'
        '<ul id="stretches" class="asked" aria-label="Wishes for stretches"></ul>'
    )


def _say() -> str:
    return (
        '<h2>Notes</h2><form id="noting" class="row"><label for="note">What you hear at this moment</label>'
        '<input id="note" type="text" maxlength="280" autocomplete="off"/>'
        '<button type="submit">Note it</button></form><ul id="notes" class="asked" aria-label="Your notes"></ul>'
        '<h2>Your wishes</h2><div class="row"><label for="who">Your name</label>'
        '<input id="who" type="text" maxlength="60" autocomplete="given-name"/>'
        '<button id="copy" type="button" class="main">Copy my wishes</button></div>'
        '<label for="wishes">What is copied</label><textarea id="wishes" readonly spellcheck="false"></textarea>'
        '<p class="quiet">Whoever mixes saves it as a text file, and runs: '
        "<code>morningmix wishes recipe.toml wishes.txt</code></p>"
    )


_CARE = (
    "<p>Turn your playback down before you start it, above all on headphones; loud sound harms hearing for good "
    "(NIOSH: at most 85 dBA over 8 hours). Follow your local rules.</p>"
    "<p>The sound here is small enough to send and a little rougher than the file that goes round.</p>"
)
