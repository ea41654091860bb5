"""The plan of a small rehearsal as text: it changes only when somebody means it to.

Measurements are made by hand, so that nothing but decisions can change it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from pathlib import Path

import numpy as np

from decide.made import CENTRES_HZ, bump, facts_of, measurements
from morningmix.decide.roles import identify
from morningmix.decide.song_plan import decide_song
from morningmix.decide.take_setup import Evidence, set_up
from morningmix.files.presets import load_roles, load_target
from morningmix.model.input import Input
from morningmix.model.measured import AlignmentFacts, Howl, Measurements, Singing, Turned
from morningmix.model.recipe import InputWish, MoveWish, Recipe, SongWish

GOLDEN = Path(__file__).with_name("golden_plan.txt")
SLOTS = 600
