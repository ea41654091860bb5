"""Find takes in a folder: which files belong together, their rate, length and damage.

Reads headers only; nothing here opens a file for writing.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

from morningmix.audio.header import read_header
from morningmix.audio.read import converted_frames
from morningmix.errors import RecordingsError
from morningmix.model.names import name_as_text
from morningmix.model.recording import Part, Recording, Take

_SOUND = {".wav", ".wave", ".bwf", ".rf64", ".bw64", ".w64", ".aif", ".aiff", ".aifc", ".afc", ".caf", ".flac"}
_LOSSY = {".mp3", ".mp2", ".m4a", ".aac", ".ogg", ".oga", ".opus", ".wma"}

MOST_INPUTS = 64
"""Per take. Design choice: the channels of a MADI line at 48 kHz (AES10, from memory), more than a band's desk has.
Every input is compared with every other, so work and memory grow with the square."""

_SIDE = re.compile(r"(?P<name>.*[^\s._-])(?P<mark>[\s._-]+)(?P<side>left|right|l|r)", re.IGNORECASE | re.DOTALL)
_NUMBERED = re.compile(r"(?P<name>.*?)(?P<number>\d+)\)?", re.DOTALL)
_PAIR_DIFFERENCE_S = 1.0  # design choice: how much two sides of a pair may differ in length
_FULL_BYTES = (2 << 30, 4 << 30)
_FULL_WITHIN = 0.01


def find_takes(folder: Path) -> tuple[Take, ...]:
    """The take in a folder; if only its subfolders hold sound, the take in each of them, in natural order.

    Hidden subfolders and those without sound are passed over; one whose sound cannot be used is listed in the first
    take's `left_out`. Raises RecordingsError as `find_take` does.
    """
    if _sound_files(folder):
        return (find_take(folder),)
    takes, left_out = [], []
    for below in _subfolders(folder):
        try:
            if _sound_files(below):
                takes.append(find_take(below))
        except RecordingsError as error:
            left_out.append(str(error))
    if not takes:
        return (find_take(folder),)
    return (replace(takes[0], left_out=(*takes[0].left_out, *left_out)), *takes[1:])


def holds_sound(folder: Path) -> bool:
    """Whether there are sound files in the folder itself. Raises RecordingsError when it cannot be read."""
    return bool(_sound_files(folder))


def find_take(folder: Path) -> Take:
    """All usable recordings in a folder, in natural order of file names (2 before 10).

    Hidden files and files that are not sound are passed over; sound that cannot be used is listed in `Take.left_out`.
    Raises RecordingsError when the folder cannot be read, nothing in it can be used, or there are over `MOST_INPUTS`.
    """
    parts: list[Part] = []
    left_out: list[str] = []
    for path in _sound_files(folder):
        if path.suffix.lower() in _LOSSY:
            left_out.append(
                f"{name_as_text(path.name)}: compressed sound is not a raw track; use the recorder's own files"
            )
            continue
        try:
            part = read_header(path)
        except RecordingsError as error:
            left_out.append(str(error))
            continue
        if part.channels > 2:
            left_out.append(
                f"{part.name}: it has {part.channels} channels in one file; split it into mono or stereo files first"
            )
        else:
            parts.append(part)
    if not parts:
        raise RecordingsError(_nothing_usable(folder, left_out))
    if not any(part.frames for part in parts):
        names = ", ".join(part.name for part in parts)
        raise RecordingsError(f"There is no sound in {folder}: nothing was recorded in {names}.")
    recordings = tuple(_find_pairs(_join_continued(parts)))
    if len(recordings) > MOST_INPUTS:
        raise RecordingsError(
            f"There are {len(recordings)} inputs in {folder}; at most {MOST_INPUTS} can be mixed together. "
            "Move what you do not need into another folder."
        )
    return take_of(folder, recordings, tuple(left_out))


def take_of(folder: Path, recordings: tuple[Recording, ...], left_out: tuple[str, ...] = ()) -> Take:
    """A take at the most common rate of its recordings, as long as the longest."""
    rates = Counter(recording.rate_hz for recording in recordings)
    rate_hz = max(rates, key=lambda rate: (rates[rate], rate))
    frames = max(converted_frames(recording.frames, recording.rate_hz, rate_hz) for recording in recordings)
    return Take(folder=folder, recordings=recordings, rate_hz=rate_hz, frames=frames, left_out=left_out)


def pair(take: Take, files: tuple[str, str]) -> Take:
    """The take with two mono inputs joined to a stereo input, the first file on the left.

    Raises RecordingsError when one is missing or not mono, or their rates differ.
    """
    left, right = files
    sides = []
    for name in files:
        found = [lane for recording in take.recordings for lane in recording.lanes if lane[0].name == name]
        if not found:
            raise RecordingsError(f"{name} is not among the recordings in {take.folder}.")
        if found[0][0].channels != 1:
            raise RecordingsError(f"{name} is stereo already; only two mono files make a stereo pair.")
        sides.append(found[0])
    if left == right:
        raise RecordingsError(f"{left} cannot be both sides of a stereo pair.")
    if sides[0][0].rate_hz != sides[1][0].rate_hz:
        raise RecordingsError(
            f"{left} ({sides[0][0].rate_hz} Hz) and {right} ({sides[1][0].rate_hz} Hz) cannot be a stereo pair: "
            "their sample rates differ."
        )
    recordings: list[Recording] = []
    for recording in take.recordings:
        if left in recording.files:
            recordings.append(Recording(lanes=(sides[0], sides[1])))
        # A file that had been paired with one of these by its name is a mono input again.
        others = [lane for lane in recording.lanes if lane[0].name not in files]
        if len(others) == len(recording.lanes):
            recordings.append(recording)
        else:
            recordings += [Recording(lanes=(lane,)) for lane in others]
    return replace(take, recordings=tuple(recordings))


def inputs_named(take: Take, inputs: Sequence[tuple[str, ...]]) -> list[Recording | None]:
    """Recordings by the names of their files, pairs paired; None for one that is not in the take.

    Raises `RecordingsError` for a pair that cannot be one.
    """
    for files in inputs:
        if len(files) == 2 and not any(recording.files == files for recording in take.recordings):
            take = pair(take, (files[0], files[1]))
    by_files = {recording.files: recording for recording in take.recordings}
    return [by_files.get(files) for files in inputs]


# ---------------------------------------------------------------- the folder


def _sound_files(folder: Path) -> list[Path]:
    try:
        entries = list(folder.iterdir())
    except FileNotFoundError as error:
        raise RecordingsError(f"There is no folder {folder}.") from error
    except NotADirectoryError as error:
        raise RecordingsError(f"{folder} is a file; give the folder that holds the raw tracks.") from error
    except OSError as error:
        raise RecordingsError(f"The folder {folder} cannot be read ({error.strerror or error}).") from error
    return sorted(
        (
            path
            for path in entries
            if path.suffix.lower() in _SOUND | _LOSSY and not path.name.startswith(".") and _is_file(path)
        ),
        key=lambda path: (_natural(path.stem), path.name),
    )


def _subfolders(folder: Path) -> list[Path]:
    below = [path for path in folder.iterdir() if path.is_dir() and not path.name.startswith(".")]
    return sorted(below, key=lambda path: (_natural(path.name), path.name))


def _is_file(path: Path) -> bool:
    # A link that leads nowhere counts: it is reported as a file that cannot be read.
    return path.is_file() or (path.is_symlink() and not path.exists())


def _natural(name: str) -> list[tuple[str, int]]:
    return [(words, int(number or 0)) for words, number in re.findall(r"(\D*)(\d*)", name.casefold())]


def _nothing_usable(folder: Path, left_out: list[str]) -> str:
    if not left_out:
        return f"There are no recordings in {folder}: no WAV, AIFF, CAF or FLAC files."
    shown = "; ".join(left_out[:5])
    more = f"; and {len(left_out) - 5} more" if len(left_out) > 5 else ""
    return f"No recording in {folder} can be used: {shown}{more}."


# ---------------------------------------------------------------- files that belong together


def _join_continued(parts: list[Part]) -> Iterator[tuple[Part, ...]]:
    """Runs of files that continue one another, in the order of their first parts."""
    following: dict[Path, Part] = {}
    continued: set[Path] = set()
    named: dict[tuple[str, int | None], list[tuple[int, Part]]] = {}
    for at, part in enumerate(parts):
        for name in _names_before(part.path.stem):
            named.setdefault(name, []).append((at, part))
    for part in parts:
        candidates = [found for name in _own_names(part.path.stem) for found in named.get(name, [])]
        nearest_first = (other for _, other in sorted(candidates, key=lambda found: found[0]))
        later = next((other for other in nearest_first if other.path not in continued and _is_next(part, other)), None)
        if later is not None:
            following[part.path] = later
            continued.add(later.path)
    for part in parts:
        if part.path in continued:
            continue
        run = [part]
        while run[-1].path in following:
            run.append(following[run[-1].path])
        if len(run) > 1 and not _is_believable(run):
            yield from ((single,) for single in run)
        else:
            yield tuple(run)


def _is_next(part: Part, other: Part) -> bool:
    """Whether one continues the other, going by all but their names."""
    same = (part.rate_hz, part.channels, part.subtype, part.embedded_name, part.path.suffix.lower()) == (
        other.rate_hz,
        other.channels,
        other.subtype,
        other.embedded_name,
        other.path.suffix.lower(),
    )
    return same and (_continues(part, other) is not False)


def _names_before(stem: str) -> Iterator[tuple[str, int | None]]:
    """Names of the file that `stem` may continue: ``kick_001`` for ``kick_002``, also ``kick`` for ``kick (2)``."""
    later = _NUMBERED.fullmatch(stem)
    if later is None:
        return
    yield later["name"], int(later["number"]) - 1
    bare = later["name"].rstrip(" ._-(")
    if bare != later["name"] and int(later["number"]) in (1, 2):
        yield bare, None


def _own_names(stem: str) -> Iterator[tuple[str, int | None]]:
    yield stem, None
    earlier = _NUMBERED.fullmatch(stem)
    if earlier is not None:
        yield earlier["name"], int(earlier["number"])


def _continues(part: Part, other: Part) -> bool | None:
    """Whether the second part continues the first by time reference; None where only the file size can tell."""
    if not part.time_reference and not other.time_reference:
        return None if _is_full(part) else False
    if part.time_reference is None or other.time_reference is None:
        return None if _is_full(part) else False
    return part.frames > 0 and other.time_reference == part.time_reference + part.frames


def _is_full(part: Part) -> bool:
    size = part.path.stat().st_size
    return any(abs(size - full) <= _FULL_WITHIN * full for full in _FULL_BYTES)


def _is_believable(run: list[Part]) -> bool:
    # All inputs of a take may stop at the same limit; a continued input ends with a shorter file.
    by_time = all(_continues(part, other) for part, other in pairwise(run))
    return by_time or not _is_full(run[-1])


def _find_pairs(runs: Iterator[tuple[Part, ...]]) -> Iterator[Recording]:
    """Recordings, with the two sides of a pair joined in place of the first."""
    lanes = list(runs)
    partners: dict[int, int] = {}
    # Exact spellings are paired before those that differ in case.
    for spelling in (str, str.casefold):
        sides: dict[str, list[int]] = {}
        for index, lane in enumerate(lanes):
            sides.setdefault(_side(lane, spelling)[0], []).append(index)
        for index, lane in enumerate(lanes):
            rest = (other for other in sides[_side(lane, spelling)[0]] if other > index and other not in partners)
            partner = next((other for other in rest if _is_pair(lane, lanes[other], spelling)), None)
            if index not in partners and partner is not None:
                partners |= {index: partner, partner: index}
    for index, lane in enumerate(lanes):
        partner = partners.get(index, index)
        if partner == index:
            yield Recording(lanes=(lane,))
        elif partner > index:
            yield Recording(lanes=(lane, lanes[partner]))  # left sorts before right


def _side(lane: tuple[Part, ...], spelling: Callable[[str], str]) -> tuple[str, str]:
    """Name without the side, and the side: "l", "r", or "" for neither."""
    stem = lane[0].path.stem
    if len(lane) > 1 and (numbered := _NUMBERED.fullmatch(stem)):
        stem = numbered["name"].rstrip(" ._-(")
    found = _SIDE.fullmatch(stem)
    if found is None:
        return stem, ""
    long = "word" if len(found["side"]) > 1 else "letter"
    return spelling(f"{found['name']}{found['mark']}{long}{lane[0].path.suffix}"), found["side"][0].lower()


def _is_pair(lane: tuple[Part, ...], other: tuple[Part, ...], spelling: Callable[[str], str]) -> bool:
    first, second = lane[0], other[0]
    (name, side), (other_name, other_side) = _side(lane, spelling), _side(other, spelling)
    difference = abs(sum(part.frames for part in lane) - sum(part.frames for part in other))
    return (
        name == other_name
        and {side, other_side} == {"l", "r"}
        and first.channels == second.channels == 1
        and first.rate_hz == second.rate_hz
        and difference <= _PAIR_DIFFERENCE_S * first.rate_hz
    )
