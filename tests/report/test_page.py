"""The report page: safe whatever people type, complete, true to the data, and readable by everybody."""

from __future__ import annotations

import itertools
import re
from collections import Counter
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from morningmix.model.found import Boundary, Finding, FoundThen
from morningmix.model.input import Input
from morningmix.model.measured import Measurements, Singing, SongFacts, TrackFacts
from morningmix.model.plan import Compressor, Filter, Gate, Goal, MasterPlan, Reason, Reverb, SongPlan, TrackPlan, Trims
from morningmix.model.presets import RolePreset
from morningmix.model.recipe import InputWish
from morningmix.model.recording import Part, Recording, Take
from morningmix.model.tempo import Tempo
from morningmix.report import numbers
from morningmix.report.contents import Cut, ReportedSong, ReportedTake
from morningmix.report.page import report_page
from morningmix.report.style import DARK, LIGHT
from morningmix.report.words import clean, count, hertz, listed, minutes, number, sentence, short, side
from synthetic import slots_of

RATE_HZ = 48_000
EDGES_HZ = np.geomspace(35.0, 20_000.0, 37)
FAMILIES = {"kick": "drums", "bass": "bass", "electric guitar": "guitars", "lead vocal": "vocals", "talkback": ""}


# ---------------------------------------------------------------- a rehearsal by hand


def preset(role: str) -> RolePreset:
    return RolePreset(
        role=role,
        family=FAMILIES[role],
        words=(),
        level_lu=None,
        high_pass_hz=None,
        cleaned=False,
        gate_floor_db=None,
        compressor=None,
        pan="centre",
        send_lu=None,
    )


def an_input(index: int, name: str, role: str, seconds: float, **changed: Any) -> Input:
    slots = round(seconds / 0.1)
    level = np.full((36, slots), 1e-4 / 36, np.float32)
    level[:, slots // 2 :] *= np.float32(1e-5)
    facts = TrackFacts(
        files=(f"input-{index + 1:02d}.wav",),
        channels=1,
        peak_dbfs=-8.25,
        clipped_runs=0,
        dc=0.0,
        hum=None,
        pops_s=(),
        feedback=(),
        dropouts=0,
        broken_samples=0,
        side_fraction=0.0,
        slots=slots_of(level, np.full(slots, 0.3, np.float32), max(1, -(-slots // 6000))),
    )
    return Input(
        index=index,
        name=name,
        role=role,
        role_is_guess=False,
        role_because="as written down",
        role_source="recipe",
        preset=preset(role),
        wish=InputWish(files=facts.files),
        facts=replace(facts, **changed),
    )


def silent(input_: Input) -> Input:
    nothing = input_.facts.slots.scaled(np.zeros(len(input_.facts.slots), np.float32))
    return replace(input_, facts=replace(input_.facts, peak_dbfs=-120.0, slots=nothing))


def a_song(title: str, start_s: float, end_s: float, inputs: list[Input]) -> ReportedSong:
    hops = round((end_s - start_s) * 10)
    tracks = tuple(
        TrackPlan(
            files=input_.facts.files,
            name=input_.name,
            role=input_.role,
            role_is_guess=input_.role_is_guess,
            family=input_.preset.family,
            gain_db=2.5,
            filters=(Filter(kind="high_pass", corner_hz=90.0),),
            gate=Gate(open_s=((0.0, (end_s - start_s) / 4.0),), floor_db=-20.0, ramp_s=0.06),
            compressor=Compressor(
                threshold_db=-18.4, ratio=2.3, knee_db=12.0, attack_s=0.006, release_s=0.125, max_reduction_db=8.0
            ),
            fader_db=-6.75,
            pan=-0.35,
            send_db=-12.0,
            reasons=(
                Reason(what="gain_db", because=f"{input_.name} plays at -25.4 LUFS", source="design choice & measured"),
                Reason(what="something_new", because="a reason of a kind nobody foresaw", source="recipe"),
            ),
        )
        for input_ in inputs
    )
    rng = np.random.default_rng(3)
    return ReportedSong(
        take=0,
        title=title,
        plan=SongPlan(
            title=title,
            start_s=start_s,
            end_s=end_s,
            rate_hz=RATE_HZ,
            tracks=tracks,
            reverb=Reverb(room=0.45, damping=0.5, low_cut_hz=200.0),
            target_lufs=-14.0,
            ceiling_dbtp=-1.0,
            max_limiting_db=3.0,
            goals=(Goal(family="drums", level_lu=-7.5, where_s=(), wishes_db=0.0, because="there", source="a book"),),
        ),
        master=MasterPlan(
            trims=Trims(
                trims_db=(("drums", -1.25),),
                drum_peak_dbfs=-3.5,
                drum_lookahead_s=0.002,
                drum_release_s=0.06,
                gain_db=-11.0,
            ),
            gain_db=-11.25,
            target_lufs=-15.3,
            ceiling_dbfs=-1.2,
            lookahead_s=0.003,
            release_s=0.12,
            dither_seed=1,
        ),
        facts=SongFacts(
            hop_s=0.1,
            reduction_db=tuple((input_.name, -4.0 * rng.random(hops).astype(np.float32)) for input_ in inputs),
            limiter_db=np.full(hops, -1.75, np.float32),
            short_term_lufs=(-16.0 + rng.random(max(hops - 29, 0))).astype(np.float32),
            band_hz=EDGES_HZ,
            spectrum_db=np.full(36, -35.0, np.float32),
        ),
        loudness_lufs=-15.34,
        true_peak_dbtp=-1.18,
    )


def report(
    *,
    take: Take,
    measured: Measurements,
    inputs: list[Input],
    singing: dict[int, Singing | None],
    cuts: list[Cut] | None = None,
    **rest: Any,
) -> str:
    """The page of a rehearsal of one take."""
    one = ReportedTake(take=take, measured=measured, inputs=inputs, singing=singing, cuts=cuts or ())
    return report_page(takes=[one], **rest)


def rehearsal(names: list[str], *, title: str = "Thursday", seconds: float = 40.0, songs: int = 1) -> dict[str, Any]:
    """Arguments of `report_page`: one input per name, the roles in turn, every voice singing a stretch."""
    roles = list(FAMILIES)[:4]
    inputs = [an_input(i, name, roles[i % 4], seconds) for i, name in enumerate(names)]
    part = Part(path=Path("a.wav"), rate_hz=RATE_HZ, channels=1, frames=round(seconds * RATE_HZ), subtype="PCM_24")
    edges = np.linspace(0.0, seconds, songs + 1)
    return {
        "title": title,
        "take": Take(
            folder=Path("takes"),
            recordings=tuple(Recording(lanes=((part,),)) for _ in names),
            rate_hz=RATE_HZ,
            frames=part.frames,
        ),
        "measured": Measurements(
            rate_hz=RATE_HZ,
            frames=part.frames,
            slot_s=0.1,
            band_hz=EDGES_HZ,
            tracks=tuple(input_.facts for input_ in inputs),
        ),
        "inputs": inputs,
        "singing": {
            input_.index: Singing(
                sings_s=((2.0, 8.0), (12.0, 14.5)), open_s=((1.5, 9.0), (11.5, 15.0)), because="louder"
            )
            for input_ in inputs
            if input_.preset.family == "vocals"
        },
        "findings": [],
        "songs": [a_song(f"Song {n}", a, b, inputs) for n, (a, b) in enumerate(itertools.pairwise(edges), 1)],
    }


NAMES = ["kick", "bass", "guitar left", "Mara's voice"]


# ---------------------------------------------------------------- how a page is read here


def tree(page: str) -> ElementTree.Element:
    """The page as XML, which it also is: stricter than any browser."""
    return ElementTree.fromstring(page)


def text_of(element: ElementTree.Element) -> str:
    return "".join(element.itertext())


def table(page: str, caption: str) -> dict[str, list[str]]:
    """Cells of the first table with this caption, by the head of their row."""
    found = next(table for table in tree(page).iter("table") if text_of(table.find("caption")) == caption)  # type: ignore[arg-type]
    rows = [[text_of(cell) for cell in row] for row in found.find("tbody")]  # type: ignore[union-attr]
    return {head: cells for head, *cells in rows}


class _Balance(HTMLParser):
    """Follows the tags as HTML and complains where one is not closed in order."""

    VOID = ("meta", "link", "br", "img", "input", "hr")

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert len(dict(attrs)) == len(attrs), f"an attribute twice in <{tag}>"
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        pass

    def handle_endtag(self, tag: str) -> None:
        assert self.open
        assert self.open.pop() == tag


def well_formed(page: str) -> ElementTree.Element:
    balance = _Balance()
    balance.feed(page)
    balance.close()
    assert balance.open == []
    page.encode("utf-8")
    return tree(page)


# ---------------------------------------------------------------- safe and whole, whatever is typed

HOSTILE = [
    "</title></style></svg><script>alert(1)</script>",
    "\"><img src=x onerror='alert(2)'>",
    "&lt;b&gt; & &amp; ]]> <!-- --> <![CDATA[",
    "nul \x00 bell \x07 escape \x1b[31m half \udc80 pair \ud83e",
    "two\nlines\tand \u202e turned \u2028 around",
]


def test_hostile_names_and_titles_stay_text() -> None:
    given_ = rehearsal(HOSTILE, title=HOSTILE[0])
    given_["findings"] = [Finding(name=name, kind=name, says=name, weight=1.0) for name in HOSTILE]
    given_["songs"] = [
        replace(song, title=HOSTILE[1], plan=replace(song.plan, title=HOSTILE[1])) for song in given_["songs"]
    ]
    given_["inputs"] = [
        replace(input_, role=input_.name, role_is_guess=True, facts=replace(input_.facts, files=(input_.name,)))
        for input_ in given_["inputs"]
    ]
    page = report(**given_)
    root = well_formed(page)
    assert not {"script", "img", "b", "iframe", "object"} & {element.tag for element in root.iter()}
    assert not [name for element in root.iter() for name in element.attrib if name.startswith("on")]
    shown = text_of(root)
    for name in HOSTILE:
        assert clean(name) in shown


def test_what_would_turn_or_hide_the_text_beside_it_is_shown() -> None:
    shown = text_of(well_formed(report(**rehearsal(["kick\u202e", "a\x1b[31m", "b\u2066c"], title="x\u200fy"))))
    for text in ("kick\\u202e", "a\\x1b[31m", "b\\u2066c", "x\\u200fy"):
        assert text in shown
    assert not set(shown) & set("\u202e\x1b\u2066\u200f")


@settings(max_examples=25, deadline=None)
@given(st.lists(st.text(min_size=1, max_size=40), min_size=1, max_size=5), st.text(max_size=30))
def test_any_names_give_a_well_formed_page_that_shows_them(names: list[str], title: str) -> None:
    shown = text_of(well_formed(report(**rehearsal(names, title=title))))
    for text in (*names, title):
        assert clean(text) in shown


@given(st.text(max_size=60), st.integers(3, 30))
@settings(deadline=None)
def test_short_never_grows(text: str, most: int) -> None:
    shown = short(text, most)
    assert len(shown) <= most
    assert shown == clean(text) or (shown.endswith("…") and clean(text).startswith(shown[:-1]))


def test_nothing_is_fetched_and_nothing_runs() -> None:
    page = report(**rehearsal(NAMES))
    root = well_formed(page)
    for element in root.iter():
        for name, value in element.attrib.items():
            if name in ("href", "src", "style", "action"):
                assert value.startswith(("#", "data:,")), (element.tag, name, value)
    assert "script" not in {element.tag for element in root.iter()}
    assert not re.search(r"@import|url\((?!#)|https?:", page)


def test_every_song_is_played_from_its_file_beside_the_page() -> None:
    given_ = rehearsal(NAMES, songs=2)
    sounds = ["01 Song 1/Song 1.mp3", "02 50 % #?/50 % #?.mp3"]
    given_["songs"] = [replace(song, sound=sound) for song, sound in zip(given_["songs"], sounds, strict=True)]
    page = report(**given_)
    root = well_formed(page)
    players = list(root.iter("audio"))
    assert [player.get("src") for player in players] == [
        "01%20Song%201/Song%201.mp3",
        "02%2050%20%25%20%23%3F/50%20%25%20%23%3F.mp3",
    ]
    assert all(player.get("preload") == "none" and player.get("controls") for player in players)
    assert [player.get("aria-label") for player in players] == ["Song 1", "Song 2"]
    assert "media-src 'self' file:" in page
    # Before every picture but the one of the take.
    assert page.index("<audio") < page.index("<figure")
    # Without a file there is nothing to play.
    assert "<audio" not in report(**rehearsal(NAMES))


def test_the_same_data_gives_the_same_bytes() -> None:
    assert report(**rehearsal(NAMES)) == report(**rehearsal(NAMES))


# ---------------------------------------------------------------- complete and true


def test_first_line_says_what_happened_and_what_to_do() -> None:
    given_ = rehearsal(NAMES, songs=2)
    assert text_of(next(tree(report(**given_)).iter("h1"))) == (
        "Thursday: two songs are ready. Have a listen, then turn up or down whatever needs it."
    )
    given_["inputs"] = [replace(input_, role_is_guess=input_.index < 3) for input_ in given_["inputs"]]
    assert "check three guesses in the recipe" in text_of(next(tree(report(**given_)).iter("h1")))


def test_every_input_is_named_in_every_picture_and_table() -> None:
    page = report(**rehearsal(NAMES))
    for caption in ("Recording levels", "Who plays how long", "Decisions for each input", "Position and loudness"):
        assert set(table(page, caption)) == set(NAMES)
    pictures = [text_of(svg) for svg in tree(page).iter("svg") if svg.get("role") == "img"]
    assert sum(all(name in picture for name in NAMES) for picture in pictures) == 4


def test_cuts_stand_in_the_order_of_the_take_and_what_is_left_out_says_why() -> None:
    def at(at_s: float, sure: float = 0.9) -> Boundary:
        return Boundary(at_s=at_s, because=f"told <at> {at_s:g}", sure=sure)

    cuts = [
        Cut(title="Song 1", start=at(1.0), end=at(9.0), left_out=None),
        Cut(title="Try 1", start=at(11.0), end=at(14.0), left_out="false start"),
        Cut(title="Song 2", start=at(20.0, 0.3), end=at(39.0), left_out=None),
    ]
    page = report(**rehearsal(NAMES, songs=2), cuts=cuts)
    rows = table(page, "Where the take is cut")
    assert list(rows) == ["Song 1", "Try 1, left out: false start", "Song 2"]
    assert rows["Song 2"] == ["0:20.0", "0:39.0", "Please listen: told <at> 20", "told <at> 39"]
    assert "where the table asks for it: where one stretch starts or ends is not certain" in text_of(tree(page))
    assert "Where the take is cut" not in report(**rehearsal(NAMES))


def test_numbers_are_those_of_the_data() -> None:
    given_ = rehearsal(NAMES)
    given_["inputs"][1] = an_input(1, "bass", "bass", 40.0, clipped_runs=37, peak_dbfs=0.0)
    page = report(**given_)
    levels = table(page, "Recording levels")
    # Ten thousandths of full-scale power over 36 bands: -40 dB, while it plays.
    assert levels["kick"][:3] == ["8.2 dB below clipping (−8.2 dBFS)", "40.0 dB below clipping (−40.0 dBFS)", "never"]
    assert levels["bass"][0] == "0.0 dB below clipping (0.0 dBFS)"
    assert levels["bass"][2] == "37 times"
    assert "clipped 37 times" in page
    decided = table(page, "Decisions for each input")["kick"]
    assert decided == [
        "kick",
        "+2.5 dB",
        "high-pass 90 Hz",
        "open 25 %, otherwise −20.0 dB",
        "2.3:1 above −18.4 dB",
        "−6.8 dB",
        "35 % left",
        "−12.0 dB",
    ]
    loud = table(page, "Loudness of the mix")
    assert loud["Whole song"] == ["about as loud as music on the phone (−15.3 LUFS)"]
    assert loud["Target"] == ["about as loud as music on the phone (−15.3 LUFS)"]
    assert loud["Highest peak"] == ["1.2 dB below clipping (−1.2 dBTP)"]
    assert loud["Most limiting"] == ["1.8 dB"]
    loudest = number(float(given_["songs"][0].facts.short_term_lufs.max()))
    assert loud["Loudest 3 s"] == [f"about as loud as music on the phone ({loudest} LUFS)"]
    gain = given_["songs"][0].facts.reduction_db[0][1]
    assert table(page, "Gain of the compressors")["kick"] == [
        f"{number(float(gain.mean()))} dB",
        f"{number(float(gain.min()))} dB",
        "",
    ]
    master = table(page, "Decisions for the whole mix")
    assert master["Final gain"][0] == "−11.2 dB"
    assert master["Level of the drums"] == ["−1.2 dB", "There."]
    assert master["Limiter"][0].startswith("1.2 dB below clipping, 3 ms look-ahead, 120 ms")
    assert "1.3 dB quieter than asked (−15.3 instead of −14.0 LUFS)" in page
    assert table(page, "Who plays how long")["Mara's voice"] == ["sings 0:08", "0:11"]
    assert table(page, "Who plays how long")["kick"][0] == "plays 0:20"


def test_every_reason_is_shown_without_its_source() -> None:
    given_ = rehearsal(NAMES)
    page = report(**given_)
    for track in given_["songs"][0].plan.tracks:
        reasons = table(page, f"Reasons for {track.name}")
        assert reasons["Gain"] == ["+2.5 dB", sentence(track.reasons[0].because)]
        assert reasons["Something new"] == ["", "A reason of a kind nobody foresaw."]
    assert "design choice" not in page


def test_no_paper_and_no_term_stands_alone() -> None:
    given_ = rehearsal(NAMES)
    given_["inputs"][1] = an_input(1, "bass", "bass", 40.0, clipped_runs=37, peak_dbfs=0.0)
    page = report(**given_)
    shown = text_of(tree(page).find("body"))  # type: ignore[arg-type]
    assert not re.search(r"et al|AES|BS\.1770|from memory|voices\b|RMS", shown)
    cells = [text_of(cell) for cell in tree(page).iter("td")]
    assert not [cell for cell in cells if re.match(r"^[−-]?[0-9.]+ (dBFS|dBTP|LUFS|LU)$", cell)]
    assert tree(page).find(".//nav//a[@href='#words']") is not None


def test_a_song_says_its_tempo_if_it_is_known() -> None:
    given_ = rehearsal(NAMES)
    assert "BPM" not in report(**given_)
    tempo = Tempo(tempo_bpm=123.8, other_bpm=None, beats_s=(0.0, 0.5))
    given_["songs"] = [replace(song, tempo=tempo) for song in given_["songs"]]
    assert report(**given_).count("About 124 BPM.") == len(given_["songs"])


def test_findings_come_worst_first() -> None:
    given_ = rehearsal(NAMES)
    given_["findings"] = [
        Finding(name="kick", kind="quiet", says="kick is quiet", weight=1.0),
        Finding(name="", kind="left out", says="notes.txt is no sound", weight=70.0),
        Finding(name="bass", kind="clipped", says="bass hit full scale", weight=60.0),
    ]
    root = tree(report(**given_))
    section = next(one for one in root.iter("section") if one.get("id") == "next-time")
    assert [text_of(heading) for heading in section.iter("h3")] == [
        "The whole take: left out",
        "bass: clipped",
        "kick: too quiet",
    ]
    lead = text_of(next(paragraph for paragraph in root.iter("p") if paragraph.get("class") == "lead"))
    assert lead.startswith("Notes.txt is no sound. Bass hit full scale.")


def test_loudest_stands_on_top() -> None:
    given_ = rehearsal(NAMES)
    song = given_["songs"][0]
    faders = dict(zip(NAMES, (-9.0, -3.0, -30.0, -6.0), strict=True))
    tracks = tuple(replace(track, fader_db=faders[track.name]) for track in song.plan.tracks)
    given_["songs"] = [replace(song, plan=replace(song.plan, tracks=tracks))]
    # The drums are trimmed 1.25 dB lower on top of it.
    assert list(table(report(**given_), "Position and loudness")) == ["bass", "Mara's voice", "kick", "guitar left"]


# ---------------------------------------------------------------- when there is little to show


def test_the_report_says_when_there_are_no_findings() -> None:
    page = report(**rehearsal(NAMES))
    assert "Nothing to change at the desk" in page


def test_silent_input() -> None:
    given_ = rehearsal(NAMES)
    given_["inputs"][2] = silent(given_["inputs"][2])
    page = report(**given_)
    well_formed(page)
    assert table(page, "Recording levels")["guitar left"][:2] == ["nothing", ""]
    assert table(page, "Who plays how long")["guitar left"][0] == "recorded nothing"
    assert "Recorded nothing: guitar left" in page


def test_all_inputs_silent() -> None:
    given_ = rehearsal(NAMES)
    given_["inputs"] = [silent(input_) for input_ in given_["inputs"]]
    given_["songs"] = [
        replace(
            song,
            loudness_lufs=None,
            true_peak_dbtp=None,
            facts=replace(
                song.facts, short_term_lufs=np.full(371, -120, np.float32), spectrum_db=np.full(36, -120, np.float32)
            ),
        )
        for song in given_["songs"]
    ]
    page = report(**given_)
    well_formed(page)
    assert "This mix is silent." in page


def test_voice_that_cannot_be_told() -> None:
    given_ = rehearsal(NAMES)
    given_["singing"] = {3: None}
    page = report(**given_)
    well_formed(page)
    assert table(page, "Who plays how long")["Mara's voice"] == ["hidden in the bleed", ""]
    assert 'class="unclear"' in page
    assert "cannot be told from the bleed" in page


def test_nobody_sings() -> None:
    given_ = rehearsal(NAMES)
    given_["singing"] = {3: Singing(open_s=(), sings_s=(), because="nobody")}
    page = report(**given_)
    well_formed(page)
    assert table(page, "Who plays how long")["Mara's voice"] == ["sings 0:00", "0:00"]
    placed = table(page, "Position and loudness")
    assert placed["Mara's voice"][1] == "silent"
    assert list(placed)[-1] == "Mara's voice"


def test_no_songs() -> None:
    page = report(**(rehearsal(NAMES) | {"songs": []}))
    well_formed(page)
    assert "nothing is mixed yet" in page
    assert set(table(page, "Recording levels")) == set(NAMES)


def test_no_inputs_and_no_length() -> None:
    given_ = rehearsal([], songs=1)
    well_formed(report(**given_))
    empty = replace(given_["take"], frames=0)
    well_formed(report(**(given_ | {"take": empty, "songs": []})))


@pytest.mark.parametrize("seconds", [0.1, 0.5, 2.9, 3.0, 3.1])
def test_very_short_song(seconds: float) -> None:
    page = report(**rehearsal(NAMES, seconds=seconds))
    well_formed(page)


def test_input_that_is_left_out() -> None:
    given_ = rehearsal(NAMES)
    song = given_["songs"][0]
    first = replace(
        song.plan.tracks[0],
        family="",
        reasons=(Reason(what="mute", because="a talkback is no part of the mix", source="design choice"),),
    )
    plan = replace(song.plan, tracks=(first, *song.plan.tracks[1:]))
    page = report(**(given_ | {"songs": [replace(song, plan=plan)]}))
    assert "kick" not in table(page, "Decisions for each input")
    assert "Not in the mix: kick (a talkback is no part of the mix)." in " ".join(text_of(tree(page)).split())
    assert "kick" not in table(page, "Position and loudness")


# ---------------------------------------------------------------- for everybody


def test_structure_can_be_walked() -> None:
    """Landmarks, headings without gaps, labels that lead somewhere (WCAG 2.2: 1.1.1, 1.3.1, 2.1.1, 2.4.2, 3.1.1)."""
    root = tree(report(**rehearsal(NAMES, songs=2)))
    assert root.get("lang") == "en"
    tags = Counter(element.tag for element in root.iter())
    assert tags["main"] == tags["header"] == tags["footer"] == tags["h1"] == tags["nav"] == 1
    heads = [int(element.tag[1]) for element in root.iter() if re.fullmatch("h[1-6]", element.tag)]
    assert heads[0] == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(heads))
    ids = [element.get("id") for element in root.iter() if element.get("id")]
    assert len(ids) == len(set(ids))
    for element in root.iter():
        for name in ("aria-labelledby", "aria-describedby"):
            assert set((element.get(name) or "").split()) <= set(ids)
        if element.tag == "a":
            assert element.get("href", "")[1:] in ids
    for picture in root.iter("svg"):
        if picture.get("class") == "picture":
            assert picture.get("role") == "img"
            assert text_of(picture.find("title"))  # type: ignore[arg-type]
            assert text_of(picture.find("desc"))  # type: ignore[arg-type]
    for region in root.iter("div"):
        if region.get("class") == "scroll":
            assert region.get("tabindex") == "0"
            assert region.get("aria-label")
    for figure in root.iter("figure"):
        assert figure.find("details") is not None, "a picture without its numbers"


def _luminance(colour: str) -> float:
    """Relative luminance of #rrggbb (WCAG 2.2, definition)."""
    shares = [int(colour[at : at + 2], 16) / 255.0 for at in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in shares)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    dark, light = sorted((_luminance(one), _luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def test_contrast_formula_by_known_values() -> None:
    """Black on white is 21 : 1 by definition; #767676 on white is the well-known edge of 4.5 (4.54)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
def test_contrast_of_text_and_marks(colours: dict[str, str]) -> None:
    """WCAG 2.2, 1.4.3: text 4.5 to 1; 1.4.11: marks that carry meaning 3 to 1."""
    text_on = [(text, ground) for text in ("ink", "soft") for ground in ("paper", "card", "calm", "sky", "hill")]
    text_on += [(text, ground) for text in ("sound", "look") for ground in ("paper", "card", "calm", "sky")]
    for text, ground in text_on:
        assert contrast(colours[text], colours[ground]) >= 4.5, (text, ground)
    for mark, ground in [("sound", "faint"), ("sound", "hill"), ("look", "hill"), ("look", "calm"), ("soft", "calm")]:
        assert contrast(colours[mark], colours[ground]) >= 3.0, (mark, ground)


# ---------------------------------------------------------------- small, however long the take


@pytest.mark.slow
def test_two_hours_of_ten_inputs_stay_small() -> None:
    given_ = rehearsal([f"input {n}" for n in range(10)], seconds=7200.0, songs=3)
    spans = tuple((float(at), at + 0.7) for at in range(0, 7199, 2))
    given_["singing"] = {at: Singing(open_s=spans, sings_s=spans, because="") for at in given_["singing"]}
    page = report(**given_)
    assert len(page.encode()) < 1_000_000
    paths = [element.get("d", "") for element in tree(page).iter("path")]
    assert max(len(re.findall("[HVl]", d)) for d in paths) <= 2 * 600 + 10
    # 0.7 s of every 2 s: the lanes show the share where columns are longer than the lines.
    share = numbers.covered(spans, np.linspace(0.0, 7200.0, 601))
    np.testing.assert_allclose(share, 0.35, atol=0.03)


# ---------------------------------------------------------------- the numbers behind the pictures


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(0.01, 5.0), min_size=1, max_size=40), st.integers(1, 50))
def test_covered_adds_up_to_the_spans(lengths: list[float], parts: int) -> None:
    points = np.cumsum(lengths)
    spans = tuple((float(a), float(b)) for a, b in zip(points[::2], points[1::2], strict=False))
    edges = np.linspace(0.0, float(points[-1]) + 1.0, parts + 1)
    total = float(np.sum(numbers.covered(spans, edges) * np.diff(edges)))
    assert total == pytest.approx(sum(b - a for a, b in spans), abs=1e-9)


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 3000), st.integers(1, 700))
def test_columns_keep_the_extreme_and_stay_few(length: int, most: int) -> None:
    values = np.random.default_rng(length).standard_normal(length)
    means, lowest = numbers.columns(values, most), numbers.columns(values, most, lowest=True)
    assert len(means) == len(lowest) == min(length, most)
    if length:
        assert lowest.min() == values.min()
        assert np.all(lowest <= means + 1e-12)


def _spectrum(density_db_per_octave: float) -> SongFacts:
    """Bands of a sound whose spectral density falls by so much."""
    hz = np.geomspace(20.0, 22_000.0, 20_001)
    density = (hz / 1000.0) ** (density_db_per_octave / (10.0 * np.log10(2.0)))
    power = np.concatenate(([0.0], np.cumsum((density[1:] + density[:-1]) / 2.0 * np.diff(hz))))
    bands = np.diff(np.interp(EDGES_HZ, hz, power))
    song = a_song("", 0.0, 10.0, []).facts
    return replace(song, spectrum_db=(10.0 * np.log10(bands) - 60.0).astype(np.float32))


@pytest.mark.parametrize(("density", "octave"), [(0.0, 3.01), (-3.01, 0.0), (-5.0, -1.99)])
def test_octave_levels_of_known_spectra(density: float, octave: float) -> None:
    """White noise rises 3.01 dB per octave band, pink is flat (textbook); 5 dB per octave of density is about -2."""
    levels = dict(numbers.octave_levels(_spectrum(density)))
    inside = [levels[hz] for hz in (125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0)]
    np.testing.assert_allclose(np.diff(inside), octave, atol=0.25)


def test_octave_level_is_the_power_in_the_octave() -> None:
    """White noise of density 1e-6 per hertz has 707.1e-6 between 707 and 1414 Hz, so -31.5 dB."""
    assert dict(numbers.octave_levels(_spectrum(0.0)))[1000.0] == pytest.approx(-31.5, abs=0.05)


def test_slope_is_the_published_one_through_the_mean() -> None:
    """Pestana et al., AES 135, 2013: 5 dB per octave of density, 100 Hz to 4 kHz, so -2 dB per octave band."""
    octaves = numbers.octave_levels(_spectrum(-3.0))
    slope = numbers.slope_levels(octaves)
    assert [hz for hz, _ in slope] == [125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0]
    np.testing.assert_allclose(np.diff([level for _, level in slope]), -2.0)
    assert np.mean([level for _, level in slope]) == pytest.approx(
        np.mean([level for hz, level in octaves if 100.0 <= hz <= 4000.0])
    )


def test_what_was_found_over_weeks_is_a_picture_with_its_words() -> None:
    args = rehearsal(["kick"])
    then = FoundThen(when="2026-11-05", faults=frozenset({("kick", "clipped")}), names={"kick": "Kick"})
    assert "This rehearsal and the ones before" not in report(**args)
    html = report(**args, weeks=[then, FoundThen(when="2026-11-12", faults=frozenset())])
    assert "Kick: clipped on 5 Nov." in html
    assert "<td>clipped</td><td>–</td>" in html


def test_loudness_of_an_input_in_the_mix() -> None:
    """All power at 1 kHz, mean square 0.005 (a sine of -20 dBFS): -23 LUFS in one channel by BS.1770-5, so -7 LU under
    a mix of -16 at unity gain, and as many dB more as the plan adds."""
    one = an_input(0, "tone", "electric guitar", 20.0)
    bands = np.zeros((36, 200), np.float32)
    band = int(np.searchsorted(EDGES_HZ, 1000.0)) - 1
    bands[band] = 0.005
    edges = EDGES_HZ.copy()
    edges[band], edges[band + 1] = 1000.0 / 1.05, 1000.0 * 1.05
    one = replace(one, facts=replace(one.facts, slots=slots_of(bands, one.facts.slots.peaks)))
    measured = replace(rehearsal(["tone"], seconds=20.0)["measured"], band_hz=edges)
    song = a_song("", 0.0, 20.0, [one])
    track = replace(song.plan.tracks[0], gain_db=3.0, fader_db=-4.0, filters=(), family="guitars")
    master = replace(song.master, gain_db=2.0)
    facts = replace(song.facts, reduction_db=(("tone", np.full(200, -1.5, np.float32)),))
    playing = np.ones(200, np.bool_)
    song = replace(song, master=master, facts=facts, loudness_lufs=-16.0)
    got = numbers.loudness_in_mix_lu(one, track, playing, measured, song.mixed)
    assert got == pytest.approx(-7.0 + 3.0 - 4.0 + 2.0 - 1.5, abs=0.05)
    assert numbers.loudness_in_mix_lu(one, track, ~playing, measured, song.mixed) is None
    mixed = replace(song.mixed, plan=replace(song.plan, tracks=(track, replace(track, files=("rests.wav",)))))
    rests = replace(one, facts=replace(one.facts, files=("rests.wav",)))
    levels = numbers.levels_in_mix_lu([rests, one], [~playing, playing], measured, mixed)
    assert levels == (pytest.approx(got, abs=0.05), None)


# ---------------------------------------------------------------- words


def test_words() -> None:
    assert number(-0.04) == "0.0"
    assert number(-1.25, 2, signed=True) == "−1.25"
    assert number(3.0, signed=True) == "+3.0"
    assert [minutes(s) for s in (0, 59.6, 192.4, 3723)] == ["0:00", "1:00", "3:12", "1:02:03"]
    assert [count(n, "song") for n in (0, 1, 10, 11)] == ["no songs", "one song", "ten songs", "11 songs"]
    assert listed(["a", "b", "c"]) == "a, b and c"
    assert [side(pan) for pan in (-1.0, 0.0, 0.35)] == ["100 % left", "centre", "35 % right"]
    assert [hertz(hz) for hz in (90.0, 4000.0, 44100.0)] == ["90 Hz", "4 kHz", "44.1 kHz"]
    assert sentence("it is so") == "It is so."


def test_before_and_after_bleed_removal() -> None:
    """Ten times the power was in the microphone while nobody sang, and as much as is left while somebody did."""
    facts = rehearsal(["kick", "bass", "guitar", "Vox <1>"], seconds=40.0)
    voice = facts["inputs"][3]
    sings = np.zeros(400, np.bool_)
    for start, end in ((2.0, 8.0), (12.0, 14.5)):
        sings[round(start * 10) : round(end * 10)] = True
    level = np.full((36, 400), 1e-4 / 36, np.float32)
    recorded = level * np.where(sings, np.float32(1.0), np.float32(10.0))
    assert "Before and after" not in report(**facts)
    left, before = (slots_of(each, voice.facts.slots.peaks) for each in (level, recorded))
    facts["inputs"][3] = replace(voice, facts=replace(voice.facts, slots=left), recorded=before)
    page = report(**facts)
    assert page.count("10 dB less bleed when nobody is singing") >= 2
    picture = page[page.index('id="take-cleaned') : page.index("</figure>", page.index('id="take-cleaned'))]
    assert "Vox &lt;1&gt;" in picture
    before, after = re.findall(r'<path class="(?:open|own)" d="([^"]+)"', picture)[:2]
    tops = [{int(v) for v in re.findall(r"V(\d+)H", path)} for path in (before, after)]
    # 50 dB over 100 units: ten decibels are twenty units.
    assert tops == [{0, 20}, {20}]
    facts["inputs"][3] = replace(facts["inputs"][3], recorded=left)
    assert "no less bleed when nobody is singing" in report(**facts)


def test_how_much_a_compressor_raises_bleed() -> None:
    """Four decibels of reduction while the voice sings and one while it rests bring what is heard then up by three."""
    facts = rehearsal(["kick", "bass", "guitar", "vox"], seconds=40.0)
    sings = np.zeros(400, np.bool_)
    for start, end in ((2.0, 8.0), (12.0, 14.5)):
        sings[round(start * 10) : round(end * 10)] = True
    (song,) = facts["songs"]
    gain = np.where(sings, -4.0, -1.0).astype(np.float32)
    reductions = tuple((name, gain) for name, _ in song.facts.reduction_db)
    facts["songs"] = [replace(song, facts=replace(song.facts, reduction_db=reductions))]
    page = report(**facts)
    table = page[page.index("Gain of the compressors") :]
    rows = re.findall(r"<tr><th scope=\"row\"><bdi>(\w+)</bdi></th>(.*?)</tr>", table[: table.index("</table>")])
    assert {name: cells.endswith("<td>3.0 dB</td>") for name, cells in rows} == {
        "kick": False,
        "bass": False,
        "guitar": False,
        "vox": True,
    }
