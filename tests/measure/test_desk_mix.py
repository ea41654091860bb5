"""A desk mix and a metronome are detected from their sound, and nothing else is taken for one."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest
import soundfile  # noqa: TID251 - an outside writer of the files under test
from scipy import signal

from lanes import lane_here
from morningmix.analysis.analyse import analyse
from morningmix.analysis.analysed import AnalysedTake
from morningmix.analysis.kept import clean_kept
from morningmix.audio.takes import find_take
from morningmix.decide.findings import find_faults
from morningmix.measure.click import measure_clicks
from morningmix.measure.desk_mix import measure_desk_mixes
from morningmix.measure.take import measure_take
from morningmix.model.measured import Measurements, SumOfOthers, Ticking
from morningmix.model.recording import Take
from morningmix.storage.home import home_of
from synthetic import NAMES, Sound, band

RATE_HZ, SECONDS = 24_000, 18.0
FRAMES = round(RATE_HZ * SECONDS)


@pytest.fixture(scope="module")
def inputs() -> Mapping[str, Sound]:
    return band(SECONDS, RATE_HZ, 5)


def desk(inputs: Mapping[str, Sound], seed: int, late_s: float = 0.003) -> Sound:
    """A stereo mix ``(frames, 2)``: faders, pans, a shelf each, one delay."""
    rng = np.random.default_rng(seed)
    mix = np.zeros((FRAMES, 2))
    for sound in inputs.values():
        level = 10.0 ** (rng.uniform(-10.0, 3.0) / 20.0) / np.sqrt(np.mean(sound**2))
        bright = sound + rng.uniform(-0.4, 0.6) * signal.sosfilt(
            signal.butter(1, 2_000.0, "highpass", fs=RATE_HZ, output="sos"), sound
        )
        angle = rng.uniform(0.1, 0.4) * np.pi
        mix += level * bright[:, None] * np.array([np.cos(angle), np.sin(angle)])
    late = round(late_s * RATE_HZ)
    mix = np.concatenate((np.zeros((late, 2)), mix))[:FRAMES]
    return np.asarray(0.5 * mix / np.abs(mix).max())


def in_a_room(inputs: Mapping[str, Sound], decay_s: float) -> Sound:
    """A room microphone that picks up all inputs from different places, with as much reverberation as direct sound."""
    rng = np.random.default_rng(8)
    room = np.zeros(FRAMES)
    t = np.arange(round(decay_s * RATE_HZ)) / RATE_HZ
    for sound in inputs.values():
        answer = rng.standard_normal(len(t)) * 10.0 ** (-3.0 * t / decay_s)
        answer /= np.sqrt(np.sum(answer**2))
        answer[0] += 1.0
        late = round(rng.uniform(0.002, 0.009) * RATE_HZ)
        heard = signal.fftconvolve(sound / np.sqrt(np.mean(sound**2)), answer)
        room[late:] += heard[: FRAMES - late]
    return np.asarray(0.5 * room / np.abs(room).max())


def metronome(beat: Sound, first: Sound, times_s: Sound) -> Sound:
    track = np.zeros(FRAMES + RATE_HZ)
    for number, at_s in enumerate(times_s):
        start = round(float(at_s) * RATE_HZ)
        hit = beat if number % 4 else first
        track[start : start + len(hit)] += hit
    return track[:FRAMES]


def beep(pitch_hz: float, level: float, length_s: float = 0.008) -> Sound:
    t = np.arange(round(0.15 * RATE_HZ)) / RATE_HZ
    return np.asarray(level * np.sin(2.0 * np.pi * pitch_hz * t) * np.exp(-t / length_s))


BEATS_S = np.arange(0.1, SECONDS - 0.2, 60.0 / 132.0)


def measured(folder: Path, sounds: Mapping[str, Sound]) -> tuple[Take, Measurements, list[str]]:
    folder.mkdir()
    for name, sound in sounds.items():
        soundfile.write(folder / f"{name}.wav", sound, RATE_HZ, subtype="PCM_24")
    take = find_take(folder)
    facts, _ = measure_take(take, folder.parent / "cache", lane_here())
    return take, facts, [recording.files[0].removesuffix(".wav") for recording in take.recordings]


def mixes(folder: Path, sounds: Mapping[str, Sound]) -> dict[str, SumOfOthers]:
    take, facts, names = measured(folder, sounds)
    return {names[index]: found for index, found in measure_desk_mixes(take, facts, range(len(names))).items()}


def clicks(folder: Path, sounds: Mapping[str, Sound]) -> dict[str, Ticking]:
    take, facts, names = measured(folder, sounds)
    return {names[index]: found for index, found in measure_clicks(take, facts, range(len(names))).items()}


@pytest.mark.parametrize("seed", [1, 2])
def test_a_desk_mix_is_found_in_mono_in_stereo_and_in_two_files(
    seed: int, inputs: Mapping[str, Sound], tmp_path: Path
) -> None:
    mix = desk(inputs, seed)
    found = mixes(tmp_path / "stereo", {**inputs, "x": mix})
    assert list(found) == ["x"]
    assert found["x"].explained > 0.9
    assert len(found["x"].of) >= 3
    assert list(mixes(tmp_path / "mono", {**inputs, "x": mix.mean(axis=1)})) == ["x"]
    assert set(mixes(tmp_path / "pair", {**inputs, "x": mix[:, 0], "y": mix[:, 1]})) == {"x", "y"}


@pytest.mark.parametrize("decay_s", [0.15, 0.4])
def test_a_room_microphone_is_no_desk_mix(decay_s: float, inputs: Mapping[str, Sound], tmp_path: Path) -> None:
    assert mixes(tmp_path / "take", {**inputs, "room": in_a_room(inputs, decay_s)}) == {}


def test_neither_the_inputs_nor_a_copy_of_one_is_a_desk_mix(inputs: Mapping[str, Sound], tmp_path: Path) -> None:
    assert mixes(tmp_path / "band", inputs) == {}
    amplifier = signal.sosfilt(signal.butter(2, 3_000.0, fs=RATE_HZ, output="sos"), 0.7 * inputs["bass"])
    assert mixes(tmp_path / "twice", {**inputs, "bass amplifier": amplifier}) == {}
    two = 0.4 * inputs["kick"] + 0.4 * inputs["bass"]
    assert mixes(tmp_path / "two", {**inputs, "x": two}) == {}


@pytest.mark.parametrize("hiss_db", [-120.0, -80.0])
def test_a_metronome_is_found_with_its_tempo(hiss_db: float, inputs: Mapping[str, Sound], tmp_path: Path) -> None:
    hiss = 10.0 ** (hiss_db / 20.0) * np.random.default_rng(2).standard_normal(FRAMES)
    accented = metronome(beep(1_000.0, 0.1), beep(1_500.0, 0.2), BEATS_S)
    found = clicks(tmp_path / "take", {**inputs, "x": accented + hiss})
    assert list(found) == ["x"]
    assert 60.0 / found["x"].shortest_s == pytest.approx(132.0, abs=1.0)


@pytest.mark.parametrize(
    ("what", "sound"),
    [
        ("a bass drum from a machine", metronome(beep(60.0, 0.3, 0.04), beep(60.0, 0.3, 0.04), BEATS_S)),
        (
            "a pattern with gaps",
            metronome(beep(1_000.0, 0.2), beep(1_000.0, 0.2), np.delete(BEATS_S, slice(2, None, 3))),
        ),
        ("two drums of a machine", metronome(beep(1_000.0, 0.2), beep(60.0, 0.4, 0.04), BEATS_S)),
        (
            "a hand",
            metronome(
                beep(1_000.0, 0.2),
                beep(1_000.0, 0.2),
                BEATS_S + np.abs(np.random.default_rng(4).normal(0.0, 0.01, len(BEATS_S))),
            ),
        ),
        ("a note that rings on", metronome(beep(1_000.0, 0.2, 0.2), beep(1_000.0, 0.2, 0.2), BEATS_S)),
    ],
)
def test_other_rhythmic_sounds_are_no_metronome(what: str, sound: Sound, tmp_path: Path) -> None:
    assert clicks(tmp_path / "take", {"x": sound}) == {}, what


def test_no_input_of_a_band_is_a_metronome(inputs: Mapping[str, Sound], tmp_path: Path) -> None:
    assert clicks(tmp_path / "take", inputs) == {}


def heard(folder: Path) -> AnalysedTake:
    home = home_of(folder, folder.parent, None)
    return analyse(folder, home, lane_here())[0]


def test_desk_mix_and_metronome_are_left_out_as_guesses_and_reported(
    inputs: Mapping[str, Sound], tmp_path: Path
) -> None:
    folder = tmp_path / "take"
    sounds = {f"input-{number:02d}": inputs[name] for number, name in enumerate(NAMES, 1)}
    sounds |= {"input-20": desk(inputs, 1), "input-21": metronome(beep(1_000.0, 0.1), beep(1_500.0, 0.2), BEATS_S)}
    measured(folder, sounds)
    first, again = heard(folder), heard(folder)
    assert first.recipe_is_new
    assert not again.recipe_is_new
    for listened in (first, again):
        mix, click = listened.inputs[-2:]
        assert (mix.role, mix.role_is_guess, mix.preset.family) == ("desk mix", True, "")
        assert (click.role, click.role_is_guess, click.preset.family) == ("click", True, "")
        assert not {input_.role for input_ in listened.inputs[:-2]} & {"desk mix", "click"}
        said = [
            finding.says
            for finding in find_faults(listened.inputs, listened.take, listened.measured, listened.singing)
            if finding.kind == "no part"
        ]
        assert len(said) == 2
        assert any("input-20.wav" in says and "mix of the other inputs" in says for says in said)
        assert any("input-21.wav" in says and "click" in says for says in said)
    recipe = first.home.recipe.read_text(encoding="utf-8")
    assert 'role = "desk mix?"' in recipe
    assert 'role = "click?"' in recipe


def test_detection_never_overrules_a_name(inputs: Mapping[str, Sound], tmp_path: Path) -> None:
    folder = tmp_path / "take"
    measured(folder, {**inputs, "keys": desk(inputs, 1)})
    listened = heard(folder)
    keys = next(input_ for input_ in listened.inputs if input_.facts.files == ("keys.wav",))
    assert (keys.role, keys.role_is_guess) == ("keys", False)


def test_a_desk_mix_with_another_name_does_not_turn_its_inputs_into_mixes(
    inputs: Mapping[str, Sound], tmp_path: Path
) -> None:
    folder = tmp_path / "take"
    loud = {**inputs, "guitar 1": 8.0 * inputs["guitar 1"]}
    mix = sum(loud.values(), np.zeros(FRAMES))
    measured(folder, {**{f"input-{n:02d}": inputs[name] for n, name in enumerate(NAMES, 1)}, "keys": 0.2 * mix})
    assert not any(input_.role == "desk mix" for input_ in heard(folder).inputs)


@pytest.mark.slow
def test_desk_mix_and_metronome_do_not_change_the_bleed(inputs: Mapping[str, Sound], tmp_path: Path) -> None:
    sounds = {name: inputs[name] for name in ("kick", "overhead", "guitar 1", "lead vocal")}
    measured(tmp_path / "with", {**sounds, "x": desk(sounds, 1)})
    measured(tmp_path / "without", sounds)
    there, gone = (clean_kept([heard(tmp_path / name)], lane_here())[0] for name in ("with", "without"))
    assert there.inputs[-1].role == "desk mix"
    targets = [input_ for input_ in gone.inputs if input_.cleaned is not None]
    assert targets
    for target in targets:
        other = there.inputs[target.index].cleaned
        assert target.cleaned is not None
        assert other is not None
        assert np.array_equal(target.cleaned.clear_db, other.clear_db)


def test_a_mix_sounds_whenever_anybody_plays(inputs: Mapping[str, Sound], tmp_path: Path) -> None:
    """What is silent while the band plays on is no mix of it, however well the band explains the rest."""
    mix = desk(inputs, 1).mean(axis=1)
    short = mix.copy()
    short[: FRAMES * 2 // 5] = 0.0
    assert mixes(tmp_path / "short", {**inputs, "x": short}) == {}


def test_a_mix_of_three_is_one_and_its_parts_are_named(inputs: Mapping[str, Sound], tmp_path: Path) -> None:
    parts = ("bass", "kick", "lead vocal", "snare")
    sounds = {name: inputs[name] / np.sqrt(np.mean(inputs[name] ** 2)) for name in parts}
    three = sum((0.02 * sounds[name] for name in ("bass", "kick", "lead vocal")), np.zeros(FRAMES))
    hiss = 1e-5 * np.random.default_rng(1).standard_normal(FRAMES)
    folder = tmp_path / "take"
    found = mixes(folder, {**{name: inputs[name] for name in parts}, "x": three + hiss})
    names = sorted([*parts, "x"])
    assert list(found) == ["x"]
    assert [names[index] for index in found["x"].of] == ["bass", "kick", "lead vocal"]
    assert 0.97 < found["x"].explained <= 1.0


@pytest.mark.parametrize("late_s", [0.0, 0.006])
def test_a_mix_may_be_early_or_late(late_s: float, inputs: Mapping[str, Sound], tmp_path: Path) -> None:
    four = {name: inputs[name] for name in ("bass", "kick", "guitar 1", "lead vocal")}
    assert list(mixes(tmp_path / "take", {**four, "x": desk(four, 3, late_s).mean(axis=1)})) == ["x"]


# ---------------------------------------------------------------- the limits of a metronome


def ticked(folder: Path, times_s: Sound, hit: Sound | None = None, first: Sound | None = None) -> Ticking | None:
    beat = beep(1_000.0, 0.2) if hit is None else hit
    return clicks(folder, {"x": metronome(beat, beat if first is None else first, times_s)}).get("x")


@pytest.mark.parametrize(
    ("period_s", "found"), [(0.13, False), (0.16, True), (0.3, True), (1.0, True), (1.55, True), (1.65, False)]
)
def test_a_metronome_is_between_40_beats_a_minute_and_eighths_at_200(
    period_s: float, found: bool, tmp_path: Path
) -> None:
    ticking = ticked(tmp_path / "take", np.arange(0.1, SECONDS - 0.2, period_s))
    assert (ticking is not None) == found
    if ticking is not None:
        assert ticking.shortest_s == pytest.approx(period_s, abs=0.001)
        assert ticking.longest_s == pytest.approx(period_s, abs=0.001)


@pytest.mark.parametrize(("jitter_s", "found"), [(0.001, True), (0.006, False)])
def test_a_metronome_is_in_time_to_three_milliseconds(jitter_s: float, found: bool, tmp_path: Path) -> None:
    late_s = jitter_s * (np.arange(len(BEATS_S)) % 2)
    assert (ticked(tmp_path / "take", BEATS_S + late_s) is not None) == found


@pytest.mark.parametrize(("hz", "found"), [(300.0, False), (600.0, True), (5_500.0, True), (7_500.0, False)])
def test_a_click_is_above_a_bass_drum_and_below_a_hi_hat(hz: float, found: bool, tmp_path: Path) -> None:
    assert (ticked(tmp_path / "take", BEATS_S, beep(hz, 0.2)) is not None) == found


@pytest.mark.parametrize(("level", "found"), [(0.001, True), (0.008, False)])
def test_nothing_sounds_between_clicks(level: float, found: bool, tmp_path: Path) -> None:
    """Playback under a click is no metronome: it is 28 dB under the click here, the hiss 46."""
    t = np.arange(FRAMES) / RATE_HZ
    track = metronome(beep(1_000.0, 0.2), beep(1_000.0, 0.2), BEATS_S) + level * np.sin(2.0 * np.pi * 440.0 * t)
    assert ("x" in clicks(tmp_path / "take", {"x": track})) == found


def test_three_different_sounds_are_a_pattern(tmp_path: Path) -> None:
    track = np.zeros(FRAMES + RATE_HZ)
    hits = [beep(hz, 0.2) for hz in (1_000.0, 1_600.0, 2_500.0)]
    for number, at_s in enumerate(BEATS_S.tolist()):
        start = round(at_s * RATE_HZ)
        track[start : start + len(hits[0])] += hits[number % 3]
    assert clicks(tmp_path / "take", {"x": track[:FRAMES]}) == {}


def test_a_metronome_that_changes_its_tempo_is_told_with_both(tmp_path: Path) -> None:
    beat = beep(1_000.0, 0.2)
    slow, fast = (metronome(beat, beat, np.arange(0.1, SECONDS - 0.2, period_s)) for period_s in (0.5, 0.4))
    ticking = clicks(tmp_path / "take", {"x": np.concatenate((slow, slow, fast, fast))}).get("x")
    assert ticking is not None
    assert (ticking.shortest_s, ticking.longest_s) == (pytest.approx(0.4, abs=1e-3), pytest.approx(0.5, abs=1e-3))


def test_a_silent_or_short_input_is_no_metronome(tmp_path: Path) -> None:
    assert clicks(tmp_path / "silent", {"x": np.zeros(FRAMES)}) == {}
    only = metronome(beep(1_000.0, 0.2), beep(1_000.0, 0.2), BEATS_S)
    # Two stretches of six seconds are too few.
    assert clicks(tmp_path / "short", {"x": only[: 13 * RATE_HZ]}) == {}
    assert clicks(tmp_path / "shorter", {"x": only[: 4 * RATE_HZ]}) == {}


def test_an_input_that_ticks_only_for_a_while_is_no_metronome(inputs: Mapping[str, Sound], tmp_path: Path) -> None:
    """A drummer who counts on the sticks for half of a take also plays."""
    ticks = metronome(beep(1_000.0, 0.2), beep(1_000.0, 0.2), BEATS_S)
    music = 0.2 * inputs["guitar 1"] / np.abs(inputs["guitar 1"]).max()
    both = {
        "half": np.concatenate((ticks, ticks, music, music)),
        "nearly": np.concatenate((ticks, ticks, ticks, ticks, ticks, music[: 7 * RATE_HZ])),
    }
    assert list(clicks(tmp_path / "take", both)) == ["nearly"]


@pytest.mark.parametrize("side", [0, 1])
def test_a_metronome_on_one_side_of_a_stereo_input_is_found(side: int, tmp_path: Path) -> None:
    """The other side only hisses."""
    track = 1e-5 * np.random.default_rng(1).standard_normal((FRAMES, 2))
    track[:, side] = metronome(beep(1_000.0, 0.2), beep(1_500.0, 0.2), BEATS_S)
    assert list(clicks(tmp_path / "take", {"x": track})) == ["x"]
