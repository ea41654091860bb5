"""Every song as the recipe wants it now and as it was mixed last: what a page plays while somebody turns it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from morningmix.analysis.analyse import with_settings
from morningmix.analysis.analysed import AnalysedTake
from morningmix.audio.header import read_file
from morningmix.audio.read import read_stretch
from morningmix.commands.mix import raw_of
from morningmix.commands.order import Order
from morningmix.commands.plans import plans_of
from morningmix.dsp.meter import LoudnessMeter
from morningmix.errors import RecipeError
from morningmix.files.recall import Recall, read_recall
from morningmix.model.plan import SongPlan
from morningmix.model.recipe import Recipe
from morningmix.model.recording import Recording
from morningmix.render.families import frames_of
from morningmix.render.live import HEADROOM_DB, LiveTrack, family_stretch, live_tracks
from morningmix.storage.home import EARLIER, RECALL, Home
from morningmix.storage.song_folders import folder_name
from morningmix.units import Block, db_to_gain

_MANY, _FEW, _STRETCH_S = 12, 5, 4.0
"""Stretches of a song that are measured where that is quick, and where it is not, and their length (design choice)."""
_DRUMS = "drums"
PLAYED_LUFS = -24.0
"""Songs are played at most so loud: as loud as everything else on a page, with room for any peak of a band (design
choice)."""
_LITTLE_DB = 0.2
"""Limiting that takes less than this from the mix's loudness takes little from any family (design choice)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LiveSong:
    """One song that is kept."""

    number: int
    analysed: AnalysedTake
    plan: SongPlan
    """As a mix would decide it now."""
    sounds: tuple[Recording, ...]
    """What is read for its tracks, in their order."""
    mixed: Recall | None
    """The mix that is in its place; None where there is none."""
    mix: Path | None
    before: Path | None
    """The mix before, where it is of the same stretch of the take."""

    @property
    def as_mixed(self) -> bool:
        """Whether the mix in its place is what the recipe asks for."""
        return self.mixed is not None and self.mixed.plan == self.plan

    @property
    def limiting_db(self) -> float:
        """How much louder the mix is made before its limiter than it comes out."""
        assert self.mixed is not None
        master, plan = self.mixed.master, self.mixed.plan
        return master.gain_db - master.trims.gain_db + plan.target_lufs - master.target_lufs

    @property
    def softer_db(self) -> float:
        """How much softer than its mix a page plays a song, so that peaks, which it does not hold down, do not clip."""
        assert self.mixed is not None
        lufs = self.mixed.mix.integrated_lufs
        return 0.0 if lufs is None else max(0.0, lufs - PLAYED_LUFS)

    def tracks(self, held_db: Mapping[str, float]) -> tuple[LiveTrack, ...]:
        """What a page does to each input that sounds: the families are at the trims and the gain of the mix in its
        place, and as much softer as it holds them down (`held_db`)."""
        assert self.mixed is not None
        master = self.mixed.master
        trims = [(name, trim + held_db.get(name, 0.0)) for name, trim in master.trims.trims_db]
        return live_tracks(self.plan, self.sounds, trims, master.gain_db)


def live_songs(analysed_takes: Sequence[AnalysedTake], recipe: Recipe, home: Home, order: Order) -> list[LiveSong]:
    """Every song that the recipe keeps. Raises `RecipeError`, `RecordingsError`."""
    takes = with_settings(analysed_takes, recipe)
    return [_live(number, analysed, plan, home) for number, analysed, plan in plans_of(takes, order)]


def _live(number: int, analysed: AnalysedTake, plan: SongPlan, home: Home) -> LiveSong:
    folder = home.mixes / folder_name(number, plan.title)
    mixed, mix = _mix_in(folder)
    earlier, before = _mix_in(home.mixes / EARLIER / folder.name)
    same = earlier is not None and (earlier.plan.start_s, earlier.plan.end_s) == (plan.start_s, plan.end_s)
    return LiveSong(
        number=number,
        analysed=analysed,
        plan=plan,
        sounds=raw_of(analysed).sounds(plan),
        mixed=mixed,
        mix=mix,
        before=before if same else None,
    )


def _mix_in(folder: Path) -> tuple[Recall | None, Path | None]:
    try:
        recall = read_recall(folder / RECALL)
    except RecipeError:
        return None, None
    mix = folder / recall.mix.file
    return (recall, mix) if mix.is_file() else (None, None)


def as_recorded(song: LiveSong, first: int, frames: int) -> Block:
    """Frames of the song from `first` on, ``(2, frames)``: all inputs in the mix as they were recorded, added up."""
    start = round(song.plan.start_s * song.plan.rate_hz) + first
    total: Block = np.zeros((2, frames), np.float32)
    for recording, track in zip(song.analysed.take.recordings, song.plan.tracks, strict=True):
        if track.sounds:
            total += read_stretch(recording, song.plan.rate_hz, start, start + frames)
    return total


def mix_piece(mix: Path, song: LiveSong, first: int, frames: int) -> Block:
    """Frames of a mix on disk from `first` on, ``(2, frames)``."""
    return read_stretch(read_file(mix), song.plan.rate_hz, first, first + frames)


def held_db(song: LiveSong) -> dict[str, float]:
    """What holding down peaks takes from each family's loudness in the mix, dB; a page holds no peaks down.

    Measured on a few stretches all over the song (ITU-R BS.1770-5): the drums, whose peaks are held down by themselves
    too, and the loudest of the others for all others, which only the limiter of the mix turns down.
    """
    assert song.mixed is not None
    assert song.mix is not None
    plan = song.mixed.plan
    if [track.files for track in plan.tracks] != [track.files for track in song.plan.tracks]:
        return {}
    stems = {Path(file).stem: song.mix.parent / file for file in song.mixed.stems}
    loudness = {name: _stem_lufs(song, stem) for name, stem in stems.items() if stem.is_file()}
    others = {name: lufs for name, lufs in loudness.items() if name != _DRUMS and lufs is not None}
    found = dict.fromkeys(others, 0.0)
    if others and song.limiting_db > _LITTLE_DB:
        loudest = max(others, key=lambda name: others[name])
        found = dict.fromkeys(others, others[loudest] - _free_lufs(song, loudest, others[loudest]))
    drums_lufs = loudness.get(_DRUMS)
    if drums_lufs is not None:
        found[_DRUMS] = drums_lufs - _free_lufs(song, _DRUMS, drums_lufs)
    return found


def _stem_lufs(song: LiveSong, stem: Path) -> float | None:
    meter = LoudnessMeter(song.plan.rate_hz, 2)
    for first, frames in _stretches(song, _FEW):
        meter.update(mix_piece(stem, song, first, frames))
    return meter.result().integrated_lufs


def _free_lufs(song: LiveSong, family: str, silent_lufs: float) -> float:
    """Loudness of a family at the trims and the gain of its mix without a limiter; `silent_lufs` if it is silent."""
    assert song.mixed is not None
    plan, master = song.mixed.plan, song.mixed.master
    gain = np.float32(db_to_gain(dict(master.trims.trims_db).get(family, 0.0) + master.gain_db))
    meter = LoudnessMeter(plan.rate_hz, 2)
    for first, frames in _stretches(song, _FEW):
        meter.update(family_stretch(plan, song.sounds, family, first, frames) * gain)
    lufs = meter.result().integrated_lufs
    return silent_lufs if lufs is None else lufs


def equal_gains(song: LiveSong) -> tuple[float, float]:
    """Gains that make the recordings as they are, and the mix before, as loud as the mix; `HEADROOM_DB` included.

    Measured on up to 48 s all over the song (ITU-R BS.1770-5).
    """
    assert song.mix is not None
    meters = [LoudnessMeter(song.plan.rate_hz, 2) for _ in range(3)]
    for first, frames in _stretches(song, _MANY):
        meters[0].update(mix_piece(song.mix, song, first, frames))
        meters[1].update(as_recorded(song, first, frames))
        if song.before is not None:
            meters[2].update(mix_piece(song.before, song, first, frames))
    now, recorded, before = (meter.result().integrated_lufs for meter in meters)
    return _equal(now, recorded), _equal(now, before)


def _stretches(song: LiveSong, most: int) -> list[tuple[int, int]]:
    """First frame and length of stretches all over the song."""
    frames = frames_of(song.plan)
    length = min(frames, round(_STRETCH_S * song.plan.rate_hz))
    count = max(1, min(most, frames // length))
    return [(round(place * (frames - length) / max(1, count - 1)), length) for place in range(count)]


def _equal(now_lufs: float | None, other_lufs: float | None) -> float:
    if now_lufs is None or other_lufs is None:
        return db_to_gain(-HEADROOM_DB)
    return db_to_gain(now_lufs - other_lufs - HEADROOM_DB)
