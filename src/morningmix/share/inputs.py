"""The parts of a song that its page plays: every input as it is in the mix, or its families where that cannot be."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from morningmix.audio.header import read_file
from morningmix.audio.read import open_recording
from morningmix.audio.scratch import Scratch, recording_of
from morningmix.audio.takes import find_take, inputs_named, take_of
from morningmix.bleed.song import read_song
from morningmix.bleed.stretch import stretches_of
from morningmix.decide.master import UNDER_CEILING_DB
from morningmix.dsp.control import loudness_hop_frames, step_frames
from morningmix.errors import RecordingsError
from morningmix.files.recall import Recall
from morningmix.laws.limiting import expand
from morningmix.measure.take import store_of
from morningmix.model.plan import SongPlan
from morningmix.model.recording import Recording
from morningmix.render.families import BLOCK_HOPS, Families, Rendered, family_names, frames_of, joined
from morningmix.render.inputs import (
    HEADROOM_DB,
    InputFiles,
    gain_line,
    limiter_gains,
    placing,
    render_inputs,
    room,
)
from morningmix.render.master import trimmed
from morningmix.report.numbers import VOCALS
from morningmix.share.pieces import fits
from morningmix.storage.cache import key, path_of, take_key
from morningmix.storage.home import path_of as place_of
from morningmix.storage.home import real_place
from morningmix.units import Block, db_to_gain

_MOST_LEFT_DB = -50.0
"""What may be left between the inputs' sum and the mix re the mix; more, and they are of other recordings or another
version (design choice; measured: -75 dB and less)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """What one fader of a page moves."""

    name: str
    """Of the input, or of the family."""
    family: str
    inputs: tuple[str, ...]
    player: str | None
    sound: Recording
    left: float = 1.0
    right: float = 1.0
    send: float = 0.0
    """Of the mean of left and right to the room."""


Line = tuple[tuple[int, float], ...]
"""A gain over time: control step, and linear gain."""
STEADY: Line = ((0, 1.0),)


@dataclass(frozen=True, slots=True, kw_only=True)
class Parts:
    """All parts of a song, and what a page does to their sum."""

    parts: tuple[Part, ...]
    room: Block | None = None
    """Impulse response ``(2, frames)`` at `rate_hz`."""
    rate_hz: int
    mono_below_hz: float | None = None
    step_s: float = 1.0
    master: Line = STEADY
    drums: Line = STEADY
    """Gain of the drums and of all, without what is steady."""


class _GoneError(Exception):
    """Why the inputs cannot be had one by one, in words."""


@contextmanager
def parts_of(song: Path, recall: Recall, stems: Sequence[Path], cache: Path, said: list[str]) -> Iterator[Parts]:
    """The parts of a song in its folder; their sound goes when the block ends.

    `said` receives a line where families stand for inputs. Raises `RecordingsError` for a stem that cannot be read,
    and `OutputError`.
    """
    scratches: list[Scratch] = []
    try:
        try:
            found = _inputs(song, recall, cache, scratches)
        except (_GoneError, RecordingsError) as why:
            said.append(f"{recall.title} has a fader for each family, not for each input: {why}")
            found = _families(recall, stems)
        yield found
    finally:
        for scratch in scratches:
            scratch.remove()


def _families(recall: Recall, stems: Sequence[Path]) -> Parts:
    tracks = recall.plan.tracks
    return Parts(
        parts=tuple(
            Part(
                name=stem.stem,
                family=stem.stem,
                inputs=tuple(track.name for track in tracks if track.family == stem.stem),
                player=None,
                sound=read_file(stem),
            )
            for stem in stems
        ),
        rate_hz=recall.plan.rate_hz,
    )


def _inputs(song: Path, recall: Recall, cache: Path, scratches: list[Scratch]) -> Parts:
    plan, master = recall.plan, recall.master
    folder = real_place(place_of(recall.tracks_folder, song))
    recordings = _sounds(recall, folder, cache)
    trims = dict(master.trims.trims_db)
    frames = frames_of(plan)

    def scratch(*what: object) -> Scratch:
        path = path_of(cache, "scratch", take_key(folder), key("share", song.name, *what))
        channels = recordings[what[1]].channels if isinstance(what[1], int) else 2
        scratches.append(Scratch(path=path, rate_hz=plan.rate_hz, channels=channels, frames=frames))
        return scratches[-1]

    parts: list[Part] = []
    rendered: list[Rendered] = []
    families_whole = too_many(plan)
    for name in family_names(plan):
        mine = [index for index, track in enumerate(plan.tracks) if track.family == name]
        files = InputFiles(
            family=scratch("family", name),
            inputs=() if name in families_whole else tuple(scratch("input", index) for index in mine),
            together=scratch("together", name) if name in families_whole else None,
            gain_db=trims.get(name, 0.0) + master.gain_db,
        )
        rendered.append(render_inputs(plan, recordings, name, files))
        parts += _parts(plan, mine, files)
    families = joined(plan, rendered, np.zeros((0, 0, 0)))
    curve_db, drums_db = limiter_gains(families, master, plan.ceiling_dbtp - UNDER_CEILING_DB)
    _refuse_other_sum(families, recall, curve_db, song / recall.mix.file)
    return Parts(
        parts=tuple(parts),
        room=room(plan),
        rate_hz=plan.rate_hz,
        mono_below_hz=plan.mono_below_hz,
        step_s=step_frames(plan.rate_hz) / plan.rate_hz,
        master=gain_line(curve_db - np.float32(master.gain_db), plan, faded=True),
        drums=STEADY if drums_db is None else gain_line(drums_db, plan, faded=False),
    )


def _parts(plan: SongPlan, mine: Sequence[int], files: InputFiles) -> list[Part]:
    """The parts of one family, whose inputs are `mine`."""
    tracks = [plan.tracks[index] for index in mine]
    if files.together is not None:
        up = db_to_gain(HEADROOM_DB)
        players = {track.player for track in tracks}
        return [
            Part(
                name=tracks[0].family,
                family=tracks[0].family,
                inputs=tuple(track.name for track in tracks),
                player=players.pop() if len(players) == 1 else None,
                sound=recording_of([files.together]),
                left=up,
                right=up,
            )
        ]
    placed = [placing(plan, index, one.channels) for index, one in zip(mine, files.inputs, strict=True)]
    return [
        Part(
            name=track.name,
            family=track.family,
            inputs=(track.name,),
            player=track.player,
            sound=recording_of([one]),
            left=place.left,
            right=place.right,
            send=place.send,
        )
        for track, place, one in zip(tracks, placed, files.inputs, strict=True)
    ]


def too_many(plan: SongPlan) -> set[str]:
    """Families that get one fader, because the page would be too large: the drums first, then those with most inputs.

    Voices stay apart, and so does a family of one.
    """
    inputs = Counter(track.family for track in plan.tracks if track.sounds)
    seconds = plan.end_s - plan.start_s
    candidates = sorted(
        (name for name, count in inputs.items() if count > 1 and name not in VOCALS),
        key=lambda name: (name != "drums", -inputs[name]),
    )
    found: set[str] = set()
    while candidates and not fits(sum(inputs.values()) - sum(inputs[name] - 1 for name in found), len(found), seconds):
        found.add(candidates.pop(0))
    return found


def _sounds(recall: Recall, folder: Path, cache: Path) -> list[Recording]:
    """What was mixed for each of the plan's tracks: its recording, or that without its bleed from the cache."""
    if not folder.is_dir():
        raise _GoneError(f"its raw tracks are no longer in {folder}.")
    if not cache.is_dir():
        raise _GoneError("what its mix was made of is no longer kept. Mix it again.")
    found = []
    named = inputs_named(find_take(folder), [wanted.files for wanted in recall.recordings])
    for wanted, recording in zip(recall.recordings, named, strict=True):
        if recording is None:
            raise _GoneError(f"{' and '.join(wanted.files)} is no longer in {folder}.")
        found.append(recording)
    if recall.plan.cleaning is not None:
        take = take_of(folder, tuple(found))
        cleaned = read_song(stretches_of(take, store_of(take, cache), recall.plan.cleaning, cache))
        if cleaned is None:
            raise _GoneError("its cleaned microphones are no longer kept. Mix it again.")
        for index, one in cleaned.items():
            found[index] = one.sound
    return found


def _refuse_other_sum(families: Families, recall: Recall, curve_db: NDArray[np.float32], mix: Path) -> None:
    """Raise `_GoneError` unless the families add up to the mix, to `_MOST_LEFT_DB`."""
    step, longest = step_frames(families.rate_hz), BLOCK_HOPS * loudness_hop_frames(families.rate_hz)
    left, whole = 0.0, 1e-20
    with ExitStack() as stack:
        reader = stack.enter_context(open_recording(read_file(mix), families.rate_hz))
        streams = [stack.enter_context(one.blocks(BLOCK_HOPS)) for one in trimmed(families, recall.master.trims)]
        for start in range(0, families.frames, longest):
            wanted = reader.read(min(longest, families.frames - start))
            total = np.sum([next(stream) for stream in streams], axis=0)
            total = total * expand(curve_db, step, start, wanted.shape[1]) - wanted
            left += float(np.vdot(total, total))
            whole += float(np.vdot(wanted, wanted))
    # Not a number either, where a sheet asks for more than numbers hold.
    if not left <= whole * 10.0 ** (_MOST_LEFT_DB / 10.0):
        raise _GoneError("its raw tracks, or this program, are no longer those that it was mixed with. Mix it again.")
