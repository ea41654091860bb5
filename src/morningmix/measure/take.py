"""Measure all inputs of a take in one pass over the samples.

Measurements are cached by path, size, modification times and samples of the content of each file.
"""

from __future__ import annotations

from functools import partial
from pathlib import Path

import numpy as np

from morningmix.audio.read import open_recording, sample_of, sha256_of
from morningmix.dsp.bands import HOPS_PER_SECOND, BandMeter, band_edges_hz, band_hop_frames
from morningmix.dsp.control import step_peaks
from morningmix.dsp.declip import FULL_SCALE, LEAST_RUN
from morningmix.errors import ChangedError, OutputError, RecordingsError
from morningmix.measure.band_store import BandStore, BandWriter
from morningmix.measure.faults import DropoutMeter, HumMeter, PopMeter, pop_spans
from morningmix.model.measured import Measurements, TrackFacts
from morningmix.model.recording import Recording, Take
from morningmix.model.slots import Bands, Slots
from morningmix.storage.cache import beside, key, made_from, path_of, take_key
from morningmix.storage.records import read_record, write_record
from morningmix.units import Block, amplitude_db
from morningmix.workers.jobs import Job, Lane

_BLOCK_HOPS = 100
_SLOT_HOPS = 5
_MOST_SPECTRA = 6000
_MEASURING_COST, HASHING_COST = 0.0015, 0.0002
"""Seconds of one core per second of a channel, and of an input (measured)."""


def slots_per_spectrum(take: Take) -> int:
    """Number of slots that share a spectrum: 1, more for takes over ten minutes."""
    return max(1, -(-_slots(take) // _MOST_SPECTRA))


def _slots(take: Take) -> int:
    return -(-take.frames // (_SLOT_HOPS * band_hop_frames(take.rate_hz)))


def measuring_cost(take: Take, recording: Recording) -> float:
    """How long measuring an input takes one core, in seconds."""
    return _MEASURING_COST * take.duration_s * recording.channels


def measure_take(take: Take, cache: Path, lane: Lane, *, hashes: bool = False) -> tuple[Measurements, BandStore]:
    """Measurements and band powers of all inputs; acoustic feedback is not looked for yet.

    `hashes`: whoever is idle meanwhile prepares `hash_take`.
    Raises `RecordingsError` for a file that cannot be read and `OutputError` if the cache cannot be written.
    """
    try:
        cache.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"Cannot make the folder {cache}: {error.strerror}.") from error
    store = store_of(take, cache)
    edges = store.band_hz
    tracks = [_cached(recording, store, index) for index, recording in enumerate(take.recordings)]
    new = [index for index, track in enumerate(tracks) if track is None]
    if hashes:
        lane.aside(_hashing(take, store))
    costs = [measuring_cost(take, recording) for recording in take.recordings]
    lane.run.meter.did(sum(costs) - sum(costs[index] for index in new))
    measured = lane.all(
        [
            Job(
                what="measure an input",
                call=partial(_measured, take.recordings[index], take, store.paths[index]),
                cost=costs[index],
            )
            for index in new
        ]
    )
    found = dict(zip(new, measured, strict=True))
    facts = Measurements(
        rate_hz=take.rate_hz,
        frames=take.frames,
        slot_s=_SLOT_HOPS / HOPS_PER_SECOND,
        band_hz=edges,
        tracks=tuple(found[index] if track is None else track for index, track in enumerate(tracks)),
    )
    return facts, store


def store_of(take: Take, cache: Path) -> BandStore:
    """Where the band powers of all inputs lie in the cache, or will. Raises `RecordingsError`."""
    edges = band_edges_hz(take.rate_hz)
    sources = [_source_key(recording, take) for recording in take.recordings]
    return BandStore(
        paths=tuple(path_of(cache, "bands", take_key(take.folder), source) for source in sources),
        bands=len(edges) - 1,
        hops=-(-take.frames // band_hop_frames(take.rate_hz)),
        hop_s=1.0 / HOPS_PER_SECOND,
        band_hz=edges,
    )


def _source_key(recording: Recording, take: Take) -> str:
    """Sixteen digits that identify the recording, and sixteen for the times its files were last touched."""
    state: list[object] = [take.rate_hz, take.frames, [len(lane) for lane in recording.lanes]]
    touched_ns: list[int] = []
    for part in recording.parts:
        try:
            stat = part.path.stat()
        except OSError as error:
            raise RecordingsError(f"{part.path.name}: the file cannot be read ({error.strerror})") from error
        state += [str(part.path.resolve()), stat.st_size, stat.st_mtime_ns, sample_of(part.path)]
        state += [part.rate_hz, part.channels, part.frames, part.subtype, part.data_offset_bytes]
        touched_ns.append(stat.st_ctime_ns)
    return key(*state) + key(*touched_ns)


def hash_take(take: Take, store: BandStore, lane: Lane) -> tuple[tuple[str, ...], ...]:
    """SHA-256 of every part of each recording; cached beside its band powers.

    Raises `ChangedError` where one is no longer what was measured, `RecordingsError` and `OutputError`.
    """
    return tuple(lane.all(_hashing(take, store)))


def _hashing(take: Take, store: BandStore) -> list[Job[tuple[str, ...]]]:
    return [
        Job(
            what="identify a recording",
            call=partial(_checked_hashes, recording, take, bands),
            cost=HASHING_COST * take.duration_s,
        )
        for recording, bands in zip(take.recordings, store.paths, strict=True)
    ]


def _checked_hashes(recording: Recording, take: Take, bands: Path) -> tuple[str, ...]:
    # A file that was only touched meanwhile, for instance by a player that stores a date, has not changed.
    if _source_key(recording, take)[:16] != made_from(bands)[:16]:
        raise ChangedError(f"{' and '.join(recording.files)} changed during this run. Run it again.")
    return _hashes(recording, beside(bands, "hashes"))


def _hashes(recording: Recording, path: Path) -> tuple[str, ...]:
    cached = read_record(path, tuple[str, ...])
    if cached is not None:
        return cached
    hashes = tuple(sha256_of(part.path) for part in recording.parts)
    write_record(path, hashes)
    return hashes


def _cached(recording: Recording, store: BandStore, index: int) -> TrackFacts | None:
    """Cached measurements of a recording; None unless all of them are intact."""
    facts = read_record(beside(store.paths[index], "track"), TrackFacts, _from_recording(recording))
    return facts if facts is not None and store.is_whole(index) else None


def _from_recording(recording: Recording) -> dict[str, object]:
    return {"files": recording.files, "channels": recording.channels, "feedback": ()}


def _measured(recording: Recording, take: Take, bands: Path) -> TrackFacts:
    with BandWriter(bands) as writer:
        facts = _measure(recording, take, writer)
    write_record(beside(bands, "track"), facts, _from_recording(recording))
    return facts


def _measure(recording: Recording, take: Take, writer: BandWriter) -> TrackFacts:
    hop = band_hop_frames(take.rate_hz)
    slot_meter = _SlotMeter(take, recording.channels, take.frames)
    total = np.zeros(recording.channels, np.float64)
    power, side = 0.0, 0.0
    clipped = _ClippedRuns(recording.channels)
    hum = HumMeter(take.rate_hz)
    pops = PopMeter(take.rate_hz, recording.channels)
    dropouts = DropoutMeter(take.rate_hz)
    with open_recording(recording, take.rate_hz) as reader:
        for start in range(0, take.frames, _BLOCK_HOPS * hop):
            block = reader.read(min(_BLOCK_HOPS * hop, take.frames - start))
            writer.write(slot_meter.update(block))
            mono = block[0] if recording.channels == 1 else block.mean(axis=0)
            total += block @ np.ones(block.shape[1], np.float32)
            if recording.channels == 2:
                power += float(np.vdot(block, block))
                difference = block[0] - block[1]
                side += float(np.vdot(difference, difference)) / 2.0
            clipped.update(block)
            hum.update(mono)
            pops.update(block)
            dropouts.update(block)
        broken_samples = reader.broken_samples
    writer.write(slot_meter.finish())
    popped = pops.result()
    hit = {slot for hop in popped for slot in (hop // _SLOT_HOPS, (hop + 2) // _SLOT_HOPS)}
    slots = slot_meter.result().without(hit)
    return TrackFacts(
        files=recording.files,
        channels=recording.channels,
        peak_dbfs=amplitude_db(float(slots.peaks.max(initial=0.0))),
        clipped_runs=clipped.result(),
        dc=float(np.abs(total).max() / max(take.frames, 1)),
        hum=hum.result(),
        pops_s=pop_spans(popped, 1.0 / HOPS_PER_SECOND),
        feedback=(),
        dropouts=dropouts.result(),
        broken_samples=broken_samples,
        side_fraction=side / power if power > 0.0 else 0.0,
        slots=slots,
    )


def slots_of(recording: Recording, take: Take, first_frame: int, frames: int) -> Slots:
    """Slots (as in `TrackFacts`) of a sound over a stretch of the take that begins with a slot."""
    meter = _SlotMeter(take, recording.channels, frames)
    longest = _BLOCK_HOPS * band_hop_frames(take.rate_hz)
    with open_recording(recording, take.rate_hz, first_frame, frames) as reader:
        for start in range(0, frames, longest):
            meter.update(reader.read(min(longest, frames - start)))
    meter.finish()
    return meter.result()


class _SlotMeter:
    """Measures slots. Every block except the last must be whole hops."""

    def __init__(self, take: Take, channels: int, frames: int) -> None:
        self._hop, self._per_spectrum = band_hop_frames(take.rate_hz), slots_per_spectrum(take)
        self._hops = -(-frames // self._hop)
        slots = -(-self._hops // _SLOT_HOPS)
        self._meter = BandMeter(take.rate_hz, channels)
        self._spectra = np.zeros((len(band_edges_hz(take.rate_hz)) - 1, -(-slots // self._per_spectrum)), np.float64)
        self._powers = np.zeros(slots, np.float64)
        self._peaks = np.zeros(slots, np.float32)
        self._peak_hops, self._done_hops = 0, 0

    def update(self, block: Block) -> Bands:
        """Take in a block; return the hops that are complete: ``(bands, hops)``."""
        per_hop = step_peaks(block, self._hop)
        np.maximum.at(self._peaks, (self._peak_hops + np.arange(len(per_hop))) // _SLOT_HOPS, per_hop)
        self._peak_hops += len(per_hop)
        return self._keep(self._meter.update(block))

    def finish(self) -> Bands:
        """Return the remaining hops."""
        return self._keep(self._meter.finish())

    def _keep(self, new: Bands) -> Bands:
        if new.shape[1]:
            slot = (self._done_hops + np.arange(new.shape[1])) // _SLOT_HOPS
            np.add.at(self._powers, slot, new.sum(axis=0, dtype=np.float64))
            spectrum = slot // self._per_spectrum
            starts = np.flatnonzero(np.diff(spectrum, prepend=-1))
            self._spectra[:, spectrum[starts]] += np.add.reduceat(new, starts, axis=1, dtype=np.float64)
            self._done_hops += new.shape[1]
        return new

    def result(self) -> Slots:
        """All slots; the last of a take may be short."""
        slots = np.arange(len(self._powers))
        hops = np.minimum((slots + 1) * _SLOT_HOPS, self._hops) - slots * _SLOT_HOPS
        spectrum_of = slots // self._per_spectrum
        return Slots(
            powers=(self._powers / hops).astype(np.float32),
            peaks=self._peaks,
            spectra=(self._spectra / np.bincount(spectrum_of, hops)).astype(np.float32),
            spectrum_of=spectrum_of.astype(np.uint16),
        )


class _ClippedRuns:
    """Counts runs of three or more samples at full scale; a run may cross blocks."""

    def __init__(self, channels: int) -> None:
        self._open = np.zeros(channels, np.int64)
        self._runs = 0

    def update(self, block: Block) -> None:
        for channel, samples in enumerate(block):
            if self._open[channel] == 0 and max(samples.max(), -samples.min()) < FULL_SCALE:
                continue
            full = np.abs(samples) >= FULL_SCALE
            edges = np.diff(full.astype(np.int8), prepend=0, append=0)
            starts, stops = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
            lengths = stops - starts
            if len(starts) and starts[0] == 0:
                lengths[0] += self._open[channel]
            elif self._open[channel] >= LEAST_RUN:
                self._runs += 1
            self._open[channel] = 0
            if len(stops) and stops[-1] == len(samples):
                self._open[channel] = lengths[-1]
                lengths = lengths[:-1]
            self._runs += int(np.count_nonzero(lengths >= LEAST_RUN))

    def result(self) -> int:
        return self._runs + int(np.count_nonzero(self._open >= LEAST_RUN))
