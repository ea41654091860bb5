"""Every reason and every kind of finding that the source can give has words."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import morningmix
from morningmix.model.plan import Compressor, DeEsser, Filter, Gate, TrackPlan
from morningmix.report.decision_words import FINDINGS, Decision, filters, input_decision, song_decision
from report.test_explain import a_song

SOURCE = Path(morningmix.__file__).parent


def _calls(name: str) -> Iterator[ast.Call]:
    for path in sorted(SOURCE.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == name:
                yield node


def _text(node: ast.expr) -> str:
    """A literal; of an f-string what does not change, with a family for what does."""
    if isinstance(node, ast.JoinedStr):
        return "".join(part.value if isinstance(part, ast.Constant) else "drums" for part in node.values)
    assert isinstance(node, ast.Constant), "write it as a literal, so that this test can read it"
    return str(node.value)


def _given(name: str, keyword: str) -> set[str]:
    """What calls of `name` give as `keyword`; a value that is handed on is not counted."""
    given = [each.value for call in _calls(name) for each in call.keywords if each.arg == keyword]
    return {_text(value) for value in given if not isinstance(value, ast.Name)}


WHATS = sorted(_given("Reason", "what"))
KINDS = sorted(_given("Finding", "kind") | {_text(call.args[1]) for call in _calls("_finding")})

SQUEEZE = Compressor(threshold_db=-18.0, ratio=2.0, knee_db=6.0, attack_s=0.01, release_s=0.1, max_reduction_db=6.0)
BARE = TrackPlan(files=("a.wav",), name="a", role="bass", role_is_guess=False, family="bass")
FULL = TrackPlan(
    files=("a.wav",),
    name="a",
    role="lead vocal",
    role_is_guess=True,
    family="vocals",
    cleaned=True,
    flip=True,
    delay_s=0.002,
    repair_s=0.003,
    gain_step=(-3.0, 6.0),
    ducked_s=((1.0, 2.0),),
    gain_db=3.0,
    filters=(
        Filter(kind="high_pass", corner_hz=100.0),
        Filter(kind="low_pass", corner_hz=5000.0),
        Filter(kind="peak", corner_hz=900.0, gain_db=-3.0, q=1.0),
        Filter(kind="low_shelf", corner_hz=200.0, gain_db=2.0),
        Filter(kind="high_shelf", corner_hz=4000.0, gain_db=-1.5),
    ),
    gate=Gate(open_s=((0.0, 1.0),), floor_db=-20.0, ramp_s=0.1),
    de_esser=DeEsser(corner_hz=5000.0, compressor=SQUEEZE),
    compressor=SQUEEZE,
    fader_db=-3.0,
    ride=((0.0, -2.0), (1.0, 2.0)),
    pan=0.3,
    send_db=-12.0,
)


def _worded(decision: Decision) -> bool:
    return bool(decision.heading and decision.value and decision.says)


def test_the_source_is_read() -> None:
    assert {"gain_db", "repair_s", "tone_db", "trim drums"} <= set(WHATS)
    assert {"feedback", "clipped", "left out", "damaged"} <= set(KINDS)


@pytest.mark.parametrize("what", WHATS)
def test_every_reason_has_words(what: str) -> None:
    plan, master, _ = a_song("Song", BARE)
    for track in (BARE, FULL):
        assert _worded(input_decision(what, track)) or _worded(song_decision(what, plan, master))


@pytest.mark.parametrize("what", WHATS)
def test_no_words_name_a_field_of_the_plan(what: str) -> None:
    for decision in (
        input_decision(what, BARE),
        input_decision(what, FULL),
        song_decision(what, *a_song("S", FULL)[:2]),
    ):
        if decision.value:
            assert "_" not in f"{decision.heading}{decision.value}{decision.says}"


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_finding_has_words(kind: str) -> None:
    assert FINDINGS[kind]


def test_a_reason_of_an_old_sheet_stands_for_itself() -> None:
    assert input_decision("something_new", BARE) == Decision(heading="Something new", value="", says="Something new")


def test_filters_and_tone_in_words() -> None:
    minus = "\N{MINUS SIGN}"
    assert filters(FULL) == (
        f"high-pass 100 Hz, low-pass 5 kHz, {minus}3.0 dB at 900 Hz, +2.0 dB below 200 Hz, {minus}1.5 dB above 4 kHz"
    )
    assert input_decision("low_shelf_hz", FULL).says == "Lows +2.0 dB below 200 Hz"
    assert input_decision("high_shelf_hz", FULL).says == f"Highs {minus}1.5 dB above 4 kHz"
    assert input_decision("high_shelf_hz", BARE).says == "Highs left as they are"
