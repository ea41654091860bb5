"""Two versions of a song, side by side."""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyloudnorm  # noqa: TID251 - an outside meter
import pytest
import soundfile  # noqa: TID251 - an outside reader and writer
from scipy import signal

from command_line import digests, run
from decide.test_recognise import a_song as a_fingerprint
from morningmix.analysis.fingerprint import KeptFingerprint
from morningmix.commands.compare import compare, in_words, recipe_lines
from morningmix.commands.hear_both import write_pages
from morningmix.commands.mix import mix
from morningmix.commands.order import Order
from morningmix.commands.version import OCTAVES_HZ, Version
from morningmix.errors import RecordingsError, UsageError
from morningmix.model.tempo import Tempo
from morningmix.storage.cache import key, path_of, take_key
from morningmix.storage.home import CACHE
from morningmix.storage.records import write_record
from synthetic import ROLES, write_take


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
    assert one.says == '"Thursday": the bass is 3 dB louder than in the first mix.'
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


# ---------------------------------------------------------------- week against week

INPUTS = "".join(
    f'[[input]]\nfile = "{name}.wav"\nname = "{name}"\nrole = "{ROLES[name]}"\nplayer = "{player}"\n'
    for name, player in (("kick", "Max"), ("snare", "Max"), ("overhead", "Max"), ("bass", "Ida"))
)
SINGERS = "".join(
    f'[[input]]\nfile = "{role}.wav"\nname = "{name}"\nrole = "{role}"\nplayer = "{name}"\nlevel_db = {{{name}}}\n'
    for role, name in (("lead vocal", "Ana"), ("backing vocal", "Theo"))
)


def rehearse(folder: Path, when: str, inputs: str, songs: str, faster: float = 1.0) -> Path:
    """A rehearsal without guitars, 19 s, played so much faster, and its mix folder."""
    for name, file in write_take(folder, 19.0 * faster, 16_000).items():
        sound, rate_hz = soundfile.read(folder / file)
        (folder / file).unlink()
        if "guitar" not in name:
            sound = signal.resample_poly(sound, 24, round(24 * faster))
            soundfile.write(folder / file, sound, rate_hz, subtype="PCM_24")
    home = folder.with_name(f"{folder.name} mix")
    home.mkdir()
    head = f'recipe = 1\n[rehearsal]\ntracks = "../{folder.name}"\ntitle = "{folder.name}"\ndate = "{when}"\n'
    (home / "recipe.toml").write_text(head + inputs + songs, encoding="utf-8")
    mix(Order(source=home / "recipe.toml", cwd=folder.parent, workers=2))
    return home


def a_song(title: str, start_s: float, end_s: float, more: str = "") -> str:
    return f'[[song]]\ntitle = "{title}"\nstart = {start_s}\nend = {end_s}\n{more}'


@pytest.fixture(scope="module")
def weeks(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Two rehearsals: the songs of the first come again in another order, 4 % faster, one of them shorter."""
    folder = tmp_path_factory.mktemp("weeks")
    louder = '[[song.move]]\nname = "Ana"\nfrom = 2.0\nto = 4.0\nlevel_db = 2.0\n'
    before = a_song("Blue Hour", 0.0, 11.0) + a_song("Only Once", 11.0, 14.0) + a_song("Rain", 14.0, 19.0)
    after = a_song("rain", 0.0, 5.0) + a_song("New", 5.0, 8.0) + a_song("blue-hour", 8.0, 16.0, louder)
    return (
        rehearse(folder / "w1", "2026-11-05", INPUTS + SINGERS.format(Ana=0.0, Theo=0.0), before),
        rehearse(folder / "w2", "2026-11-12", INPUTS + SINGERS.format(Ana=0.0, Theo=-4.0), after, 25 / 24),
    )


@pytest.mark.slow
def test_a_week_against_the_week_before_in_the_words_of_a_band(weeks: tuple[Path, Path]) -> None:
    compared, alone = compare(*weeks)
    # In this week's order.
    assert [song.title for song in compared] == ["Rain", "Blue Hour"]
    assert alone == [f'"Only Once" is only in {weeks[0]}.', f'"New" is only in {weeks[1]}.']
    theo = compared[1].players[0]
    # The whole is brought back to its loudness, so he goes down by less than he was turned down.
    assert -4.5 < theo.by_lu < -2.5
    assert compared[1].words == (
        "5 BPM faster than last time; 3 s shorter",
        f"Theo's backing vocal is {-theo.by_lu:.0f} dB softer than last time",
    )
    assert compared[1].moves == ("Ana: none, then +2.0 dB from 0:02 to 0:04",)
    assert [line.split(": ", 1)[1] for line in recipe_lines(*weeks)] == [
        "level_db = 0.0  (Theo)",
        "level_db = -4.0  (Theo)",
        "[[song.move]]",
        'name = "Ana"  (Ana)',
        "from = 2.0  (Ana)",
        "to = 4.0  (Ana)",
        "level_db = 2.0  (Ana)",
    ]


@pytest.mark.slow
def test_the_report_says_it_of_every_song_that_was_played_before(weeks: tuple[Path, Path]) -> None:
    first, second = ((home / "mixes" / "report.html").read_text(encoding="utf-8") for home in weeks)
    assert "last time" not in first
    assert "<p>5 BPM faster than last time; 3 s shorter. Theo&#39;s backing vocal is" in second


@pytest.mark.slow
def test_words_come_before_figures_and_all_of_it_is_for_programs_too(weeks: tuple[Path, Path]) -> None:
    done = run("compare", *weeks, cwd=weeks[0].parent)
    lines = done.stdout[done.stdout.index('"Blue Hour"') :].splitlines()
    assert lines[0] == '"Blue Hour": 5 BPM faster than last time; 3 s shorter.'
    assert re.fullmatch(r"  Theo's backing vocal is \d dB softer than last time\.", lines[1])
    assert lines[2:4] == ["  Moves within the song:", "    Ana: none, then +2.0 dB from 0:02 to 0:04"]
    assert lines[4:6] == ["  Tempo: about 120 BPM, then about 125 BPM", "  Length: 0:11.0, then 0:08.0"]
    facts = json.loads(run("compare", *weeks, "--json", cwd=weeks[0].parent).stdout)
    blue = facts["songs"][1]
    assert blue["words"] == ["5 BPM faster than last time; 3 s shorter", lines[1].strip().removesuffix(".")]
    assert [tempo["tempo_bpm"] for tempo in blue["tempo"]] == pytest.approx([120.0, 125.0], abs=0.6)
    assert blue["players"][0]["who"] == "Theo's backing vocal"
    assert blue["players"][0]["by_lu"] == pytest.approx(-3.5, abs=1.0)
    assert blue["moves"] == ["Ana: none, then +2.0 dB from 0:02 to 0:04"]
    assert blue["when"] == ["2026-11-05", "2026-11-12"]


@pytest.mark.slow
def test_older_sheets_make_no_words_of_what_they_do_not_hold(weeks: tuple[Path, Path], tmp_path: Path) -> None:
    old = shutil.copytree(weeks[0], tmp_path / "old mix")
    for sheet in old.glob("mixes/*/recall.json"):
        facts = json.loads(sheet.read_text(encoding="utf-8"))
        del facts["tempo"], facts["levels_lu"]
        sheet.write_text(json.dumps(facts), encoding="utf-8")
    ((_, blue), _) = compare(old, weeks[1])
    assert blue.words == ("3 s shorter than last time", "the balance is the same")
    assert "  Tempo: unknown, then about 125 BPM" in in_words(blue, with_plans=False)
    (old / "findings.json").unlink()
    ((_, blue), _) = compare(old, weeks[1])
    assert blue.words[0] == "3 s shorter than in the first mix"


def known_beats(version: Version, seed: int, beats: int = 40) -> Version:
    """The same, with beats found in it and its fingerprint in the cache."""
    plan = version.recall.plan
    period_s = (plan.end_s - plan.start_s - 0.5) / beats
    song = a_fingerprint(seed, beats, 60.0 / period_s)
    name = Path(version.recall.tracks_folder).name
    cache = next(above / CACHE for above in version.folder.parents if (above / CACHE).is_dir())
    beats_s = tuple(0.25 + period_s * beat for beat in range(beats + 1))
    kept = KeptFingerprint(take=name, start_s=plan.start_s, end_s=plan.end_s, fingerprint=song, beats_s=beats_s)
    write_record(path_of(cache, "print", take_key(version.folder), key(seed)), kept)
    tempo = Tempo(tempo_bpm=song.tempo_bpm, other_bpm=None, beats_s=beats_s)
    return replace(version, recall=version.recall.model_copy(update={"tempo": tempo}))


def test_a_page_plays_both_at_the_same_beat_equally_loud(place: Path, tmp_path: Path) -> None:
    for name in ("before", "Thursday mix"):
        shutil.copytree(place / name, tmp_path / name)
    mix_file = tmp_path / "before" / "mixes" / "01 Thursday" / "Thursday.wav"
    sound, rate_hz = soundfile.read(mix_file)
    soundfile.write(mix_file, 0.5 * sound, rate_hz, subtype="PCM_24")
    ((one,), _) = compare(tmp_path / "before", tmp_path / "Thursday mix")
    said: list[str] = []
    assert write_pages([one], tmp_path / "pages", said.append) == []
    assert not (tmp_path / "pages").exists()
    assert len(said) == 1
    assert "could not be matched" in said[0]
    one = replace(one, before=known_beats(one.before, 1), after=known_beats(one.after, 1))
    pages = write_pages([one, one], tmp_path / "pages", said.append)
    assert [page.name for page in pages] == ["Thursday.weeks.html", "Thursday 2.weeks.html"]
    text = pages[0].read_text(encoding="utf-8")
    found = re.search(r'<script type="application/json" id="song">(.*?)</script>', text, re.DOTALL)
    assert found
    song = json.loads(found[1])
    ((then_s, now_s),) = song["stretches"]
    assert then_s == now_s
    assert (then_s[0], then_s[-1]) == (0.0, pytest.approx(8.0, abs=0.1))
    then, now = song["times"]
    assert (then["gain"], now["gain"]) == (1.0, pytest.approx(0.5, abs=0.01))
    assert [time["name"] for time in song["times"]] == ["the first mix", "the second mix"]
    assert one.words[0][1:] in text
    assert len(said) == 1
    raw = tmp_path / "Thursday"
    raw.mkdir()
    with pytest.raises(UsageError, match="raw tracks"):
        write_pages([one], raw / "pages", said.append)
