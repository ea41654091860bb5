"""The page that lists the songs: text stays text, links stay links to the files beside it."""

from __future__ import annotations

from xml.etree import ElementTree

from morningmix.share.index_page import Listed, index_page

HOSTILE = "\"><img src=x onerror='1'></bdi><script>2</script> & 50 %#?"


def test_hostile_titles_stay_text() -> None:
    song = Listed(
        number=1,
        title=HOSTILE,
        file="01 50 %#?.mp3",
        page="01 50 %#?.listen.html",
        seconds=61.0,
        loudness_lufs=-16.0,
    )
    root = ElementTree.fromstring(index_page(HOSTILE, HOSTILE, "2026-11-19", [song]))
    assert not {"script", "img"} & {element.tag for element in root.iter()}
    assert not [name for element in root.iter() for name in element.attrib if name.startswith("on")]
    assert sum(HOSTILE in text for text in root.itertext()) == 4
    links = [element.get("href") for element in root.iter("a")]
    assert links == ["01%2050%20%25%23%3F.listen.html", "01%2050%20%25%23%3F.mp3"]
    assert "1:01, about as loud as music on the phone (−16.0 LUFS)." in "".join(root.itertext())
