"""The command `mix`: measure, decide, render the tracks; measure, decide, render the sum; verify.

Everything that touches a mix folder happens under its lock, and nothing in it changes before a whole song is ready.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Future
from contextlib import ExitStack
from dataclasses import replace
from functools import partial
from importlib import import_module
from pathlib import Path
from threading import Lock, Thread

from morningmix.analysis.analyse import analyse
from morningmix.analysis.analysed import AnalysedTake, kept_songs
from morningmix.analysis.kept import clean_kept
from morningmix.analysis.tempo import keeping_time, tempo_of
from morningmix.bleed.song import cleaning_cost
from morningmix.commands.former import former_folder, former_lower_db, former_plan
from morningmix.commands.order import (
    REPORT,
    Callbacks,
    Order,
    clear_partial,
    home_for,
    running,
    settings_of,
    source_of,
    working_in,
)
from morningmix.commands.plans import Planned, kept_folders, plans_of
from morningmix.commands.practice import cost_of, wants_practice
from morningmix.commands.recall import mix_again
from morningmix.commands.recognised import keep_fingerprints
from morningmix.commands.rehearsal_report import report_of
from morningmix.commands.rendering import Desk, Raw, Song, to_sum
from morningmix.commands.result import Found, Result, recorded_when, result_of
from morningmix.commands.song import MixedSong, write
from morningmix.commands.songs import listing, with_songs_where_several
from morningmix.commands.unchanged import find_standing, forget_facts, keep_facts
from morningmix.decide.master import decide_master
from morningmix.decide.rehearsal import lower_together_db, misses_aim
from morningmix.errors import UsageError
from morningmix.files.findings import FINDINGS, write_findings
from morningmix.measure.take import hash_take
from morningmix.model.plan import SongPlan
from morningmix.model.tempo import Tempo
from morningmix.report.contents import Mixed
from morningmix.report.explain import changes_in_words
from morningmix.report.numbers import levels_in_mix_lu, plays
from morningmix.storage.home import Home, output_errors, refuse_full
from morningmix.storage.song_folders import (
    finish_song,
    folder_name,
    refuse_in_the_way,
    retire_songs,
)
from morningmix.storage.text import write_text_whole
from morningmix.workers.jobs import Job, Lane, Run, side_by_side

_MP3_BYTES_PER_FRAME = 0.7
_TEMPO_COST = 0.001
_MIXING_COST, _LATER_COST = 0.08, 0.15
"""Seconds of one core per second of a song, until its plan is known, and of a take, until its songs are known."""


def mix(
    order: Order, callbacks: Callbacks | None = None, ready: Callable[[MixedSong], None] = lambda _: None
) -> Result:
    """Mix a folder of raw tracks or a recipe: every song, or the one that is asked for.

    `ready` receives every song as soon as it is in its place. Raises the errors of `morningmix.errors`; whatever is
    raised, songs are either as they were or new and whole.
    """
    callbacks = callbacks or Callbacks()
    if order.source.suffix == ".json" and not source_of(order).is_dir():
        return mix_again(order, callbacks)
    home = home_for(order)
    with working_in(home), running(order, callbacks) as run, ExitStack() as stack:
        if run.runner.workers > 1:
            # Plans need it, and it takes a second to load: meanwhile the workers listen.
            Thread(target=import_module, args=("scipy.signal",), daemon=True).start()
        analysed_takes, found = _measure(order, home, run, callbacks.note)
        run.meter.expect(_cleaning_cost(analysed_takes) + _MIXING_COST * _kept_s(analysed_takes))
        lane = Lane(run)
        stack.callback(clear_partial, home)
        place = _Place(analysed_takes, home, ready if order.song is None else lambda _: None)
        desk = Desk(home=home, settings=settings_of(order), block_hops=order.block_hops)
        first = partial(_mix_first, order, desk, place) if _wants_first(analysed_takes, order, home) else None
        analysed_takes = clean_kept(analysed_takes, lane, first)
        plans = plans_of(analysed_takes, order)
        _refuse_impossible(plans, order, home, run.runner.workers + 1)
        mixed = _mix_down(plans, order.practice, desk, place, lane)
        keep_fingerprints(analysed_takes, lane)
        if order.song is None and not order.whole:
            retire_songs(home.mixes, place.kept)
        forget_facts(home)
        result = replace(result_of(analysed_takes, tuple(mixed)), found=found, changes=place.changes())
        write_findings(home.root / FINDINGS, recorded_when(analysed_takes), result.findings)
        if order.song is None:
            with output_errors(home.mixes):
                home.mixes.mkdir(parents=True, exist_ok=True)
            write_text_whole(home.mixes / REPORT, report_of(analysed_takes, plans, result, found or ()))
            result = replace(result, report=home.mixes / REPORT)
    return result


def _measure(
    order: Order, home: Home, run: Run, note: Callable[[str], None]
) -> tuple[tuple[AnalysedTake, ...], tuple[Found, ...] | None]:
    """The takes, and the songs that were found where the recipe lists none; None where no take needed cutting."""
    analysed_takes = analyse(source_of(order), home, Lane(run), later_cost=_LATER_COST, hashes=True)
    if order.whole:
        return listing(analysed_takes, ()), None
    return with_songs_where_several(analysed_takes, Lane(run), note)


def _kept_s(analysed_takes: Sequence[AnalysedTake]) -> float:
    return sum(song.end_s - song.start_s for *_, song in kept_songs(analysed_takes))


def _cleaning_cost(analysed_takes: Sequence[AnalysedTake]) -> float:
    return sum(
        (song.end_s - song.start_s) * cleaning_cost(analysed.cleaning)
        for _, analysed, song in kept_songs(analysed_takes)
        if analysed.cleaning is not None
    )


def _refuse_impossible(plans: Sequence[Planned], order: Order, home: Home, together: int) -> None:
    """Raise before anything is rendered: `UsageError` without players to practise, `OutputError` without room."""
    if order.practice and not any(track.player for *_, plan in plans for track in plan.tracks):
        raise UsageError('No input names its player. Add player = "NAME" to the [[input]]s in the recipe.')
    refuse_in_the_way(home.mixes, [folder_name(number, plan.title) for number, _, plan in plans])
    refuse_full(home.mixes, _need_bytes(plans, order, together), "Mixing")


class _Place:
    """Moves songs into the mix folder, and remembers what is different in those that replace one."""

    def __init__(self, analysed_takes: Sequence[AnalysedTake], home: Home, ready: Callable[[MixedSong], None]) -> None:
        self._home, self._ready = home, ready
        self.kept = kept_folders(analysed_takes)
        """Folders of all songs that the recipe keeps, asked for or not."""
        self._takes = {number: analysed.take.folder for number, analysed, _ in kept_songs(analysed_takes)}
        self._changes: dict[int, tuple[str, tuple[str, ...]]] = {}
        self._placed: set[int] = set()
        self._for_now: set[int] = set()
        self._standing_lufs: dict[int, float] = {}
        self._lock = Lock()

    def before(self, number: int, plan: SongPlan) -> Path:
        """The folder of the version that a song replaces, if there is one."""
        return self._home.mixes / (
            former_folder(self._home, self._takes[number], plan, self.kept) or folder_name(number, plan.title)
        )

    def stands(self, number: int, song: MixedSong) -> None:
        """Note a song that is in its place already, and would come out the same but for its loudness."""
        self._standing_lufs[number] = song.target_lufs

    def put(self, number: int, song: MixedSong, *, for_now: bool = False) -> None:
        """Move a song into its place, and say so. May be called from any thread.

        One that is there `for_now` is replaced once more in this run, which goes without saying.
        """
        with self._lock:
            assert song.partial is not None
            replaces = None
            if number not in self._placed:
                replaces = former_folder(self._home, self._takes[number], song.plan, self.kept)
                former = former_plan(self._home.mixes / (replaces or song.folder.name))
                if former is not None:
                    self._changes[number] = song.title, tuple(changes_in_words(former, song.plan))
            is_new = finish_song(
                song.partial,
                self._home.mixes,
                song.folder.name,
                replaces=replaces,
                keeps_version=number not in self._placed and not self._is_lowered(number, song),
            )
            # The version that was in place is only that of this run where this run has put it there.
            if is_new:
                self._placed.add(number)
            keep_facts(song, self._home)
            if len(self._takes) > 1 and number not in self._for_now:
                self._ready(song)
            (self._for_now.add if for_now else self._for_now.discard)(number)

    def _is_lowered(self, number: int, song: MixedSong) -> bool:
        """Whether all that is new is that the rehearsal aims lower, as after a run that ended before it knew."""
        return song.target_lufs < self._standing_lufs.get(number, song.target_lufs)

    def holds(self, number: int) -> bool:
        """Whether this run has put a version of the song into its place."""
        return number in self._placed

    def changes(self) -> tuple[tuple[str, tuple[str, ...]], ...]:
        """Titles of songs that replaced one, and what is different in them."""
        return tuple(self._changes[number] for number in sorted(self._changes))


def _wants_first(analysed_takes: Sequence[AnalysedTake], order: Order, home: Home) -> bool:
    """Whether the first song is mixed before the others are cleaned: only while nothing is there to listen to."""
    songs = kept_songs(analysed_takes)
    if len(songs) < 2 or order.song is not None or order.practice or order.tracks or order.album:
        return False
    number, analysed, song = songs[0]
    return analysed.cleaning is not None and not (home.mixes / folder_name(number, song.title)).exists()


def _mix_first(order: Order, desk: Desk, place: _Place, analysed_takes: Sequence[AnalysedTake], lane: Lane) -> None:
    """The first song in its place, by what is known before the others are cleaned."""
    plans = plans_of(analysed_takes, order)
    _refuse_impossible(plans, order, desk.home, lane.run.runner.workers + 1)
    number, analysed, plan = plans[0]
    lane.run.meter.step(f"mixing a first version of {plan.title}")
    practice = wants_practice(order.practice, place.before(number, plan))
    song = Song(number=number, plan=plan, raw=raw_of(analysed), practice=practice)
    done = _mix_song(song, desk, lane, lambda reach: lower_together_db([reach]))
    place.put(number, done, for_now=True)


def _mix_song(song: Song, desk: Desk, lane: Lane, lower_db: Callable[[tuple[float, float]], float]) -> MixedSong:
    """A song in a folder of its own; `lower_db` says how far below its target, from that and what it can reach."""
    with ExitStack() as stack:
        ready = to_sum(song, desk, lane, stack)
        aim_lufs = song.plan.target_lufs - lower_db((song.plan.target_lufs, ready.reachable_lufs))
        master = decide_master(song.plan, ready.trims, ready.facts, aim_lufs)
        return write(ready, master, desk, lane)


def _mix_down(
    plans: Sequence[Planned], practice: bool | None, desk: Desk, place: _Place, lane: Lane
) -> list[MixedSong]:
    """Every song in its place, in the order of the rehearsal as far as there are workers; `practice` as in an order.

    Unchanged songs stay. A song that cannot reach its target without too much limiting lowers the target of all songs;
    those that were mixed for another loudness before that was known are mixed again.
    """
    takes = {analysed.take.folder: analysed for _, analysed, _ in plans}
    raws = {folder: raw_of(analysed) for folder, analysed in takes.items()}
    levels = {folder: _levels(analysed) for folder, analysed in takes.items()}
    songs = [
        Song(
            number=number,
            plan=plan,
            raw=raws[analysed.take.folder],
            tempo=tempo,
            levels=levels[analysed.take.folder],
            practice=wants_practice(practice, place.before(number, plan)),
        )
        for (number, analysed, plan), tempo in zip(plans, _tempi(plans, lane), strict=True)
    ]
    lane.run.meter.expect(sum(map(cost_of, songs)))
    mixed: dict[int, MixedSong] = {}
    for song in songs:
        if (standing := find_standing(song, desk, lane)) is not None:
            mixed[song.number] = standing
            place.stands(song.number, standing)
            lane.run.meter.did(cost_of(song))
    reaches: dict[int, Future[tuple[float, float]]] = {song.number: Future() for song in songs}
    for number, standing in mixed.items():
        reaches[number].set_result((standing.wanted_lufs, standing.reachable_lufs))

    def lower_db(up_to: int) -> float:
        """How far the songs up to this one lower the aim; waits for them, so that order decides, not pace."""
        return lower_together_db(reaches[song.number].result() for song in songs if song.number <= up_to)

    def mix_song(song: Song, aim: Callable[[], float], lane: Lane) -> MixedSong:
        def below_target_db(reach: tuple[float, float]) -> float:
            if not reaches[song.number].done():
                reaches[song.number].set_result(reach)
            return max(aim(), lower_together_db([reach]))

        lane.run.meter.step(f"mixing {song.plan.title} (song {songs.index(song) + 1} of {len(songs)})")
        try:
            done = _mix_song(song, desk, lane, below_target_db)
        except BaseException as error:
            if not reaches[song.number].done():
                reaches[song.number].set_exception(error)
            raise
        place.put(song.number, done)
        return done

    def mix_all(some: Sequence[Song], aim: Callable[[Song], float]) -> None:
        works = [partial(mix_song, song, partial(aim, song)) for song in some]
        for song, done in zip(some, side_by_side(lane.run, works, lane.last), strict=True):
            mixed[song.number] = done

    def first_lower_db(song: Song) -> float:
        if place.holds(song.number):
            return lower_db(song.number)
        return max(lower_db(song.number), former_lower_db(desk.home.mixes / song.folder_name, song.plan))

    mix_all([song for song in songs if song.number not in mixed], first_lower_db)
    last_db = lower_db(songs[-1].number) if songs else 0.0
    mix_all(
        [song for song in songs if misses_aim(mixed[song.number].target_lufs, song.plan.target_lufs, last_db)],
        lambda _: last_db,
    )
    return [mixed[song.number] for song in songs]


def _tempi(plans: Sequence[Planned], lane: Lane) -> list[Tempo | None]:
    return lane.all(
        [
            Job(
                what="find the beat",
                call=partial(
                    tempo_of,
                    analysed.store,
                    keeping_time(analysed.inputs),
                    plan.start_s,
                    plan.end_s,
                    analysed.recipe.usual.tempo_of(plan.title),
                ),
                cost=_TEMPO_COST * (plan.end_s - plan.start_s),
            )
            for _, analysed, plan in plans
        ]
    )


def _levels(analysed: AnalysedTake) -> Callable[[Mixed], tuple[float | None, ...]]:
    """How loud the inputs of a take are in a song of it."""
    playing = [plays(input_, analysed.singing.get(input_.index), analysed.measured) for input_ in analysed.inputs]
    return partial(levels_in_mix_lu, analysed.inputs, playing, analysed.measured)


def _need_bytes(plans: Sequence[Planned], order: Order, together: int) -> float:
    """Disk space of the songs: mix, stems and tracks of each, an MP3, and the families of those that run together."""
    need, temporary = 0.0, []
    for _, _, plan in plans:
        frames = (plan.end_s - plan.start_s) * plan.rate_hz
        families = len({track.family for track in plan.tracks if track.sounds})
        tracks = sum(track.sounds for track in plan.tracks) if order.tracks else 0
        need += frames * (2.0 * (families + 1) + tracks) * order.bits / 8.0 + _MP3_BYTES_PER_FRAME * frames
        temporary.append(frames * 8.0 * families)
    return need + sum(sorted(temporary)[-together:])


def raw_of(analysed: AnalysedTake) -> Raw:
    """The recordings of a take, to be mixed."""
    return Raw(
        folder=analysed.take.folder,
        recordings=analysed.take.recordings,
        hashes=partial(hash_take, analysed.take, analysed.store),
        cleaned={each.index: each.cleaned for each in analysed.inputs if each.cleaned is not None},
    )
