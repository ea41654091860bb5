"""Compare, show and write names as text.

File names are bytes on some systems: one that is not UTF-8 reaches Python with a lone surrogate for each odd byte
(PEP 383), which no text file can hold.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection

_JOINERS = "\u200c\u200d"
"""They shape emoji and several scripts, and do not move anything."""
_HIDDEN = {"Cc", "Cf", "Cs", "Zl", "Zp"}
_NUMBERED = re.compile(r"song\d+(?:again\d*)?")
AGAIN = " again"
"""What follows the title of a song in that of the same song played once more."""
_LIKE_AN_ODD_BYTE = re.compile(r"\\(?=x(?:[89a-f][0-9a-f]|5c))")


def plain(name: str) -> str:
    """The name without case, spaces, hyphens and underscores, in one Unicode form, for comparing spellings."""
    folded = unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())
    bare = "".join(sign for sign in folded if sign not in "-_" and not sign.isspace())
    # A name may consist of hyphens alone.
    return bare or folded.strip()


def is_numbered(plain_title: str) -> bool:
    """Whether a title, as `plain` makes it, is one that the program gave a song that nobody has named."""
    return _NUMBERED.fullmatch(plain_title) is not None


def means(written: str, name: str, names: Collection[str]) -> bool:
    """Whether `written` means `name` among `names`: the exact spelling, or by `plain` where none is exact."""
    return written == name or (written not in names and plain(written) == plain(name))


def visible(text: str) -> str:
    r"""`text` with ``\x1b`` or ``\u202e`` for characters that control a terminal, reverse the text or hide.

    An odd byte of a file name is shown as `name_as_text` writes it.
    """
    if text.isprintable():
        return text
    return "".join(_escaped(sign) if is_hidden(sign) else sign for sign in text)


def is_hidden(sign: str) -> bool:
    """Whether `visible` escapes it."""
    return unicodedata.category(sign) in _HIDDEN and sign not in _JOINERS


def _escaped(sign: str) -> str:
    code = ord(sign)
    if 0xDC80 <= code <= 0xDCFF:
        return f"\\x{code - 0xDC00:02x}"
    return f"\\x{code:02x}" if code < 0x80 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def name_as_text(name: str) -> str:
    r"""A file name in UTF-8 text, no two alike: an odd byte as ``\xff``, a backslash that would read so as ``\x5c``."""
    return re.sub(r"[\udc80-\udcff]", lambda found: _escaped(found[0]), _LIKE_AN_ODD_BYTE.sub(r"\\x5c", name))


def name_from_text(text: str) -> str:
    """The file name that `name_as_text` wrote."""

    def byte(found: re.Match[str]) -> str:
        code = int(found[1], 16)
        return chr(code if code < 0x80 else 0xDC00 + code)

    return re.sub(r"\\x([89a-f][0-9a-f]|5c)", byte, text)


_NO_ARTICLE = ("brass", "horns", "keys", "percussion", "playback", "strings", "talkback")


def with_article(role: str) -> str:
    """A role as it stands in a sentence that goes on with "has" or "is".

    >>> with_article("kick"), with_article("overhead"), with_article("keys")
    ('a kick', 'an overhead', 'an input for keys')
    """
    if role == "other":
        return "this input"
    if role in _NO_ARTICLE:
        return f"an input for {role}"
    return f"{'an' if role[0] in 'aeiou' else 'a'} {role}"
