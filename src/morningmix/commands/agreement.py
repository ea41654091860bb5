"""What several people agree on, and what they do not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from morningmix.files.feedback import WishedMove, Wishes
from morningmix.files.recipe_edit import Part
from morningmix.model.names import plain

Stretch = tuple[float, float] | None
Matter = tuple[str, str, Part, Stretch]
"""A song, an input or a family, a part of its sound and a stretch: what several people may have wishes about."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreed:
    """One change that is made."""

    song: str
    name: str
    part: Part = "level"
    level_db: float
    stretch: Stretch
    asked: tuple[tuple[str, float], ...]
    """Who asked for how much."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Conflict:
    """A disagreement: some want it up and some down, so nothing is changed."""

    song: str
    name: str
    part: Part = "level"
    stretch: Stretch
    asked: tuple[tuple[str, float], ...]


def merge(wishes: Sequence[Wishes]) -> tuple[tuple[Agreed, ...], tuple[Conflict, ...]]:
    """What everybody can live with: wishes in one direction are averaged, opposite ones change nothing.

    Overlapping stretches are merged, from the first start to the last end. If somebody asks twice, the last wish
    counts.
    """
    asked: dict[tuple[str, str, Part], list[tuple[str, WishedMove]]] = {}
    spelt: dict[str, str] = {}
    for theirs in wishes:
        for move in theirs.moves:
            song, name = (spelt.setdefault(plain(each), each) for each in (theirs.song, move.name))
            asked.setdefault((song, name, move.part), []).append((theirs.who, move))
    agreed: list[Agreed] = []
    conflicts: list[Conflict] = []
    for (song, name, part), moves in asked.items():
        for stretch, together in _matters(moves):
            wanted = {who: move.level_db for who, move in together if move.level_db}
            if not wanted:
                continue
            whose = tuple(wanted.items())
            if min(wanted.values()) < 0.0 < max(wanted.values()):
                conflicts.append(Conflict(song=song, name=name, part=part, stretch=stretch, asked=whose))
                continue
            level_db = round(sum(wanted.values()) / len(wanted), 1)
            agreed.append(Agreed(song=song, name=name, part=part, level_db=level_db, stretch=stretch, asked=whose))
    return tuple(agreed), tuple(conflicts)


def _matters(moves: Sequence[tuple[str, WishedMove]]) -> list[tuple[Stretch, list[tuple[str, WishedMove]]]]:
    """Wishes about one family or input in groups: the whole song, and each set of stretches that overlap."""
    whole = [(who, move) for who, move in moves if move.from_s is None]
    groups: list[tuple[Stretch, list[tuple[str, WishedMove]]]] = [(None, whole)] if whole else []
    parts = [(move.from_s, move.to_s, who, move) for who, move in moves if move.from_s is not None and move.to_s]
    end_s = -1.0
    for from_s, to_s, who, move in sorted(parts, key=lambda part: part[:2]):
        if from_s < end_s and groups[-1][0] is not None:
            start_s, end_s = groups[-1][0][0], max(end_s, to_s)
            groups[-1][1].append((who, move))
            groups[-1] = ((start_s, end_s), groups[-1][1])
        else:
            end_s = to_s
            groups.append(((from_s, to_s), [(who, move)]))
    return groups
