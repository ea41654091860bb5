"""Two versions of a song, side by side."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pyloudnorm  # noqa: TID251 - an outside meter
import pytest
import soundfile  # noqa: TID251 - an outside reader and writer
from scipy import signal

from command_line import digests, run
from morningmix.commands.compare import OCTAVES_HZ, compare, recipe_lines
from morningmix.commands.mix import mix
from morningmix.commands.order import Order
from morningmix.errors import RecordingsError, UsageError
from synthetic import write_take


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A home, the same one level later, and what the first version was."""
    folder = tmp_path_factory.mktemp("place")
    write_take(folder / "Thursday", 8.0, 32_000)
    mix(Order(source=folder / "Thursday", cwd=folder, workers=2))
    shutil.copytree(folder / "Thursday mix", folder / "before")
    done = run("turn", folder / "Thursday mix" / "recipe.toml", "bass", "up", "3", cwd=folder)
    assert done.returncode == 0, done.stderr
    mix(Order(source=folder / "Thursday mix" / "recipe.toml", cwd=folder, workers=2))
    return folder


def test_a_mix_compared_with_itself_shows_no_difference(place: Path) -> None:
    before = digests(place)
    ((one,), alone) = compare(place / "before", place / "before" / "recipe.toml")
    assert alone == []
    assert {by for _, by in one.balance_lu} == {0.0}
    assert {by for _, by in one.octaves_db} == {0.0}
    assert one.planned == ()
    assert one.says == '"Thursday": no audible difference (under 1 dB in every stem, at the same loudness).'
    assert digests(place) == before


def test_three_decibels_at_one_fader_are_found_and_named(place: Path) -> None:
    ((one,), _) = compare(place / "before", place / "Thursday mix")
    balance = dict(one.balance_lu)
    # The whole is brought back to its loudness, so the others go down a little, and the bass goes up by less.
    assert 1.5 < balance.pop("bass") < 3.0
    assert all(by is not None and -1.2 < by < 0.0 for by in balance.values())
    assert "in the second mix the bass is clearly louder" in one.says
    assert "louder" in one.says
    assert [line.split(":")[0] for line in one.planned if "fader" in line] == ["bass"]
    assert [line.split(": ")[1] for line in recipe_lines(place / "before", place / "Thursday mix")] == [
        "level_db = 0.0  (bass)",
        "level_db = 3.0  (bass)",
    ]


def test_a_version_against_the_one_before_it(place: Path) -> None:
    home = place / "Thursday mix"
    ((one,), _) = compare(home / "mixes" / "earlier" / "01 Thursday", home)
    assert (dict(one.balance_lu)["bass"] or 0.0) > 1.5
    assert recipe_lines(home / "mixes" / "earlier" / "01 Thursday", home) == []


def test_twice_as_loud_is_the_same_balance(place: Path, tmp_path: Path) -> None:
    song = shutil.copytree(place / "before" / "mixes" / "01 Thursday", tmp_path / "softer")
    for file in (song / "Thursday.wav", *(song / "stems").iterdir()):
        sound, rate_hz = soundfile.read(file)
        soundfile.write(file, 0.5 * sound, rate_hz, subtype="PCM_24")
    ((one,), _) = compare(place / "before", song)
    assert one.before.loudness_lufs is not None
    assert one.after.loudness_lufs == pytest.approx(one.before.loudness_lufs - 6.02, abs=0.02)
    assert all(by == pytest.approx(0.0, abs=0.02) for _, by in (*one.balance_lu, *one.octaves_db))


def test_loudness_and_octaves_agree_with_others(place: Path) -> None:
    """BS.1770 by pyloudnorm; octave levels by Welch's method in scipy, over bands that are a little coarser here."""
    ((one,), _) = compare(place / "before", place / "Thursday mix")
    levels = []
    for version in (one.before, one.after):
        sound, rate_hz = soundfile.read(version.folder / "Thursday.wav")
        theirs = pyloudnorm.Meter(rate_hz, filter_class="DeMan").integrated_loudness(sound)
        assert version.loudness_lufs == pytest.approx(theirs, abs=0.05)
        hz, density = signal.welch(sound.T, rate_hz, nperseg=4096)
        power = [density[:, (hz >= at / 2**0.5) & (hz < at * 2**0.5)].sum() for at in OCTAVES_HZ]
        levels.append(10.0 * np.log10(power) - theirs)
    for (hz, by), theirs in zip(one.octaves_db, levels[1] - levels[0], strict=True):
        assert by == pytest.approx(theirs, abs=0.7), hz


def test_songs_in_one_mix_only_are_named(place: Path, tmp_path: Path) -> None:
    song = shutil.copytree(place / "before" / "mixes" / "01 Thursday", tmp_path / "01 Thursday")
    sheet = json.loads((song / "recall.json").read_text(encoding="utf-8"))
    sheet["stems"].remove("stems/bass.wav")
    (song / "recall.json").write_text(json.dumps(sheet), encoding="utf-8")
    ((one,), _) = compare(place / "before", song)
    assert dict(one.balance_lu)["bass"] is None
    assert one.says.startswith('"Thursday": only one of the mixes has bass')


def test_errors_say_what_is_missing(place: Path, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="holds no mix"):
        compare(place / "Thursday", place / "before")
    with pytest.raises(UsageError, match="There is no"):
        compare(place / "nowhere", place / "before")
    song = shutil.copytree(place / "before" / "mixes" / "01 Thursday", tmp_path / "01 Thursday")
    (song / "stems" / "bass.wav").unlink()
    with pytest.raises(RecordingsError, match=r"bass\.wav is missing"):
        compare(place / "before", song)
    done = run("compare", song, place / "before", cwd=tmp_path)
    assert done.returncode == 4
    assert "Traceback" not in done.stderr
