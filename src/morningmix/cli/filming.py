"""The words of the command `film`."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from morningmix.cli import messages
from morningmix.cli.progress import Bar
from morningmix.commands.clips import Found, filmed, find_clips, place_facts
from morningmix.commands.films import as_facts, films_of
from morningmix.commands.order import Callbacks, Order
from morningmix.film.write import Film, Settings
from morningmix.model.film import Lined
from morningmix.units import clock

_HEARD_S = 0.1
"""Of silence before a song; less is not noticed."""
_SOFTER_DB = 0.5


def film_clips(
    source: Path,
    clips: Sequence[Path],
    out: Path | None,
    *,
    find: bool,
    exact: bool,
    keep_room_db: float | None,
    as_json: bool,
) -> None:
    """Look for clips in a rehearsal, say where they lie, and write their films unless it is only to `find` them."""
    order = Order(source=source, cwd=Path.cwd(), out=out)
    settings = Settings(exact=exact, keep_room_db=keep_room_db)
    with Bar(shown=not as_json) as bar:
        callbacks = Callbacks(progress=bar.show, note=bar.note)
        what = filmed(order)
        found = find_clips(what, clips, callbacks)
        folder, films = (None, []) if find else films_of(what, found, order, settings, callbacks)
    if as_json:
        facts = {"clips": [place_facts(one) for one in found]}
        messages.as_json(facts if find else {**facts, "films": [as_facts(film) for film in films]})
        return
    clips_found(found, len(what.takes))
    if folder is not None:
        films_written(films, folder)


def clips_found(found: Sequence[Found], takes: int) -> None:
    """Print where each clip lies, and what that is good for."""
    for clip in found:
        of = f'take "{clip.take.name}"' if takes > 1 else "take"
        messages.line(place_in_words(clip.clip.name, clip.lined, of))
    if any(clip.lined.accepted and clip.lined.nearest_m is None for clip in found):
        messages.line(
            "Where no distance is given, a clip lies where the camera heard the sound. Sound takes 2.9 ms a metre, so "
            "the picture is ahead of it by that much: less than a frame in a rehearsal room."
        )


def place_in_words(name: str, lined: Lined, take: str) -> str:
    """Where a clip lies in a take, or that it does not fit."""
    at_s = lined.offset_s
    where = f"{clock(-at_s)} before the {take} does" if at_s < 0.0 else f"at {clock(at_s)} of the {take}"
    sure = f"{100.0 * lined.confidence:.0f} % sure"
    if not lined.accepted:
        return f"{name} does not fit, and is left alone. Best guess: it begins {where} ({sure})."
    apart_s = abs(lined.drift_ppm) * 3600e-6
    clock_runs = f"{apart_s:.2f} s an hour {'fast' if lined.drift_ppm > 0.0 else 'slow'}"
    clock_runs = clock_runs if apart_s >= 0.005 else "right"
    return f"{name} begins {where}, and its clock runs {clock_runs} ({sure}).{_stood(lined.nearest_m)}"


def _stood(nearest_m: float | None) -> str:
    if nearest_m is None:
        return ""
    if nearest_m == 0.0:
        return " Its sound came by a cable."
    away = "less than 1 m" if nearest_m < 1.0 else f"about {nearest_m:.0f} m"
    return f" It stood {away} from the nearest instrument; what sound takes for that is taken off."


def films_written(films: Sequence[Film], folder: Path) -> None:
    """Print what was filmed, where it is, and what is not as one expects."""
    if not films:
        messages.line("No clip shows any of the songs, so there is no film.")
        return
    messages.line(f"{messages.counted(len(films), 'film')} in {messages.near(folder)}, with the mix as the sound:")
    for film in films:
        messages.line(f"  {film.file.name}: {in_words(film)}")


def in_words(film: Film) -> str:
    """What a film shows of its song, and what was done to fit it."""
    start_s, stop_s = max(0.0, film.start_s), film.stop_s
    says = ["the whole song" if film.whole else f"the song from {clock(start_s)} to {clock(stop_s)}"]
    if film.start_s < -_HEARD_S:
        says.append(f"{-film.start_s:.1f} s of silence before it, because its picture can only begin there")
    if film.encoded_s:
        says.append(f"the first {film.encoded_s:.1f} s of its picture encoded")
    if film.track.lowered_db >= _SOFTER_DB:
        says.append(f"{film.track.lowered_db:.1f} dB softer than usual, so that its peaks stay clean")
    return ", ".join(says)
