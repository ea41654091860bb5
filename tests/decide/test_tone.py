"""Room for who leads, and bass beside kick."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from decide.made import CENTRES_HZ, STEADY, an_input, bump, facts_of, measurements
from morningmix.decide.family_levels import Strip
from morningmix.decide.tone import (
    MOST_CUT_DB,
    room_for,
    spectrum,
)

RATE_HZ = 48_000


def strip_of(role: str, spectrum: NDArray[np.float64]) -> Strip:
    facts = facts_of(spectrum, STEADY)
    return Strip(
        input=an_input(role, facts),
        gain_db=0.0,
        plays=np.ones(len(STEADY), np.bool_),
        clear=True,
        powers=STEADY,
        filters=(),
        dynamics_db=np.zeros(len(STEADY)),
    )


def cut(masked: Strip, masker: Strip, levels_db: tuple[float, float] = (0.0, 0.0)) -> tuple[float, float] | None:
    found = room_for(masked, masker, measurements(masked.input.facts, masker.input.facts), levels_db)
    return None if found is None else (found[0].corner_hz, found[0].gain_db)


def test_a_guitar_gives_way_where_it_masks_the_vocal_in_a_band_it_does_not_need() -> None:
    """The rule of Hafezi and Reiss, JAES 63(5) 2015 (from memory): essential to the masked, not to the masker."""
    voice = strip_of("lead vocal", bump(500.0, 1.5) + 0.02 * bump(2000.0, 0.6))
    guitar = strip_of("electric guitar", bump(600.0, 1.0) + 0.2 * bump(2000.0, 0.6))
    found = cut(voice, guitar)
    assert found is not None
    assert found[0] == 2000.0
    assert -MOST_CUT_DB <= found[1] < -1.0


def test_no_cut_where_nothing_is_covered_or_where_the_masker_lives() -> None:
    voice = strip_of("lead vocal", bump(500.0, 1.5) + 0.1 * bump(2000.0, 0.6))
    assert cut(voice, strip_of("electric guitar", bump(300.0, 0.8)), (0.0, -10.0)) is None
    bright = strip_of("electric guitar", bump(2000.0, 0.7) + 0.5 * bump(4000.0, 0.5))
    found = cut(voice, bright)
    assert found is None or found[0] not in (2000.0, 4000.0)


def test_the_bass_gives_way_to_the_kick_where_the_kick_is_strongest() -> None:
    kick = strip_of("kick", bump(60.0, 0.4))
    bass = strip_of("bass", bump(95.0, 0.8))
    found = cut(kick, bass, (0.0, 12.0))
    assert found is not None
    assert found[0] < 100.0


@pytest.mark.parametrize(("over_db", "cut_db"), [(0.8, None), (1.3, -0.65), (2.0, -1.0), (4.0, -2.0), (9.0, -3.0)])
def test_a_cut_is_half_the_masking_and_at_most_three_decibels(over_db: float, cut_db: float | None) -> None:
    kick, bass = strip_of("kick", bump(60.0, 0.3)), strip_of("bass", bump(130.0, 0.4) + 0.05 * bump(60.0, 0.3))
    shares = [float(one.input.facts.slots.spectrum()[CENTRES_HZ < 80.0].sum()) for one in (kick, bass)]
    level_db = 10.0 * np.log10(shares[0] / shares[1]) + over_db
    found = cut(kick, bass, (0.0, level_db))
    assert (found and found[1]) == (cut_db if cut_db is None else pytest.approx(cut_db, abs=0.1))


@pytest.mark.parametrize("hz", [47.0, 70.0, 94.0, 117.0, 140.0, 175.0])
def test_the_bass_gives_way_at_the_place_where_the_kick_is(hz: float) -> None:
    """A cut of its own for each of six places, narrower than one in a guitar, and not where the bass lives."""
    bands = np.geomspace(30.0, 300.0, 160)
    centres_hz = np.sqrt(bands[:-1] * bands[1:])
    at, elsewhere = (np.abs(centres_hz / each - 1.0) < 0.02 for each in (hz, 47.0 if hz > 94.0 else 175.0))
    spectra = np.where(at, 1.0, 1e-9), np.where(at, 1.0, np.where(elsewhere, 30.0, 1e-12))
    facts = [facts_of(spectrum, STEADY) for spectrum in spectra]
    strips = [replace(strip_of(role, bump(90.0, 1.0)), input=an_input(role, each)) for role, each in zip(
        ("kick", "bass"), facts, strict=True
    )]  # fmt: skip
    here = replace(measurements(*facts), band_hz=bands)
    found = room_for(strips[0], strips[1], here, (0.0, 24.0))
    assert found is not None
    assert (found[0].corner_hz, found[0].q) == (hz, 1.4)


def test_a_spectrum_is_the_mean_over_the_slots_asked_for_at_what_the_dynamics_leave() -> None:
    louder = np.where(np.arange(100) < 50, 1e-2, 4e-2)
    facts = facts_of(bump(500.0, 0.5), louder)
    strip = replace(strip_of("electric guitar", bump(500.0, 0.5)), input=an_input("electric guitar", facts))
    here = measurements(facts)
    first, both = np.arange(100) < 50, np.ones(100, np.bool_)
    assert spectrum(strip, here, first).sum() == pytest.approx(1e-2, rel=1e-4)
    assert spectrum(strip, here, both).sum() == pytest.approx(2.5e-2, rel=1e-4)
    halved = replace(strip, dynamics_db=np.where(first, 0.0, -6.0206))
    assert spectrum(halved, here, both).sum() == pytest.approx(1e-2, rel=1e-4)
    assert not spectrum(strip, here, np.zeros(100, np.bool_)).any()
    wide = replace(strip, input=replace(strip.input, facts=replace(facts, channels=2)))
    assert spectrum(wide, here, first).sum() == pytest.approx(2e-2, rel=1e-4)


def test_a_cut_looks_only_at_where_the_voice_sings() -> None:
    """A guitar that covers the words in the verse is cut; one that does so in the solo, where nobody sings, is not."""
    sings = np.arange(100) < 50
    voice = replace(strip_of("lead vocal", bump(500.0, 1.5) + 0.02 * bump(2000.0, 0.6)), plays=sings)
    spectrum_of_guitar = bump(600.0, 1.0) + 0.2 * bump(2000.0, 0.6)
    solo = replace(strip_of("electric guitar", spectrum_of_guitar), dynamics_db=np.where(sings, -40.0, 0.0))
    assert cut(voice, strip_of("electric guitar", spectrum_of_guitar)) is not None
    assert cut(voice, solo) is None


@pytest.mark.parametrize(("falls_db", "cut_hz"), [(4.0, 4_000.0), (5.0, 1_000.0)])
def test_the_words_of_a_vocal_count_four_and_a_half_decibels_an_octave_more(falls_db: float, cut_hz: float) -> None:
    """Of 1, 2 and 4 kHz the guitar lives at 2 kHz; it gives way in that of the others which the voice needs more."""
    levels_db = {500.0: 0.0, 1_000.0: 0.0, 2_000.0: -falls_db, 4_000.0: -2.0 * falls_db}
    over_db = {500.0: 20.0, 1_000.0: 4.0, 2_000.0: 20.0, 4_000.0: 4.0}
    voice, guitar = (np.full(len(CENTRES_HZ), 1e-9) for _ in range(2))
    for hz, level_db in levels_db.items():
        band = int(np.abs(np.log2(CENTRES_HZ / hz)).argmin())
        voice[band], guitar[band] = (10.0 ** (db / 10.0) for db in (level_db, level_db + over_db[hz]))
    # Strips have one level; faders bring both spectra back to the scale above.
    faders_db = 10.0 * float(np.log10(voice.sum())), 10.0 * float(np.log10(guitar.sum()))
    found = cut(strip_of("lead vocal", voice), strip_of("electric guitar", guitar), faders_db)
    assert found is not None
    assert found[0] == cut_hz
