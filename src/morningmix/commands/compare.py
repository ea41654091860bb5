"""Two versions of a song side by side, at the same loudness: how fast, how long, how loud who is in it, how bright.

Reads what was written: mix, stems and recall sheets. Writes nothing.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from morningmix.commands.pairs import Song, left_out, paired
from morningmix.commands.version import Version, measure, title_key
from morningmix.errors import UsageError
from morningmix.files.recall import Recall, read_sheets, unsaid
from morningmix.model.names import plain
from morningmix.model.tempo import Tempo
from morningmix.report.two_mixes import (
    HEARD_LU,
    PlayerLevel,
    levels,
    levels_in_words,
    moves_in_words,
    same_beat,
    time_in_words,
)
from morningmix.report.words import loudness_in_words, sentence, tempo_in_words
from morningmix.storage.home import MIXES, RECALL, RECIPE
from morningmix.storage.song_folders import finish_swaps, song_sheets
from morningmix.storage.text import read_text

_TRACKS = re.compile(r": tracks = ")
_OF_ONE_EVENING = re.compile(r": (?:tracks|title|date|start|end|take|keep|reason) = |: \[\[song\]\]$")
"""Recipe lines that differ from one rehearsal to the next without being settings."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """Differences between two versions of a song."""

    title: str
    before: Version
    after: Version
    balance_lu: tuple[tuple[str, float | None], ...]
    """Family, and how much louder it is in the second at the same loudness of the whole; None: only in one."""
    octaves_db: tuple[tuple[float, float], ...]
    """Octave, and how much louder it is in the second."""
    players: tuple[PlayerLevel, ...]
    """Who is how loud, the largest difference first."""
    moves: tuple[str, ...]
    """Moves within the song that differ, in words."""
    planned: tuple[str, ...]
    """Decisions that differ, in words."""
    left_out: str = ""
    """What the second leaves out of the first, in words."""

    @property
    def than(self) -> str:
        """What the second is compared with: the time before, or another mix of the same."""
        return "than last time" if self.is_later else "than in the first mix"

    @property
    def is_later(self) -> bool:
        """Whether the second is known to be of a later rehearsal."""
        before, after = self.before.when, self.after.when
        return before is not None and after is not None and before < after

    @property
    def words(self) -> tuple[str, ...]:
        """What differs, as people hear it: tempo and length, then who is how loud, or whatever else is most audible."""
        played = time_in_words(self.before.played, self.after.played, self.than)
        time = "; ".join(words for words in (played, self.left_out) if words)
        heard = levels_in_words(self.players, self.than) or self._else_heard()
        if time:
            return time, heard or "the balance is the same"
        return (heard or f"no audible difference (under {HEARD_LU:.0f} dB in every stem, at the same loudness)",)

    @property
    def says(self) -> str:
        """The first line."""
        before, after = self.before.recall.title, self.after.recall.title
        as_now = "" if title_key(before) == title_key(after) else f', now "{after}"'
        return f'"{self.title}"{as_now}: {self.words[0]}.'

    def _else_heard(self) -> str:
        """What is heard where no player is louder or softer; "" for nothing."""
        in_both = [(family, by) for family, by in self.balance_lu if by is not None]
        most = max(in_both, key=lambda each: abs(each[1]), default=None)
        if most is not None and abs(most[1]) > HEARD_LU:
            are = "is" if most[0] in ("bass", "playback") else "are"
            more = "louder" if most[1] > 0.0 else "softer"
            return f"the {most[0]} {are} {abs(most[1]):.0f} dB {more} {self.than}"
        lone = [family for family, by in self.balance_lu if by is None]
        if lone:
            return f"only one of the mixes has {', '.join(lone)}; the balance of the rest is the same"
        bright = max(self.octaves_db, key=lambda each: abs(each[1]), default=None)
        if bright is not None and abs(bright[1]) >= 2.0 * HEARD_LU:
            more = "louder" if bright[1] > 0.0 else "softer"
            where = f"around {bright[0]:.0f} Hz the second mix is {abs(bright[1]):.0f} dB {more}"
            return f"the balance is the same, but {where}"
        return ""


def compare(first: Path, second: Path, skipped: Callable[[str], None] = unsaid) -> tuple[list[Compared], list[str]]:
    """Songs that are in both, in the order of the second, and lines about those that are in one only.

    Each argument is a mix folder, its recipe, a song folder or a recall sheet. `skipped` receives a line about each
    song whose sheet cannot be read. Raises `UsageError`, `RecipeError`, `RecordingsError`.
    """
    unread: list[str] = []
    firsts, seconds = (_songs(path, unread.append) for path in (first, second))
    for line in unread:
        skipped(line)
    pairs = paired(firsts, seconds)
    if len(firsts) == len(seconds) == 1 and not unread:
        pairs = [(firsts[0], seconds[0])]
    in_both = {song for pair in pairs for song in pair}
    alone = [_alone(song, first, second) for song in firsts if song not in in_both]
    alone += [_alone(song, second, first) for song in seconds if song not in in_both]
    if not pairs:
        raise UsageError(f"No song is in both {first} and {second}. " + " ".join(alone))
    return [compared(before, after) for before, after in pairs], alone


def compared(before: Song, after: Song) -> Compared:
    """Two mixes of a song, measured. Raises `RecordingsError`."""
    versions = (measure(song.folder, song.recall) for song in (before, after))
    return replace(differences(*versions), left_out=left_out(before, after))


def _alone(song: Song, here: Path, there: Path) -> str:
    if song.is_numbered:
        return f'"{song.recall.title}" in {here} has no title, and nothing in {there} was recognised as the same song.'
    return f'"{song.recall.title}" is only in {here}.'


def _songs(path: Path, skipped: Callable[[str], None]) -> list[Song]:
    """Song folders and their sheets."""
    finish_swaps(path)
    if not path.exists():
        raise UsageError(f"There is no {path}.")
    folder = path if path.is_dir() else path.parent
    is_song = (folder / RECALL).exists()
    sheets = [folder / RECALL] if is_song else song_sheets(folder / MIXES) or song_sheets(folder)
    if not sheets:
        raise UsageError(f"{path} holds no mix. Give a mix folder, its recipe, or one song's folder.")
    return [Song(folder=sheet.parent, recall=recall) for sheet, recall in read_sheets(sheets, skipped)]


def recipe_lines(first: Path, second: Path) -> list[str]:
    """Lines that differ between the recipes of two mix folders, without comments; none where both share a recipe."""
    texts = []
    for path in (first, second):
        folder = path if path.is_dir() else path.parent
        recipe = next((above / RECIPE for above in (folder, *folder.parents[:3]) if (above / RECIPE).exists()), None)
        if recipe is None:
            return []
        texts.append((recipe, read_text(recipe).splitlines()))
    (old_recipe, before), (new_recipe, after) = texts
    if old_recipe.samefile(new_recipe):
        return []
    ours, theirs = _with_content(before), _with_content(after)
    differing = []
    matcher = difflib.SequenceMatcher(None, [line for _, line in ours], [line for _, line in theirs], autojunk=False)
    for tag, a, b, c, d in matcher.get_opcodes():
        if tag != "equal":
            differing += [f"first, line {number}: {line}" for number, line in ours[a:b]]
            differing += [f"second, line {number}: {line}" for number, line in theirs[c:d]]
    if any(_TRACKS.search(line) for line in differing):
        return [line for line in differing if not _OF_ONE_EVENING.search(line)]
    return differing


def _with_content(lines: Sequence[str]) -> list[tuple[int, str]]:
    """Number and text of every line with content, followed by the name of what it belongs to."""
    found: list[tuple[int, int, str]] = []
    names: dict[int, str] = {}
    table = 0
    for number, line in enumerate(lines, 1):
        content = line.split(" #")[0].strip()
        if content.startswith("["):
            table = number
        elif name := re.match(r'(?:name|title)\s*=\s*"(.*)"', content):
            names[table] = name[1]
        if content and not content.startswith("#"):
            found.append((number, table, content))
    return [
        (number, f"{content}  ({names[table]})" if table in names and not content.startswith("[") else content)
        for number, table, content in found
    ]


# ---------------------------------------------------------------- comparing


def differences(before: Version, after: Version) -> Compared:
    """Differences, the second less the first."""
    families = dict.fromkeys((*before.balance_lu, *after.balance_lu))
    return Compared(
        title=before.recall.title,
        before=before,
        after=after,
        balance_lu=tuple(
            (
                family,
                round(after.balance_lu[family] - before.balance_lu[family], 2)
                if family in before.balance_lu and family in after.balance_lu
                else None,
            )
            for family in families
        ),
        octaves_db=tuple(
            (hz, round(after.octaves_db[hz] - level, 2))
            for hz, level in before.octaves_db.items()
            if hz in after.octaves_db
        ),
        players=tuple(levels(before.played, after.played)),
        moves=moves_in_words(before.recall.plan, after.recall.plan),
        planned=_planned(before.recall, after.recall),
    )


def _planned(before: Recall, after: Recall) -> tuple[str, ...]:
    """Decisions about inputs of the same name that differ."""
    changes = []
    if before.master.target_lufs != after.master.target_lufs:
        targets = (loudness_in_words(sheet.master.target_lufs) for sheet in (before, after))
        changes.append(f"aims at: {', then '.join(targets)}")
    others = {plain(track.name): track for track in after.plan.tracks}
    for track in before.plan.tracks:
        other = others.pop(plain(track.name), None)
        if other is None:
            changes.append(f"{track.name}: only in the first")
            continue
        if track.role != other.role:
            changes.append(f"{track.name}: {track.role}, then {other.role}")
        if track.sounds != other.sounds:
            changes.append(f"{track.name}: {'left out of' if track.sounds else 'only in'} the second")
        elif track.sounds:
            for what, was, now, unit in (
                ("fader", track.fader_db + track.gain_db, other.fader_db + other.gain_db, " dB"),
                ("pan", track.pan, other.pan, ""),
            ):
                if abs(now - was) >= 0.05:
                    changes.append(f"{track.name}: {what} {was:+.1f}{unit}, then {now:+.1f}{unit}")
    changes += [f"{track.name}: only in the second" for track in others.values()]
    return tuple(changes)


def in_words(compared: Compared, *, with_plans: bool) -> list[str]:
    """The comparison in words, the main point first."""
    versions = (compared.before, compared.after)
    lengths = [f"{version.seconds // 60:.0f}:{version.seconds % 60:04.1f}" for version in versions]
    lines = [compared.says, *(f"  {sentence(words)}" for words in compared.words[1:])]
    if compared.moves:
        lines += ["  Moves within the song:", *(f"    {line}" for line in compared.moves)]
    tempi = [version.recall.tempo for version in versions]
    if any(tempi):
        said = ", then ".join("unknown" if tempo is None else tempo_in_words(tempo) for tempo in tempi)
        apart = "" if None in tempi or same_beat(*tempi) else "; they may count different beats"
        lines.append(f"  Tempo: {said}{apart}")
    lines += [
        f"  Length: {lengths[0]}, then {lengths[1]}",
        f"  As mixed: {', then '.join(loudness_in_words(version.loudness_lufs) for version in versions)}",
        "  The second mix against the first, both at the same loudness:",
    ]
    lines += [
        f"    {family:10} only in one of them" if by is None else f"    {family:10} {by:+5.1f} dB"
        for family, by in compared.balance_lu
    ]
    lines += [f"    {level.who}: {level.by_lu:+.1f} dB" for level in compared.players if not level.of_family]
    octaves = "  ".join(f"{_hertz(hz)} {by:+.1f}" for hz, by in compared.octaves_db)
    lines.append(f"    from lows to highs (Hz, dB): {octaves}")
    if with_plans:
        lines += [f"  {line}" for line in compared.planned]
    return [line.replace("\N{MINUS SIGN}", "-") for line in lines]


def _hertz(hz: float) -> str:
    return f"{hz / 1000:g}k" if hz >= 1000.0 else f"{hz:g}"


def as_facts(compared: Sequence[Compared]) -> list[dict[str, object]]:
    """The comparison for programs."""
    return [
        {
            "title": song.title,
            "says": song.says,
            "words": list(song.words),
            "when": [song.before.when, song.after.when],
            "tempo": [_tempo_facts(version.recall.tempo) for version in (song.before, song.after)],
            "same_beat": same_beat(song.before.recall.tempo, song.after.recall.tempo),
            "players": [
                {"who": one.who, "level_lu": [round(one.before_lu, 2), round(one.after_lu, 2)], "by_lu": one.by_lu}
                for one in song.players
            ],
            "moves": list(song.moves),
            "first": str(song.before.folder),
            "second": str(song.after.folder),
            "loudness_lufs": [song.before.loudness_lufs, song.after.loudness_lufs],
            "seconds": [round(song.before.seconds, 3), round(song.after.seconds, 3)],
            "balance_lu": dict(song.balance_lu),
            "octaves_db": {f"{hz:g}": by for hz, by in song.octaves_db},
            "planned": list(song.planned),
        }
        for song in compared
    ]


def _tempo_facts(tempo: Tempo | None) -> dict[str, object] | None:
    if tempo is None:
        return None
    return {
        "tempo_bpm": round(tempo.tempo_bpm, 1),
        "other_bpm": None if tempo.other_bpm is None else round(tempo.other_bpm, 1),
        "drift_bpm": round(tempo.drift_bpm, 1),
        "curve_bpm": [[round(at_s, 1), round(bpm, 1)] for at_s, bpm in tempo.curve_bpm],
    }
