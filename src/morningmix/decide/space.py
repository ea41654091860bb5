"""One small common room: which room, and who sends how much into it."""

from __future__ import annotations

from morningmix.facts import Input
from morningmix.plan import Reason, Reverb

_SOURCE = "De Man, McNally, Reiss, JAES 65(1/2) 2017: at 1 s, -16 LU of reverb is too wet for a quarter of listeners"


def decide_reverb() -> Reverb:
    """The room. Its amount is set per track by the sends."""
    return Reverb(
        room=0.45,
        damping=0.5,
        low_cut_hz=200.0,
        reasons=(
            Reason(
                what="room", because="about a second, its low end kept out", source=f"design choice after {_SOURCE}"
            ),
        ),
    )


def decide_send(one: Input) -> tuple[float | None, Reason]:
    """Send of one input in dB re its fader; None: dry."""
    send = one.preset.send_lu
    if send is None:
        return None, Reason(what="send_db", because=f"{one.role} stays dry", source="Pestana and Reiss, JAES 2017")
    return send.value, Reason(what="send_db", because="a little common space", source=send.source)
