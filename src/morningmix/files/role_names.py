"""Roles as people write them."""

from __future__ import annotations

from collections.abc import Mapping

from morningmix.files.presets import load_roles, role_from_name
from morningmix.files.toml_lines import did_you_mean
from morningmix.model.names import plain
from morningmix.model.presets import RolePreset

GUESS = "?"
"""Mark behind a role that nobody has confirmed."""


def known_role(value: str | None) -> str | None:
    """A role as the presets spell it, a guess's mark kept. Raises `ValueError`, in words that follow the key's name."""
    if value is None:
        return None
    roles = load_roles()
    guess = GUESS if value.endswith(GUESS) else ""
    value = value.removesuffix(GUESS)
    for role in roles:
        if plain(role) == plain(value):
            return role + guess
    raise ValueError(f'"{value}" is not known.{_roles_like(value, roles)}')


_VOCALS = ("lead vocal", "backing vocal")
_ALSO_CALLED = {
    "singer": _VOCALS,
    "singing": _VOCALS,
    "voice": _VOCALS,
    "vox": _VOCALS,
    "mic": _VOCALS,
    "microphone": _VOCALS,
    "choir": ("backing vocal",),
    "gtr": ("acoustic guitar", "electric guitar"),
    "drummer": ("drum kit",),
    "cymbal": ("overhead", "hi-hat"),
    "horn": ("brass",),
    "track": ("playback",),
}
"""What people call a role besides its own name, in the singular. Common practice, no source."""


def _roles_like(value: str, roles: Mapping[str, RolePreset]) -> str:
    """Roles that somebody may have meant: by what people call them first, then by words of track names, then by
    spelling."""
    word = plain(value).removesuffix("s")
    meant = [role for role in roles if len(word) >= 3 and word in plain(role)] or list(_ALSO_CALLED.get(word, ()))
    if not meant and (named := role_from_name(value, roles)):
        meant = [named[0]]
    if meant:
        return " Did you mean {}?".format(" or ".join(f'"{role}"' for role in meant))
    return did_you_mean(value, roles) or f" The roles are: {', '.join(roles)}."
