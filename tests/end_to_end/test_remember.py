"""One week's corrections are where the next week starts."""

from __future__ import annotations

import shutil
from pathlib import Path

from command_line import digests
from end_to_end.said import kept, run_here
from morningmix.commands.mix import mix
from morningmix.commands.order import Order

RECIPE = Path("Thursday mix") / "recipe.toml"


def test_the_next_rehearsal_starts_where_this_one_was_left(place: Path) -> None:
    recipe = place / RECIPE
    for words in (("lead vocal", "up", "2"), ("kick", "high", "down", "1.5"), ("drums", "room", "up", "3")):
        assert run_here("turn", RECIPE, *words, cwd=place).returncode == 0
    text = recipe.read_text(encoding="utf-8")
    text = text.replace('name = "guitar 1"\nrole = "electric guitar"', 'name = "Tele"\nrole = "keys"\nplayer = "Theo"')
    assert 'name = "Tele"' in text
    songs = (
        '\n[[song]]\ntitle = "Copper Rain Gauge"\nstart = 0\nend = 2\n[[song]]\ntitle = "Song 2"\nstart = 2\nend = 4\n'
    )
    recipe.write_text(text + songs, encoding="utf-8")
    tracks = digests(place / "Thursday")
    done = run_here("remember", "Thursday mix", "--yes", cwd=place)
    assert done.returncode == 0, done.stderr
    band = (place / "band.toml").read_text(encoding="utf-8")
    assert "Song 2" not in band
    assert band.endswith('\n[[song]]\ntitle = "Copper Rain Gauge"\n')
    assert digests(place / "Thursday") == tracks

    shutil.copytree(place / "Thursday", place / "Friday")
    result = mix(Order(source=Path("Friday"), cwd=place))
    new = (place / "Friday mix" / "recipe.toml").read_text(encoding="utf-8")
    assert 'name = "Tele"\nrole = "keys"\nplayer = "Theo"\nlevel_db = 0.0\n' in new
    assert 'name = "lead vocal"\nrole = "lead vocal"\n# level_db = 2.0  # usual, from band.toml\n' in new
    assert new.endswith('\n# [[family]]\n# name = "drums"\n# room_db = 3.0  # usual, from band.toml\n')
    (song,) = result.songs
    tracks_by_name = {track.name: track for track in song.plan.tracks}
    assert tracks_by_name["Tele"].player == "Theo"
    fader = next(one for one in tracks_by_name["lead vocal"].reasons if one.what == "fader_db")
    line = band[: band.index("level_db = 2.0")].count("\n") + 1
    assert fader.in_full.endswith(f"; +2 dB, usual for this input (band.toml, line {line})")
    line = band[: band.index("high_db = -1.5")].count("\n") + 1
    says = f"-1.5 dB, usual for this input (band.toml, line {line})"
    assert f"  Highs -1.5 dB above 4 kHz: {says}.\n" in run_here("why", "Friday mix", "kick", cwd=place).stdout
    assert result.report is not None
    assert says in result.report.read_text(encoding="utf-8").replace("\N{MINUS SIGN}", "-")
    line = band[: band.index("room_db = 3.0")].count("\n") + 1
    says = f"+3 dB, usual for the drums; without that a kick stays dry (band.toml, line {line})"
    assert says in run_here("why", "Friday mix", "kick", cwd=place).stdout

    # A line that moves mixes nothing again, and neither does what is only written into the recipe as it was.
    (place / "band.toml").write_text("# ours\n" + band, encoding="utf-8")
    before = kept(place / "Friday mix" / "mixes" / "01 Friday")
    again = run_here("mix", "Friday", cwd=place)
    assert "Nothing has changed since the last mix." in again.stdout
    assert "Names, roles and usual settings that the recipe leaves open come from band.toml." in again.stdout
    assert kept(place / "Friday mix" / "mixes" / "01 Friday") == before

    turned = run_here("turn", "Friday mix", "lead vocal", "down", "2", cwd=place)
    assert "now at +0 dB (was +2)" in turned.stdout
    (song,) = mix(Order(source=Path("Friday"), cwd=place)).songs
    lead = next(track for track in song.plan.tracks if track.name == "lead vocal")
    assert not any("usual" in reason.in_full for reason in lead.reasons)
    assert round(tracks_by_name["lead vocal"].fader_db - lead.fader_db, 1) == 2.0


def test_an_old_input_list_still_names_the_inputs(place: Path) -> None:
    listed = '[[input]]\nfile = "guitar 1.wav"\nname = "piano"\nrole = "keys"\nplayer = "Ilka"\n'
    (place / "inputs.toml").write_text(listed, encoding="utf-8")
    shutil.copytree(place / "Thursday", place / "Friday")
    assert run_here("recipe", "Friday", cwd=place).returncode == 0
    new = (place / "Friday mix" / "recipe.toml").read_text(encoding="utf-8")
    assert 'name = "piano"\nrole = "keys"\nplayer = "Ilka"\nlevel_db = 0.0\n' in new
