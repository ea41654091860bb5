"""Presets: complete, sourced, found in a checkout and in an installed package; roles from names."""

from __future__ import annotations

import shutil
import subprocess
import sys
import tomllib
from dataclasses import fields, is_dataclass
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import morningmix
from morningmix.errors import RecipeError
from morningmix.files import presets
from morningmix.files.presets import load_roles, load_target, presets_folder, role_from_name
from morningmix.model.presets import RolePreset, Sourced

PACKAGE = Path(morningmix.__file__).parent
CHECKOUT = PACKAGE.parents[1]
FAMILIES = {
    "drums": {"kick", "snare", "tom", "hi-hat", "overhead", "room", "drum kit", "percussion"},
    "bass": {"bass"},
    "guitars": {"electric guitar", "acoustic guitar"},
    "keys": {"keys"},
    "vocals": {"lead vocal", "backing vocal"},
    "playback": {"playback"},
    "horns": {"brass"},
    "strings": {"strings"},
    "extras": {"other"},
    "": {"click", "talkback", "desk mix"},
}


def numbers(data: object) -> list[Sourced]:
    if isinstance(data, Sourced):
        return [data]
    inner = [getattr(data, field.name) for field in fields(data)] if is_dataclass(data) else []
    return [number for each in inner for number in numbers(each)]


# ---------------------------------------------------------------- the numbers


def test_every_role_has_its_preset_and_family() -> None:
    roles = load_roles()
    assert {family: {role for role in roles if roles[role].family == family} for family in FAMILIES} == FAMILIES
    assert set(roles) == set().union(*FAMILIES.values())


def test_vocal_and_brass_microphones_are_cleaned() -> None:
    assert {role for role, preset in load_roles().items() if preset.cleaned} == {"lead vocal", "backing vocal", "brass"}


def test_every_number_names_a_publication_or_says_what_it_is_instead() -> None:
    found = [number for preset in (*load_roles().values(), load_target("demo")) for number in numbers(preset)]
    assert len(found) > 100
    publications = ("De Man", "Ma et al.", "AES TD1008", "Gerdes and Siedenburg")
    kinds = ("design choice", "common practice, no source", *publications)
    assert [number for number in found if not number.source.startswith(kinds)] == []


def test_levels_against_print() -> None:
    """De Man, Leonard, King, Reiss, ISMIR 2014, table 2, LU re the whole mix."""
    roles = load_roles()
    for role, level_lu in {"kick": -13.2, "snare": -16.8, "tom": -12.7, "bass": -9.5}.items():
        level = roles[role].level_lu
        assert level is not None
        assert (level.value, level.source[:30]) == (level_lu, "De Man, Leonard, King, Reiss, ")


def test_the_kit_against_print() -> None:
    """De Man, viva slides 2017: the drums together -6.5 to -8.5 LU."""
    level = load_roles()["drum kit"].level_lu
    assert level is not None
    assert -8.5 <= level.value <= -6.5


def test_compressors_against_print() -> None:
    """Ma et al., JAES 63(6) 2015, engineers' medians: vocal attack 6 ms, release 100-150 ms; drums attack 19 ms."""
    roles = load_roles()
    for role, preset in roles.items():
        if preset.compressor is not None:
            assert 2.0 <= preset.compressor.mean_reduction_db.value <= 4.0, role
            assert preset.compressor.max_reduction_db.value == 8.0, role
        if preset.family == "drums":
            assert preset.compressor is not None
            assert preset.compressor.attack_s.value == 0.019
        if preset.family == "vocals":
            assert preset.compressor is not None
            assert preset.compressor.attack_s.value == 0.006
            assert 0.100 <= preset.compressor.release_s.value <= 0.150


def test_high_passes_against_print() -> None:
    """De Man and Reiss, AES 135, 2013: 100 Hz on all but bass and kick; the rest is common practice, no source."""
    found = {role: preset.high_pass_hz and preset.high_pass_hz.value for role, preset in load_roles().items()}
    assert (found["kick"], found["bass"], found["keys"], found["tom"], found["overhead"]) == (30, 30, 40, 50, 60)
    assert found["snare"] == found["brass"] == 100
    assert found["playback"] is None
    assert 90 <= (found["lead vocal"] or 0) <= 110


def test_kick_bass_and_overhead_stay_dry() -> None:
    """Pestana and Reiss, JAES 2017."""
    roles = load_roles()
    assert [roles[role].send_lu for role in ("kick", "bass", "overhead")] == [None] * 3
    assert roles["lead vocal"].send_lu is not None


def test_what_is_left_out_of_the_mix_has_no_numbers() -> None:
    assert [numbers(load_roles()[role]) for role in FAMILIES[""]] == [[], [], []]


def test_targets_against_print() -> None:
    """AES TD1008.1.21-9 (2021), read second-hand: -16 LUFS for a track, -14 for the loudest of an album, -1 dBTP."""
    demo, loud = load_target("demo"), load_target("Loud")
    assert (demo.loudness_lufs.value, demo.ceiling_dbtp.value) == (-16.0, -1.0)
    assert (loud.name, loud.loudness_lufs.value, loud.ceiling_dbtp.value) == ("loud", -14.0, -1.0)


@pytest.mark.parametrize("name", ["lood", "../targets/loud", "", "loud.toml"])
def test_a_target_that_is_not_there(name: str) -> None:
    with pytest.raises(RecipeError, match=r'The targets are: "demo", "loud"'):
        load_target(name)


# ---------------------------------------------------------------- the files


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("value = -13.2", "value = 1e9", r"level_lu must lie between -60 and \+20, not 1e\+09"),
        ("value = 30.0", "value = nan", "value must be a number"),
        ("value = 0.1,", "value = 0.0,", r"release_s must lie between \+0.001 and \+10, not 0"),
        (
            "value = -13.2, source",
            "value = -13.2, sauce",
            r'line \d+: there is no "sauce" here. Did you mean "source"\?',
        ),
        ("value = -13.2", 'value = "loud"', "value must be a number"),
        ('family = "drums"', 'family = "drum"', r'family must be .*, not "drum". Did you mean "drums"\?'),
        ('pan = "centre"', 'pan = "center"', r'Did you mean "centre"\?'),
        ('"kicks"', '"Kicks"', 'words holds "Kicks"'),
        ('role = "kick"', 'role = "snare"', "must be called snare.toml"),
        ('"De Man, Leonard, King, Reiss, ISMIR 2014, table 2"', '" "', "source must name a publication"),
        ("[compressor]", "[compresor]", r'Did you mean "compressor"\?'),
    ],
)
def test_a_broken_preset_is_named(tmp_path: Path, old: str, new: str, says: str) -> None:
    shutil.copytree(CHECKOUT / "presets", tmp_path / "presets")
    kick = tmp_path / "presets" / "roles" / "kick.toml"
    text = kick.read_text(encoding="utf-8")
    assert old in text
    kick.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(RecipeError, match=says) as caught:
        presets._read_roles(tmp_path / "presets")
    assert str(caught.value).startswith("presets/roles/kick.toml, line ")


def test_a_checkout_uses_its_own_presets() -> None:
    assert Path(str(presets_folder())) == CHECKOUT / "presets"


def test_an_installed_package_uses_the_copy_inside(tmp_path: Path) -> None:
    """Laid out as the wheel is: the build settings put ``presets`` inside the package."""
    settings_ = tomllib.loads((CHECKOUT / "pyproject.toml").read_text(encoding="utf-8"))
    placed = settings_["tool"]["hatch"]["build"]["targets"]["wheel"]["force-include"]
    site = tmp_path / "a" / "b" / "site"
    shutil.copytree(PACKAGE, site / "morningmix", ignore=shutil.ignore_patterns("__pycache__"))
    for source, target in placed.items():
        shutil.copytree(CHECKOUT / source, site / target)
    code = (
        f"import sys; sys.path.insert(0, {str(site)!r})\n"
        "from morningmix.files.presets import load_roles, load_target, presets_folder\n"
        "print(presets_folder(), len(load_roles()), load_target('loud').loudness_lufs.value, sep='|')"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=tmp_path, check=True)
    assert run.stdout.strip() == f"{site / 'morningmix' / 'presets'}|{len(load_roles())}|-14.0"


# ---------------------------------------------------------------- roles from names

NAMES = {
    "kick": "Kik_in.wav|BD|kick out|bass drum|BassDrum|Große Trommel|grosse caisse|bombo|cassa|stopa|01-KICK-A",
    "snare": "sn top|SNR|Snare Btm|SD 2|caisse claire|caja|rullante|caixa|werbel|kleine Trommel",
    "tom": "Floor Tom|tom2|rack-tom|TOM TOM|Standtom 1|tom basse",
    "hi-hat": "hh|Hi-Hat|HiHat|hi hat|Hats",
    "overhead": "OH|oh_L|OH1|Overheads R|over head|Becken|piatti",
    "room": "Room L|Raum|ambience|sala",
    "drum kit": "Drums|drum kit|Schlagzeug|Batería|batterie|batteria|perkusja|drumstel",
    "percussion": "Congas|perc 1|cajón|Shaker",
    "bass": "DI bass|Bass DI|BassDI|bass guitar|E-Bass|Baß|Basse|bajo|basso|baixo|bas|gitara basowa|synth bass",
    "electric guitar": "gtr|GTR 2|Guitar L|E-Gitarre|lead gtr|guitare|guitarra|chitarra|gitaar|gitara|Gitarre2|eGtr",
    "acoustic guitar": "Acoustic Guitar|ac gtr|A-Gitarre|violão|chitarra acustica|guitare sèche|gitara akustyczna",
    "keys": "Keys L|piano|Synth|Klavier|teclado|tastiere|clavier|klawisze|toetsen|E-Piano",
    "lead vocal": "vocal|Vocal-1|vox|LeadVox|lead vocal 2|vox 1|VOX01|Gesang|voix|voz|voce|zang|wokal|Sängerin|"
    "Vocals Mara",
    "backing vocal": "vocal-2|vocal 3|VOX2|vox_03|BV|bgv|BG Vox|Backing Vox Jo|vocal backing|Chor|chœurs|coro|cori|"
    "koor|chórki|Gesang 2|vox harmony",
    "brass": "tpt|Trumpet|sax|Tenor-Sax|Posaune|trombón|trąbka|Bläser",
    "strings": "Violin 1|Cello|Geige|skrzypce|archi",
    "playback": "samples|Phone|laptop|tracks|Backing Tracks|Zuspieler|playback L",
    "click": "Click|metronome|Klick",
    "talkback": "Talkback|TB|talk back|cue 1",
    "desk mix": "Main L|mix|desk mix|LR|FX Return|stereo mix",
}


@pytest.mark.parametrize(
    ("name", "role"), [(name, role) for role, names in NAMES.items() for name in names.split("|")], ids=str
)
def test_roles_from_names(name: str, role: str) -> None:
    """Trade words and abbreviations of eight languages: common practice, no source."""
    found = role_from_name(name, load_roles())
    assert found is not None
    assert found[0] == role


@pytest.mark.parametrize(
    "name",
    [
        "",
        "input-07",
        "Track 01.wav",
        "ch12",
        "kicker",
        "bassoon",
        "ohm",
        "lead",
        "Mara",
        "2026-11-19",
        "🥁",
        "snarex",
        "\\u200f\\x81",
    ],
)
def test_names_that_say_nothing(name: str) -> None:
    assert role_from_name(name, load_roles()) is None


def test_the_reason_names_the_word_that_decided() -> None:
    roles = load_roles()
    assert role_from_name("07_VOX-03 Jo", roles) == ("backing vocal", "vox 3")
    assert role_from_name("BASS-drum in", roles) == ("kick", "bass drum")


def test_no_word_means_two_roles() -> None:
    words = ["".join(presets._parts(word)) for preset in load_roles().values() for word in set(preset.words)]
    by_role = [{"".join(presets._parts(word)) for word in preset.words} for preset in load_roles().values()]
    assert len(set(words)) == sum(map(len, by_role))


every_word = st.sampled_from([(preset.role, word) for preset in load_roles().values() for word in preset.words])


@given(
    every_word, st.sampled_from(["{}", "07-{}", "{}.wav", "CH 3 {} ", "{}_1"]), st.sampled_from([str.upper, str.title])
)
@settings(max_examples=200, deadline=None)
def test_every_word_finds_its_role_however_it_is_written(known: tuple[str, str], shape: str, case: object) -> None:
    role, word = known
    assert callable(case)
    found = role_from_name(shape.format(case(word)), load_roles())
    assert found is not None
    assert found[0] == role


ROLES = load_roles()


@given(st.text(max_size=40))
@settings(max_examples=200, deadline=None)
def test_any_name_gives_a_known_role_or_none(name: str) -> None:
    found = role_from_name(name, ROLES)
    assert found is None or isinstance(ROLES[found[0]], RolePreset)
