"""Text as a page shows it, and numbers as people read them."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence

from markupsafe import Markup  # noqa: TID251

from morningmix.model.names import visible
from morningmix.model.tempo import Tempo

LEAST_DRIFT_BPM = 2
"""Less is not worth a word (design choice)."""
_UNSEEN = {"Co", "Cn"}
"""Unicode categories that a page cannot hold or that nobody has a sign for: private, unassigned."""


def clean(text: str) -> str:
    """`text` on one line, `visible`, without characters that no page may hold."""
    spaced = visible(" ".join(text.split()))
    return "".join("\N{REPLACEMENT CHARACTER}" if unicodedata.category(sign) in _UNSEEN else sign for sign in spaced)


def named(text: str) -> Markup:
    """A name or title as content of an HTML element; its direction of writing stays its own."""
    return Markup("<bdi>{}</bdi>").format(clean(text))


def all_named(names: Sequence[str]) -> Markup:
    """``a, b and c``, each `named`."""
    return Markup(listed([named(name) for name in names]))


def short(text: str, most: int = 20) -> str:
    """`clean`, cut to what fits over a lane of a narrow picture; wide signs count twice."""
    text = clean(text)
    widths = [2 if unicodedata.east_asian_width(sign) in "WF" else 1 for sign in text]
    if sum(widths) <= most:
        return text
    kept = 0
    for end, width in enumerate(widths):
        kept += width
        if kept >= most:
            return text[:end].rstrip() + "…"
    return text


def number(value: float, digits: int = 1, *, signed: bool = False) -> str:
    """A number with a true minus sign, never a negative zero."""
    value = round(value, digits) + 0.0
    return f"{value:{'+' if signed else ''}.{digits}f}".replace("-", "−")


def minutes(seconds: float) -> str:
    """``3:12`` or ``1:03:12``, to the second."""
    whole = round(seconds)
    hours, rest = divmod(whole, 3600)
    return f"{hours}:{rest // 60:02d}:{rest % 60:02d}" if hours else f"{rest // 60}:{rest % 60:02d}"


def tempo_in_words(tempo: Tempo) -> str:
    """``about 124 BPM, 3 faster at the end, or 62`` where that is in doubt."""
    says = f"about {tempo.tempo_bpm:.0f} BPM"
    drift = round(tempo.drift_bpm)
    if abs(drift) >= LEAST_DRIFT_BPM:
        says += f", {abs(drift)} {'faster' if drift > 0 else 'slower'} at the end"
    if tempo.other_bpm is not None:
        says += f" (or {tempo.other_bpm:.0f})"
    return says


def count(amount: int, single: str, many: str | None = None) -> str:
    """``one song``, ``3 songs``; small amounts in words."""
    small = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
    figure = small[amount] if amount < len(small) else str(amount)
    return f"{figure} {single if amount == 1 else many or single + 's'}"


def listed(names: Sequence[str]) -> str:
    """``a, b and c``."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}" if names else ""


def sentence(text: str) -> str:
    """`clean`, with a capital at the start and a full stop at the end."""
    text = clean(text)
    if not text:
        return ""
    return text[0].upper() + text[1:] + ("" if text[-1] in ".!?" else ".")


def cited(source: str) -> str:
    """A source as a reader sees it; that its value is quoted from memory stays in presets and code."""
    return source.removesuffix("(from memory)").rstrip()


def hertz(value_hz: float) -> str:
    """``90 Hz`` or ``4 kHz``."""
    return f"{value_hz / 1000:g} kHz" if value_hz >= 1000 else f"{value_hz:g} Hz"


def side(pan: float) -> str:
    """Where a pan position is, in words."""
    if round(pan, 2) == 0.0:
        return "centre"
    return f"{abs(pan) * 100:.0f} % {'left' if pan < 0 else 'right'}"


def loudness_in_words(lufs: float | None) -> str:
    """How loud a mix is beside what people know, then the figure (common practice, no source)."""
    if lufs is None:
        return "silent"
    than = "louder than" if lufs > -12.5 else "about as loud as" if lufs > -18.5 else "quieter than"
    return f"{than} music on the phone ({number(lufs)} LUFS)"


def below_clipping(level_db: float, unit: str) -> str:
    """A level against full scale in everyday words, then the figure: ``1.2 dB below clipping (−1.2 dBTP)``."""
    side_of = "above" if round(level_db, 1) > 0.0 else "below"
    return f"{number(abs(level_db))} dB {side_of} clipping ({number(level_db)} {unit})"
