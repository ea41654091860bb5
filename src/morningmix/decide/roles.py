"""Name and role of each input: from the recipe, band.toml, the file name, or else the sound.

The sound tells the family more surely than the role. Evidence (common practice, no source): a drum is short peaks and
silence; a bass stays below 300 Hz and has no treble; a guitar cabinet falls steeply above 5 kHz, while a vocal
microphone in a loud room picks up cymbals, and an overhead picks up most of them. Thresholds are from modelled rooms
with up to 0.6 s of reverberation.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from morningmix.decide.asked import asked
from morningmix.laws.track_power import spans_to_mask
from morningmix.model.input import Input
from morningmix.model.measured import Measurements, Singing, SumOfOthers, Ticking, TrackFacts
from morningmix.model.names import plain, visible
from morningmix.model.presets import RolePreset
from morningmix.model.recipe import InputWish
from morningmix.model.recording import Recording
from morningmix.units import power_db

GUESSED = "guessed from the sound"
CABINET_DB, UNSURE_DB = 4.0, 0.7
"""A guitar is above the first; within the second below it may be a voice, but is not treated as one."""
UNSURE_OCTAVES = 0.3
"""A microphone this near to the overhead may be another one, and is not treated as a voice."""
_DULL_DB, _AIRY_DB, _BRIGHT_HZ = -23.5, -16.0, 700.0
_LOWS_HZ, _OCTAVES_OF_LOWS = 120.0, 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Guess:
    """A role guessed from the sound, and the evidence for it."""

    role: str
    because: str


@dataclass(frozen=True, slots=True)
class _Sound:
    centroid_hz: float
    air_db: float
    """Power above 9 kHz re the whole."""
    cabinet_db: float
    """How steeply it falls above 5 kHz, and how little is left above 9 kHz: high for a guitar cabinet."""
    crest_db: float
    swing_db: float
    """Difference between the 20th and the 95th percentile of the level."""
    busy: float
    """Fraction of the take within 20 dB of its loud level."""
    side: float


def guess_no_parts(sums: Mapping[int, SumOfOthers], clicks: Mapping[int, Ticking]) -> dict[int, Guess]:
    """Guesses for inputs that are not part of the music, by index in the take."""
    guesses = {
        index: Guess(
            role="click", because=f"the same short sound {_beats(ticking)} times a minute, with silence in between"
        )
        for index, ticking in clicks.items()
    }
    for index, carried in sums.items():
        explained = f"{100.0 * carried.explained:.0f} % of it is the sum of {len(carried.of)} other inputs"
        guesses[index] = Guess(role="desk mix", because=explained)
    return guesses


def _beats(ticking: Ticking) -> str:
    slow, fast = round(60.0 / ticking.longest_s), round(60.0 / ticking.shortest_s)
    return f"{slow}" if fast - slow < 2 else f"{slow} to {fast}"


def guess_roles(measured: Measurements, no_parts: Mapping[int, Guess] = MappingProxyType({})) -> tuple[Guess, ...]:
    """A role for every input from its sound alone, in the order of the take.

    `no_parts` are inputs that are known not to be part of the music.
    """
    sounds = [_sound(track, measured) for track in measured.tracks]
    guesses: list[Guess | None] = [
        no_parts.get(index) or _plain_guess(track, sound)
        for index, (track, sound) in enumerate(zip(measured.tracks, sounds, strict=True))
    ]
    open_microphones = [i for i, guess in enumerate(guesses) if guess is None]
    kick = next((i for i, guess in enumerate(guesses) if guess is not None and guess.role == "kick"), None)
    drums = kick is not None or any(guess is not None and guess.role == "snare" for guess in guesses)
    airy = [i for i in open_microphones if sounds[i].air_db > _AIRY_DB and sounds[i].centroid_hz > _BRIGHT_HZ]
    if drums and airy:
        near = None if kick is None else measured.tracks[kick]
        above = {i: _above_the_kit(measured.tracks[i], sounds[i], near, measured) for i in airy}
        for i in airy:
            if above[i] == max(above.values()):
                guesses[i] = Guess(role="overhead", because=f"the brightest microphone; {_centre(sounds[i])}")
            elif above[i] > max(above.values()) - UNSURE_OCTAVES:
                because = f"an overhead or a voice: say which in the recipe; {_centre(sounds[i])}"
                guesses[i] = Guess(role="other", because=because)
    voices = [i for i in open_microphones if guesses[i] is None]
    return tuple(
        guess
        if guess is not None
        else Guess(
            role="lead vocal" if i == voices[0] else "backing vocal",
            because="an open microphone with more treble than a guitar amp gives off",
        )
        for i, guess in enumerate(guesses)
    )


def _sound(track: TrackFacts, measured: Measurements) -> _Sound:
    power = track.slots.powers.astype(np.float64)
    usual, rare = np.percentile(power, (95, 99.5))
    # What plays for a hundredth of the take is judged by that, not by the hiss in between.
    sounding = power > max(float(usual), 1e-2 * float(rare), 1e-10) * 1e-2
    if not sounding.any():
        return _Sound(0.0, -120.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    spectrum = track.slots.spectrum(sounding)
    spectrum /= spectrum.sum()
    centres = measured.band_centres_hz
    level_db = 10.0 * np.log10(power + 1e-12)

    def between_db(low_hz: float, high_hz: float) -> float:
        return power_db(float(spectrum[(centres > low_hz) & (centres <= high_hz)].sum()))

    air_db = between_db(9_000.0, np.inf)
    crest = track.slots.peaks[sounding] ** 2 / power[sounding]
    return _Sound(
        centroid_hz=float(2.0 ** np.sum(spectrum * np.log2(centres))),
        air_db=air_db,
        cabinet_db=between_db(4_000.0, 6_000.0) - between_db(6_000.0, 9_000.0) - 0.5 * (air_db + 20.0),
        crest_db=power_db(float(np.median(crest))),
        swing_db=float(np.percentile(level_db, 95) - np.percentile(level_db, 20)),
        busy=float(sounding.mean()),
        side=track.side_fraction,
    )


def _above_the_kit(track: TrackFacts, sound: _Sound, kick: TrackFacts | None, measured: Measurements) -> float:
    """How much an open microphone is an overhead's, in octaves: bright, and far from the kick.

    A drummer who sings has a bright microphone too, but its lows follow the kick more closely (correlation of their
    levels .79 to .95 in 19 modelled rehearsals, of the overhead's .58 to .86, always less).
    """
    follows = 0.0
    if kick is not None:
        lows = np.where(measured.band_centres_hz < _LOWS_HZ, 1.0, 0.0)
        levels_db = np.array([10.0 * np.log10(each.slots.weighted(lows) + 1e-10) for each in (track, kick)])
        if levels_db.std(axis=1).all():
            follows = float(np.corrcoef(levels_db)[0, 1])
    return float(np.log2(sound.centroid_hz)) - _OCTAVES_OF_LOWS * follows


def _centre(sound: _Sound) -> str:
    return f"the centre of its spectrum is at {sound.centroid_hz:.0f} Hz"


def _plain_guess(track: TrackFacts, sound: _Sound) -> Guess | None:
    """A guess from one track alone; None for an open microphone (overhead or vocal)."""
    where = _centre(sound)
    if track.silent or sound.busy == 0.0:
        return Guess(role="other", because="it recorded nothing")
    if track.channels == 2 and (sound.busy < 0.5 or sound.side > 0.02):
        role = "playback" if sound.busy < 0.5 else "keys"
        return Guess(role=role, because=f"a stereo input that plays {100 * sound.busy:.0f} % of the time")
    hits = sound.crest_db > 10.4 and sound.swing_db > 16.0 and sound.busy < 0.9
    apart = sound.crest_db > 8.7 and sound.swing_db > 25.0 and sound.busy < 0.5
    if (hits or apart) and sound.centroid_hz < 110.0:
        return Guess(role="kick", because=f"short low hits with silence in between; {where}")
    if hits and sound.centroid_hz < 600.0 and sound.air_db < _DULL_DB:
        return Guess(role="snare", because=f"short hits with silence in between; {where}")
    if sound.centroid_hz < 300.0 and sound.air_db < -33.0:
        return Guess(role="bass", because=f"low and steady, without treble; {where}")
    if sound.cabinet_db > CABINET_DB:
        return Guess(role="electric guitar", because=f"it falls steeply above 5 kHz, as from a guitar amp; {where}")
    if sound.cabinet_db > CABINET_DB - UNSURE_DB:
        return Guess(role="other", because=f"a guitar or a voice: say which in the recipe; {where}")
    return None


def identify(
    recordings: Sequence[Recording],
    measured: Measurements,
    wishes: Mapping[tuple[str, ...], InputWish],
    roles: Mapping[str, RolePreset],
    role_from_name: Callable[[str], tuple[str, str] | None],
    no_parts: Mapping[int, Guess] = MappingProxyType({}),
) -> tuple[Input, ...]:
    """Name and role of every input, each with its reason. Names are unique, by `model.names.plain`.

    `wishes` holds what recipe and band.toml say by file names; `role_from_name` finds a role and the word that
    means it in a track name; `no_parts` is from `guess_no_parts`.
    """
    guesses = guess_roles(measured, no_parts)
    named: list[Input] = []
    for index, (recording, facts, guess) in enumerate(zip(recordings, measured.tracks, guesses, strict=True)):
        wish = wishes.get(recording.files, InputWish(files=recording.files))
        own_name = visible(" ".join((recording.embedded_name or _stem(recording.files)).split()))
        by_name = next((hit for text in (wish.name, own_name) if text and (hit := role_from_name(text))), None)
        written = asked(wish, "role")
        if wish.role is not None and wish.role_is_guess:
            role, because, source, guessed = wish.role, "nobody has confirmed it yet", GUESSED, True
        elif wish.role is not None:
            because = "as written down" if written.place is None else written.says
            role, source, guessed = wish.role, written.source, False
        elif by_name is not None:
            role, because, source, guessed = by_name[0], f'the name says "{by_name[1]}"', "track name", False
        else:
            role, because, source, guessed = guess.role, guess.because, GUESSED, True
        name = wish.name or (own_name if plain(own_name) and not guessed else role)
        named.append(
            Input(
                index=index,
                name=name,
                role=role,
                role_is_guess=guessed,
                role_because=because,
                role_source=source,
                role_place=written.place,
                preset=roles[role],
                wish=wish,
                facts=facts,
            )
        )
    return _distinct(named)


def _stem(files: tuple[str, ...]) -> str:
    return files[0].rsplit(".", 1)[0]


def _distinct(inputs: Sequence[Input]) -> tuple[Input, ...]:
    """Number names that occur more than once."""
    counts: dict[str, int] = {}
    for input_ in inputs:
        counts[plain(input_.name)] = counts.get(plain(input_.name), 0) + 1
    taken = {key for key, count in counts.items() if count == 1}
    result: list[Input] = []
    for input_ in inputs:
        name = input_.name
        if counts[plain(input_.name)] > 1:
            number = 1
            while plain(name := f"{input_.name} {number}") in taken:
                number += 1
            taken.add(plain(name))
        result.append(replace(input_, name=name))
    return tuple(result)


def choose_lead(
    inputs: Sequence[Input], sings_alone_s: Mapping[int, float], roles: Mapping[str, RolePreset]
) -> tuple[Input, ...]:
    """Among vocals with guessed roles, the one that sings alone most leads; the others back.

    A lead that somebody wrote down stays the lead. `sings_alone_s` is by `Input.index`.
    """
    voices = [input_ for input_ in inputs if input_.preset.family == "vocals"]
    guessed = [input_ for input_ in voices if input_.role_is_guess and input_.wish.role is None]
    if not guessed:
        return tuple(inputs)
    written = [input_ for input_ in voices if input_ not in guessed and input_.role == "lead vocal"]
    lead = None if written else max(guessed, key=lambda input_: sings_alone_s.get(input_.index, 0.0))
    changed: dict[int, Input] = {}
    for input_ in guessed:
        role = "lead vocal" if input_ is lead else "backing vocal"
        because = input_.role_because
        if input_ is lead:
            because += f"; it sings alone for {sings_alone_s.get(input_.index, 0.0):.0f} s, so it is taken to lead"
        named = input_.wish.name is not None
        changed[input_.index] = replace(
            input_, role=role, preset=roles[role], role_because=because, name=input_.name if named else role
        )
    return _distinct([changed.get(input_.index, input_) for input_ in inputs])


def sings_alone_s(
    inputs: Sequence[Input], singing: Mapping[int, Singing | None], measured: Measurements
) -> dict[int, float]:
    """Seconds in which each vocal sings and no other does, by `Input.index`."""
    sings = {
        input_.index: spans_to_mask(found.sings_s, measured.slots, measured.slot_s)
        for input_ in inputs
        if input_.preset.family == "vocals" and (found := singing.get(input_.index)) is not None
    }
    alone: dict[int, float] = {}
    for index, mask in sings.items():
        others = [other for at, other in sings.items() if at != index]
        by_itself = mask & ~np.any(others, axis=0) if others else mask
        alone[index] = float(np.count_nonzero(by_itself)) * measured.slot_s
    return alone
