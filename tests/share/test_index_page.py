"""The page that lists the songs: text stays text, links stay links to the files beside it."""

from __future__ import annotations

from xml.etree import ElementTree

import numpy as np

from morningmix.report import pictures
from morningmix.report.numbers import ridges
from morningmix.share.index_page import Listed, index_page

HOSTILE = "\"><img src=x onerror='1'></bdi><script>2</script> & 50 %#?"


def test_hostile_titles_stay_text() -> None:
    song = Listed(
        number=1,
        title=HOSTILE,
        file="01 50 %#?.mp3",
        page="01 50 %#?.listen.html",
        seconds=61.0,
        hills=pictures.hills(ridges([np.ones(40), np.full(40, 0.1), np.full(40, 0.01)])),
        names=["kick", f"guitar ({HOSTILE})"],
    )
    root = ElementTree.fromstring(index_page(HOSTILE, HOSTILE, "2026-11-19", [song]))
    assert not {"script", "img"} & {element.tag for element in root.iter()}
    assert not [name for element in root.iter() for name in element.attrib if name.startswith("on")]
    assert sum(HOSTILE in text for text in root.itertext()) == 5
    links = [element.get("href") for element in root.iter("a")]
    assert links == ["01%2050%20%25%23%3F.listen.html", "01%2050%20%25%23%3F.mp3"]
    shown = "".join(root.itertext())
    assert f"kick and guitar ({HOSTILE})" in shown
    assert "1:01." in shown
    assert "LUFS" not in shown
    assert [element.get("class") for element in root.iter("path") if element.get("class", "").startswith("ridge")] == [
        "ridge ridge-1",
        "ridge ridge-2",
        "ridge ridge-3",
    ]
