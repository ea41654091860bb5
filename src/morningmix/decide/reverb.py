"""The reverb, a small room shared by all, and how much each input sends to it."""

from __future__ import annotations

import numpy as np

from morningmix.decide.asked import added_db
from morningmix.model.input import Input
from morningmix.model.names import with_article
from morningmix.model.plan import Reason, Reverb

WANTED_LU = -16.5
"""Level of the room re the dry mix; by the source below a quarter of listeners find -16.2 LU too wet at 1 s, more at
1.4 s."""
_LOST_DB = 2.8
"""What the low cut removes, and what the tail spreads over pauses (measured on a song)."""
_RETURNED_DB = 1.0
"""What K-weighting makes of the room of one voice while it sings (measured on three takes: 0.8 to 1.4 dB)."""
MOST_OFFSET_DB = 6.0
DRY_SEND_LU = -24.0
"""Where the send of a dry role starts once the recipe asks for more room: +12 dB makes it as wet as a voice (design
choice)."""
_SOURCE = "De Man, McNally, Reiss, JAES 65(1/2) 2017: at 1 s, -16 LU of reverb is too wet for a quarter of listeners"


def decide_reverb() -> Reverb:
    """The reverb of every song; the sends set its level."""
    return Reverb(
        room=0.45,
        damping=0.7,
        low_cut_hz=200.0,
        early_db=-3.0,
        high_db=-6.0,
        reasons=(
            Reason(
                what="room",
                because="about a second long with a few early reflections, without lows, and soft in the highs",
                source=f"design choice after {_SOURCE}",
            ),
        ),
    )


def room_offset_db(sent: float, dry: float) -> float:
    """Change of all sends that brings the room to `WANTED_LU`; `sent` is the power of the presets, `dry` the mix's.

    The room returns as much power as it is sent, less its lows.
    """
    if sent <= 0.0 or dry <= 0.0:
        return 0.0
    return round(float(np.clip(WANTED_LU + _LOST_DB - 10.0 * np.log10(sent / dry), -MOST_OFFSET_DB, MOST_OFFSET_DB)), 1)


def decide_send(input_: Input, offset_db: float) -> tuple[float | None, Reason]:
    """Send of one input in dB re its fader; None: dry."""
    wish_db, more = input_.wish.room_db, added_db(input_.wish, "room_db")
    send_db = send_of(input_, offset_db, wish_db)
    if input_.preset.send_lu is None:
        role = with_article(input_.role)
        if send_db is not None:
            return send_db, more.reason("send_db", f"{more.says}; without that {role} stays dry")
        because = f"{role} stays dry" + (", so there is no reverb to turn down" if wish_db else "")
        return None, Reason(what="send_db", because=because, source="Pestana and Reiss, JAES 2017")
    because = f"its share of one room for all, which is {-WANTED_LU:.1f} dB below the mix"
    if more.says:
        because += f"; {more.says}"
    return send_db, Reason(what="send_db", because=because, source=_SOURCE, place=more.place)


def send_of(input_: Input, offset_db: float, wish_db: float) -> float | None:
    """Send in dB re the fader, with so much more room than usual; None: dry. A dry role gets one from 0 dB up."""
    send = input_.preset.send_lu
    if send is None:
        return round(DRY_SEND_LU + offset_db, 1) + wish_db if wish_db > 0.0 else None
    return round(send.value + offset_db, 1) + wish_db


def with_room_db(send_db: float | None) -> float:
    """How much louder an input is with its room than dry, K-weighted, where it plays."""
    return 0.0 if send_db is None else float(10.0 * np.log10(1.0 + 10.0 ** ((send_db + _RETURNED_DB) / 10.0)))
