"""What is cleaned of bleed at a time: a stretch of a take, and where its pieces lie in the cache.

The microphones in front of people come first. Then the kit's, by all that is not the kit, with those people cleaned.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from morningmix.audio.scratch import Scratch, recording_of
from morningmix.bleed.spectra import Targets
from morningmix.bleed.subtract import Part, Piece, Sounds, parts_of
from morningmix.dsp.bands import band_hop_frames
from morningmix.measure.band_store import BandStore
from morningmix.model.measured import GainStep
from morningmix.model.plan import Cleaning
from morningmix.model.recording import Part as FilePart
from morningmix.model.recording import Recording, Take
from morningmix.storage.cache import beside, key, path_of, take_key

_LEAST_HOPS = 50
_KIT_TO_HZ = 5000.0
"""Design choice: over this, a kit's microphones hold little but the kit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """What is cleaned, and where that lies in the cache."""

    sounds: Sounds
    store: BandStore
    """Band powers of the stretch, gain steps undone."""
    targets: tuple[tuple[int, bool], ...]
    """Microphones that other inputs can explain, and whether predicted bleed is subtracted."""
    references: tuple[int, ...]
    is_kit: bool = False
    """Drum microphones: nothing moves, and only what can be predicted is taken out."""
    lowest_hz: tuple[tuple[int, float], ...] = ()
    """References that only count from a frequency on."""
    parts: tuple[Part, ...]
    cache: Path
    stem: tuple[str, ...]

    @property
    def seconds(self) -> float:
        """Length."""
        return self.sounds.frames / self.sounds.rate_hz

    @property
    def to_clean(self) -> Targets:
        """As the filters see it."""
        return Targets(
            sounds=self.sounds,
            subtracts=self.targets,
            references=self.references,
            hearing=() if self.is_kit else tuple(target for target, _ in self.targets),
            lowest_hz=self.lowest_hz,
            still_to_hz=_KIT_TO_HZ if self.is_kit else None,
        )

    @property
    def pieces(self) -> tuple[Piece, ...]:
        """All pieces of all parts."""
        return tuple(piece for part in self.parts for piece in part.pieces)

    def path(self, target: int) -> Path:
        """Path that the entries of a microphone are named after."""
        return path_of(self.cache, "clean", *self.stem, f"{target:02x}")

    def clean(self, target: int) -> Recording:
        """The cleaned sound, on the timeline of the take."""
        parts = tuple(
            FilePart(
                path=beside(self.path(target), "clean", f"{number:02x}"),
                rate_hz=self.sounds.rate_hz,
                channels=self.sounds.channels(target),
                frames=self._frames(number),
                subtype="FLOAT",
                data_offset_bytes=0,
            )
            for number in self._numbers
        )
        return Recording(lanes=(parts,), at_frame=self.sounds.first_frame)

    def scratch(self, target: int, what: int, number: int) -> Scratch:
        """What is left (0) or was taken (1) of a microphone in a piece."""
        return Scratch(
            path=beside(self.path(target), "scratch", str(what), f"{number:02x}"),
            rate_hz=self.sounds.rate_hz,
            channels=self.sounds.channels(target),
            frames=self._frames(number),
        )

    def scratches(self, target: int, what: int) -> Recording:
        """What is left or was taken of a microphone, on the timeline of the stretch."""
        return recording_of([self.scratch(target, what, number) for number in self._numbers])

    def bands(self, target: int, what: int) -> Path:
        """Band powers of what is left (0), of what was taken (1), and of the bleed expected in what is left (2)."""
        return beside(self.path(target), "scratch", f"b{what}")

    @property
    def _numbers(self) -> range:
        return range(len(self.pieces))

    def _frames(self, number: int) -> int:
        piece = self.pieces[number]
        return piece.stop_frame - piece.start_frame


def stretches_of(take: Take, store: BandStore, cleaning: Cleaning, cache: Path) -> tuple[Stretch, ...]:
    """What a song's plan cleans, in order. A stretch that no other input could explain bleed in is left out."""
    start_s, end_s = cleaning.stretch_s or (0.0, take.duration_s)
    first_hop = round(start_s / store.hop_s)
    last_hop = min(round(end_s / store.hop_s), store.hops) if cleaning.stretch_s else store.hops
    if last_hop - first_hop < _LEAST_HOPS:
        return ()
    here = replace(store, first_hop=first_hop, hops=last_hop - first_hop)
    hop = band_hop_frames(take.rate_hz)
    sounds = Sounds(
        take=take,
        first_frame=first_hop * hop,
        frames=min(last_hop * hop, take.frames) - first_hop * hop,
        gain_steps=tuple((index, GainStep(at_s=at_s, step_db=step_db)) for index, at_s, step_db in cleaning.gain_steps),
    )
    voices = _voices(sounds, here, cleaning, cache)
    kit = _kit(sounds, here, cleaning, cache, voices)
    return tuple(stretch for stretch in (voices, kit) if stretch is not None)


def _voices(sounds: Sounds, store: BandStore, cleaning: Cleaning, cache: Path) -> Stretch | None:
    references = cleaning.references
    targets = tuple((target, on) for target, on in cleaning.targets if any(other != target for other in references))
    if not targets:
        return None
    repaired = tuple(pair for pair in cleaning.repaired if pair[0] in dict(targets))
    return Stretch(
        sounds=replace(sounds, repaired=repaired),
        parts=parts_of(sounds),
        store=replace(store, gain_steps=sounds.gain_steps),
        targets=targets,
        references=references,
        cache=cache,
        stem=_stem(sounds, store, (sorted(targets), references, sounds.gain_steps, repaired, *_hops(store))),
    )


def _kit(sounds: Sounds, store: BandStore, cleaning: Cleaning, cache: Path, voices: Stretch | None) -> Stretch | None:
    if not cleaning.kit or not cleaning.kit_references:
        return None
    cleaned = () if voices is None else tuple((target, voices.clean(target)) for target, _ in voices.targets)
    repaired = tuple(pair for pair in cleaning.repaired if pair[0] in cleaning.kit)
    settings = (sorted(cleaning.kit), cleaning.kit_references, repaired, *_hops(store), voices and voices.stem)
    return Stretch(
        sounds=replace(sounds, repaired=repaired, cleaned=cleaned),
        parts=parts_of(sounds),
        store=store,
        targets=tuple((target, True) for target in cleaning.kit),
        references=tuple(index for index, _ in cleaning.kit_references),
        is_kit=True,
        lowest_hz=cleaning.kit_references,
        cache=cache,
        stem=_stem(sounds, store, settings),
    )


def _stem(sounds: Sounds, store: BandStore, settings: tuple[object, ...]) -> tuple[str, ...]:
    """What the entries of a stretch are called: what was recorded, and how and where it is cleaned."""
    return (take_key(sounds.take.folder), store.key, key(*settings))


def _hops(store: BandStore) -> tuple[int, int]:
    return store.first_hop, store.first_hop + store.hops
