"""The page of a song that was played twice: one legend for both, and text stays text."""

from __future__ import annotations

import re

import numpy as np

from morningmix.share.pieces import RUNGS, Coded, Pieces
from morningmix.share.weeks_page import Time, weeks_page
from share.test_index_page import HOSTILE

ALL, RHYTHM, VOCALS = ((name, np.ones(9)) for name in ("everything", "drums and bass", "vocals"))


def test_pictures_share_one_legend_also_where_one_has_no_rhythm() -> None:
    times = (
        Time(name=HOSTILE, seconds=60.0, gain=1.0, ridges=[ALL, VOCALS]),
        Time(name="this time", seconds=61.0, gain=0.5, ridges=[ALL, RHYTHM, VOCALS]),
    )
    coded = Coded(rung=RUNGS[0], pieces=())
    page = weeks_page(
        HOSTILE,
        times,
        Pieces(of=(coded, coded), clicks={}),
        [[(1.0, 0.0), (20.0, 19.0)], [(20.0, 29.0), (60.0, 60.0)]],
        f"Without the {HOSTILE}.",
    )
    assert HOSTILE not in page
    pictures = re.findall(r"<svg.*?</svg>", page)
    ridges = [re.findall(r"ridge-(\d)", picture) for picture in pictures]
    assert ridges == [["1", "3"], ["1", "2", "3"]]
    assert re.findall(r'key-(\d)" aria-hidden="true"></span> ([a-z ]+)', page) == [
        ("1", "everything"),
        ("2", "drums and bass"),
        ("3", "vocals"),
    ]
    # Ten seconds that only this time has; the second before the beginning is not worth a word.
    assert re.findall(r"<li>(.*?)</li>", page) == ["This time, from 0:19 to 0:29"]
    assert page.count('class="skipped"') == 1
