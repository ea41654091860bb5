"""A streaming meter for acoustic feedback.

The criteria are those of howling detection (van Waterschoot and Moonen, "Comparative evaluation of howling detection
criteria in notch-filter-based howling suppression", JAES 58(11) 2010, and "Fifty years of acoustic feedback control",
Proc. IEEE 99(2) 2011): a line far over its neighbours (peak-to-neighbouring power ratio, PNPR), without harmonics
(peak-to-harmonic power ratio, PHPR), whose level rises by the same number of decibels from frame to frame (interframe
magnitude slope deviation, IMSD). The thresholds are design choices, set on held notes and on planted feedback.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import scipy
from numpy.typing import NDArray

from morningmix.audio.read import open_recording
from morningmix.model.measured import AcousticFeedback
from morningmix.model.recording import Recording, Take

_HOP_S, _WINDOW, _DECIMATED_HZ = 0.02, 1024, 11_000
_BLOCK_S = 2
_LOWEST_HZ, _HIGHEST_HZ = 200.0, 5_000.0
_GROUP, _KEPT = 50, 80
"""Hops that are looked at together, and hops before them that are remembered."""
_QUARTERS = np.array((1, 2, 3, 5, 10))
"""Growth is looked for in four equal steps of so many hops: over 0.08 to 0.8 s, which is less than a group."""
_GROWTH_DB, _UNEVEN, _FASTEST_DB = 12.0, 0.4, 8.0
"""Least growth over the four steps, how far a step may be off their mean, and the most per hop."""
_NEIGHBOURS = np.array((-8, -7, -6, -5, 5, 6, 7, 8))
_OVER_NEIGHBOURS_DB, _AUDIBLE_DB, _LINE_DB = 15.0, 12.0, 8.0
"""PNPR of feedback, of a line that is more than noise, and of a harmonic."""
_RELATED = ((1 / 3, -25.0), (1 / 2, -25.0), (2 / 3, -25.0), (3 / 2, -25.0), (2.0, -45.0), (3.0, -45.0))
"""Where a note has other lines, as a ratio to one of them, and how loud they are at least, dB re that one."""
_ALONG, _IN_TUNE = 0.6, 0.3
"""Least growth of a harmonic re its line's, and the most it may be out of tune, in bins."""
_LEAST_DBFS, _LEAST_RISE_DB, _ENDED_DB = -40.0, 25.0, 12.0
_TOP_DB, _LEAST_HOPS = 15.0, 13
"""Feedback is judged where it is within so much of its loudest, and must be that for so many hops."""
_STRONGEST_DB, _LEAST_STRONGEST = 3.0, 0.5
_OCTAVE_DB, _MOST_WITH_OCTAVE = -35.0, 0.5
_HALF_WITHIN_HZ, _RANGE_HZ = 0.4, 1.0
"""Range of the middle half of its frequencies, and of all but the outermost fifth."""
_CHECKED_UNDER_DB, _SLOWER, _FEWEST_HOPS = (20.0, 12.0, 4.0), 1.75, 1.8
"""Between these levels under the loudest, how much longer the later part may take, and the fewest hops for both."""
_FLOOR = np.float32(1e-14)

Spectra = NDArray[np.float32]


@dataclass(slots=True)
class _Tone:
    """A line that grew like feedback, followed hop by hop. Hops count from the start of the recording."""

    first: int
    bin: int
    """Of the spectrum, when it was noticed."""
    growth_db: list[float]
    """Levels from `first` until it was noticed; the other lists begin then."""
    last: int = 0
    levels_db: list[float] = field(default_factory=list)
    loudest_db: float = -math.inf
    """Of `levels_db`."""
    hz: list[float] = field(default_factory=list)
    strongest: list[bool] = field(default_factory=list)
    with_octave: list[bool] = field(default_factory=list)


def measure_feedback(take: Take, recording: Recording) -> tuple[AcousticFeedback, ...]:
    """Acoustic feedback in an input, in order of time. Raises `RecordingsError` if it cannot be read."""
    meter = FeedbackMeter(take.rate_hz)
    longest = _BLOCK_S * take.rate_hz
    with open_recording(recording, take.rate_hz) as reader:
        for start in range(0, take.frames, longest):
            block = reader.read(min(longest, take.frames - start))
            meter.update(block[0] if recording.channels == 1 else block.mean(axis=0))
    return meter.result()


class FeedbackMeter:
    """Detects acoustic feedback: a line without harmonics that grows exponentially and then stands still to a hertz.

    Every 20 ms, in the sound decimated to about 12 kHz, a spectrum is taken. A line from 200 Hz to 5 kHz is feedback if
    it rises out of the noise by 25 dB or more, evenly, with no harmonic or fundamental that rises along with it, then
    stays within a hertz for a quarter of a second, and has no octave. A sung or played note brings its harmonics along,
    begins at once or arrives ever more slowly, and moves. Where the loop clips, feedback has odd harmonics too, but it
    grew without them. The last second of a recording is not measured.
    """

    def __init__(self, rate_hz: int) -> None:
        self._factor = max(1, rate_hz // _DECIMATED_HZ)
        self._rate_hz = rate_hz / self._factor
        self._mean = np.full(self._factor, 1.0 / self._factor, np.float32)
        self._hop = round(_HOP_S * self._rate_hz)
        window = np.hanning(_WINDOW + 1)[:-1]
        # A sine of amplitude 1 has power 0.5 in its bin.
        self._window = (window * np.sqrt(2.0) / window.sum()).astype(np.float32)
        self._bin_hz = self._rate_hz / _WINDOW
        self._low = round(_LOWEST_HZ / self._bin_hz)
        self._high = round(min(_HIGHEST_HZ, 0.45 * self._rate_hz) / self._bin_hz)
        self._kept = np.zeros(0, np.float32)
        self._decimated = np.zeros(0, np.float32)
        self._past: Spectra = np.zeros((0, _WINDOW // 2 + 1), np.float32)
        self._hops = 0
        self._loudest_db: list[float] = []
        self._open: list[_Tone] = []
        self._found: list[AcousticFeedback] = []

    def update(self, mono: NDArray[np.float32]) -> None:
        """Take in the mean of the channels, ``(frames,)``."""
        sound = np.concatenate((self._kept, mono))
        whole = len(sound) // self._factor * self._factor
        self._kept = sound[whole:]
        decimated = sound[:whole].reshape(-1, self._factor) @ self._mean
        self._decimated = np.concatenate((self._decimated, decimated))
        need = _WINDOW + (_GROUP - 1) * self._hop
        while len(self._decimated) >= need:
            windows = np.lib.stride_tricks.sliding_window_view(self._decimated[:need], _WINDOW)[:: self._hop]
            self._look(windows)
            self._decimated = self._decimated[_GROUP * self._hop :]

    def _look(self, windows: NDArray[np.float32]) -> None:
        spectrum = scipy.fft.rfft(windows * self._window, axis=1)
        parts = np.square(spectrum.view(np.float32))
        new: Spectra = parts[:, ::2] + parts[:, 1::2]
        new += _FLOOR
        np.log10(new, out=new)
        new *= np.float32(10.0)
        past = len(self._past)
        spectra: Spectra = np.concatenate((self._past, new))
        self._loudest_db = spectra.max(axis=1).tolist()
        grown = self._grown(spectra, past)
        for hop in range(past, len(spectra)):
            if self._open:
                self._follow(spectra, hop)
            for bin_, quarter in grown.get(hop, ()):
                self._begin(spectra, hop, bin_, quarter)
        self._hops += len(new)
        self._past = spectra[-_KEPT:]

    def _grown(self, spectra: Spectra, past: int) -> dict[int, list[tuple[int, int]]]:
        """Lines that have grown evenly up to a hop: bin and a quarter of the growth in hops, by hop."""
        if not past:
            return {}
        slowest = _QUARTERS[-1]
        around = spectra[past:, self._low - 1 : self._high + 1]
        line, before = around[:, 1:-1], spectra[past - slowest : -slowest, self._low : self._high]
        stands = (line >= _LEAST_DBFS - _GROWTH_DB) & (line - before >= (1.0 - _UNEVEN) * _GROWTH_DB / 4.0)
        stands &= line >= around[:, :-2]
        stands &= line >= around[:, 2:]
        # Numbers of the bins from the first hop on: one index is many times faster than two.
        places = np.flatnonzero(stands)
        width, levels = spectra.shape[1], spectra.reshape(-1)
        hops, bins = np.divmod(places, stands.shape[1])
        at = (hops + past) * width + bins + self._low
        beside = levels[at + _NEIGHBOURS[:, None]].mean(axis=0)
        at = at[levels[at] - beside >= _OVER_NEIGHBOURS_DB]
        if not len(at):
            return {}
        grown_db = levels[at] - levels[at - 4 * width * _QUARTERS[:, None]]
        of_quarter, fits = np.nonzero((grown_db >= _GROWTH_DB) & (grown_db <= _FASTEST_DB * 4 * _QUARTERS[:, None]))
        at, quarters = at[fits], _QUARTERS[of_quarter]
        steps = np.diff(levels[at - width * quarters * np.arange(4, -1, -1)[:, None]], axis=0)
        mean = steps.mean(axis=0)
        even = np.abs(steps - mean).max(axis=0) <= _UNEVEN * mean
        grown: dict[int, list[tuple[int, int]]] = {}
        for place, quarter in zip(at[even].tolist(), quarters[even].tolist(), strict=True):
            hop, bin_ = divmod(place, width)
            grown.setdefault(hop, []).append((bin_, quarter))
        return grown

    def _begin(self, spectra: Spectra, hop: int, bin_: int, quarter: int) -> None:
        now = spectra[hop]
        hz = self._frequency(bin_, *now[bin_ - 1 : bin_ + 2].tolist())
        if any(abs(tone.hz[-1] - hz) < 3.0 * self._bin_hz for tone in self._open):
            return
        if self._is_note(spectra[hop - 4 * quarter : hop + 1 : 2 * quarter], bin_, hz):
            return
        step_db = float(now[bin_] - spectra[hop - 4 * quarter, bin_]) / 4.0
        base = self._base(spectra[: hop - 4 * quarter + 1], bin_, quarter, step_db)
        if base is None:
            return
        tone = _Tone(first=self._hops + base - len(self._past), bin=bin_, growth_db=spectra[base:hop, bin_].tolist())
        self._open.append(tone)
        self._add(tone, spectra, hop, bin_)

    def _is_note(self, levels: Spectra, bin_: int, hz: float) -> bool:
        """Whether a harmonic or a fundamental grows along with a line; levels at the start, half way, and now."""
        now = levels[2]
        halves = np.diff(levels[:, bin_])
        for ratio, least_db in _RELATED:
            other = self._line_at(now, hz * ratio, float(now[bin_]) + least_db)
            if other is not None:
                its = np.diff(levels[:, other])
                if its[1] > _ALONG * halves[1] and its[0] > 0.0:
                    return True
        return False

    def _line_at(self, now: NDArray[np.float32], hz: float, least_db: float) -> int | None:
        """Bin of a line at that frequency that is at least so loud; None if there is none."""
        middle = round(hz / self._bin_hz)
        if not 9 <= middle < len(now) - 10:
            return None
        # Numbers of Python's own: NumPy takes longer for a few of them.
        around: list[float] = now[middle - 9 : middle + 10].tolist()
        if max(around[8:11]) < least_db:
            return None
        place = _largest_near(around, 9)
        before, at, after = around[place - 1 : place + 2]
        bin_ = middle - 9 + place
        stands = (
            at >= max(before, after)
            and _over_neighbours_db(around, place) > _LINE_DB
            and abs(self._frequency(bin_, before, at, after) - hz) < _IN_TUNE * self._bin_hz
        )
        return bin_ if stands else None

    def _base(self, past: Spectra, bin_: int, quarter: int, step_db: float) -> int | None:
        """The hop from which the line has risen, at that step per quarter; None for a note that began at once."""
        at = len(past) - 1
        while at >= quarter and _over_neighbours_db(past[at, bin_ - 8 : bin_ + 9].tolist(), 8) >= _AUDIBLE_DB:
            fallen = float(past[at, bin_] - past[at - quarter, bin_])
            if fallen > 2.0 * step_db + 3.0:
                return None
            if fallen < 0.3 * step_db:
                break
            at -= quarter
        return at

    def _frequency(self, bin_: int, before: float, at: float, after: float) -> float:
        """Frequency of a line in that bin, by the levels of the bins around it."""
        # A parabola through three logarithms finds the frequency between bins.
        off = 0.5 * (before - after) / min(before - 2.0 * at + after, -1e-6)
        return float(bin_ + min(max(off, -0.5), 0.5)) * self._bin_hz

    def _add(self, tone: _Tone, spectra: Spectra, hop: int, bin_: int) -> None:
        before, level_db, after = spectra[hop, bin_ - 1 : bin_ + 2].tolist()
        tone.levels_db.append(level_db)
        tone.loudest_db = max(tone.loudest_db, level_db)
        hz = self._frequency(bin_, before, level_db, after)
        tone.hz.append(hz)
        tone.strongest.append(level_db >= self._loudest_db[hop] - _STRONGEST_DB)
        octave = self._line_at(spectra[hop], 2.0 * hz, level_db + _OCTAVE_DB)
        tone.with_octave.append(octave is not None)
        tone.last = self._hops + hop - len(self._past)

    def _follow(self, spectra: Spectra, hop: int) -> None:
        """Add a hop to every open tone that goes on, and close the others."""
        going_on = []
        for tone in self._open:
            near = round(tone.hz[-1] / self._bin_hz)
            around: list[float] = spectra[hop, near - 2 : near + 3].tolist()
            place = _largest_near(around, 2)
            bin_ = near - 2 + place
            moved = abs(bin_ - tone.bin) > 1
            if moved or around[place] < tone.loudest_db - _ENDED_DB:
                self._close(tone)
            else:
                self._add(tone, spectra, hop, bin_)
                going_on.append(tone)
        self._open = going_on

    def _close(self, tone: _Tone) -> None:
        levels_db = np.array(tone.growth_db + tone.levels_db)
        loudest_db = float(levels_db.max())
        quiet = np.flatnonzero(levels_db[: levels_db.argmax()] <= loudest_db - _LEAST_RISE_DB)
        top = levels_db[len(tone.growth_db) :] > loudest_db - _TOP_DB
        if loudest_db < _LEAST_DBFS or not len(quiet) or np.count_nonzero(top) < _LEAST_HOPS:
            return
        strongest, with_octave = np.array(tone.strongest)[top].mean(), np.array(tone.with_octave)[top].mean()
        if strongest < _LEAST_STRONGEST or with_octave > _MOST_WITH_OCTAVE or not _straight(levels_db):
            return
        low_hz, first_hz, hz, third_hz, high_hz = np.percentile(np.array(tone.hz)[top], (10, 25, 50, 75, 90)).tolist()
        if high_hz - low_hz > _RANGE_HZ or third_hz - first_hz > _HALF_WITHIN_HZ:
            return
        start = int(quiet[-1])
        hop_s, window_s = self._hop / self._rate_hz, _WINDOW / self._rate_hz
        self._found.append(
            AcousticFeedback(
                start_s=round((tone.first + start) * hop_s + 0.5 * window_s, 3),
                end_s=round(tone.last * hop_s + window_s, 3),
                hz=round(hz, 1),
                rise_db=round(loudest_db - float(np.median(levels_db[: start + 1])), 1),
            )
        )

    def result(self) -> tuple[AcousticFeedback, ...]:
        """Feedback in order of time. Nothing can be taken in afterwards."""
        for tone in self._open:
            self._close(tone)
        self._open = []
        return tuple(sorted(self._found, key=lambda tone: tone.start_s))


def _over_neighbours_db(levels: Sequence[float], bin_: int) -> float:
    beside = (*levels[bin_ - 8 : bin_ - 4], *levels[bin_ + 5 : bin_ + 9])
    return levels[bin_] - sum(beside) / len(beside)


def _largest_near(levels: Sequence[float], bin_: int) -> int:
    """The largest of a bin and the one on either side."""
    near = levels[bin_ - 1 : bin_ + 2]
    return bin_ - 1 + near.index(max(near))


def _straight(levels_db: NDArray[np.float64]) -> bool:
    """Whether a level grows in dB as fast near its top as before: a played note arrives ever more slowly."""
    low, middle, high = (_crossing(levels_db, levels_db.max() - under_db) for under_db in _CHECKED_UNDER_DB)
    return high - low >= _FEWEST_HOPS and high - middle <= _SLOWER * (middle - low)


def _crossing(levels_db: NDArray[np.float64], level_db: float) -> float:
    """Hop, and fraction of one, at which a level is first reached."""
    hop = int(np.argmax(levels_db >= level_db))
    if hop == 0:
        return 0.0
    before, at = levels_db[hop - 1 : hop + 1]
    return hop - float((at - level_db) / (at - before))
