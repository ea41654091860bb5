"""A folder of raw tracks becomes inputs with names, roles and wishes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile  # noqa: TID251 - an outside writer

from lanes import lane_here
from morningmix.analysis.analyse import analyse
from morningmix.storage.home import home_of

RECIPE = """\
recipe = 1
[rehearsal]
tracks = "take"
[defaults]
level_db = -3.0
eq = "off"
[[input]]
file = "TRK05.wav"
[[input]]
file = "TRK06.wav"
level_db = 1.0
[[song]]
title = "Song"
start = 0
end = 2
[[song.input]]
name = "trk-05"
mute = true
"""


def test_defaults_and_songs_mean_the_inputs_of_the_take(tmp_path: Path) -> None:
    """Listed without a name, listed with a level of its own, in the input list alone, and nowhere."""
    t = np.arange(2 * 16_000) / 16_000
    (tmp_path / "take").mkdir()
    for number, hz in ((5, 70.0), (6, 300.0), (7, 500.0), (8, 700.0)):
        soundfile.write(tmp_path / "take" / f"TRK0{number}.wav", 0.1 * np.sin(2.0 * np.pi * hz * t), 16_000)
    (tmp_path / "take" / "inputs.toml").write_text('[[input]]\nfile = "TRK07.wav"\nname = "Lute"\nrole = "other"\n')
    (tmp_path / "recipe.toml").write_text(RECIPE)
    home = home_of(tmp_path / "recipe.toml", tmp_path, None)
    (analysed,) = analyse(tmp_path / "recipe.toml", home, lane_here())
    assert [(input_.wish.level_db, input_.wish.eq) for input_ in analysed.inputs] == [
        (-3.0, "off"),
        (1.0, "off"),
        (-3.0, "off"),
        (-3.0, "off"),
    ]
    (muted,) = analysed.recipe.songs[0].inputs
    assert analysed.inputs[0].name != "TRK05"
    assert [input_.is_called(muted.name) for input_ in analysed.inputs] == [True, False, False, False]
