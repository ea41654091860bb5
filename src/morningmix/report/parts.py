"""Pieces of HTML that every section of the page is made of."""

from __future__ import annotations

from collections.abc import Sequence


def wrapped(content: str) -> str:
    """Content as wide as the text."""
    return f'<div class="inside">{content}</div>'


def figure(heading: str, picture: str, legend: str, alternative: str) -> str:
    """A picture under its heading; all but the heading's words are HTML."""
    return f"<figure><h3>{heading}</h3>{picture}<figcaption>{legend}</figcaption>{alternative}</figure>"


def table(caption: str, head: Sequence[str], rows: Sequence[Sequence[str]], *, wordy: int = 0) -> str:
    """A table in a region of its own that scrolls with the keys too; the cells are HTML.

    The last `wordy` columns hold sentences.
    """
    tops = "".join(f'<th scope="col">{cell}</th>' for cell in head)
    lines = []
    for first, *rest in rows:
        cells = "".join(
            f'<td class="words">{cell}</td>' if place >= len(rest) - wordy else f"<td>{cell}</td>"
            for place, cell in enumerate(rest)
        )
        lines.append(f'<tr><th scope="row">{first}</th>{cells}</tr>')
    return (
        f'<div class="scroll" tabindex="0" role="group" aria-label="{caption}"><table><caption>{caption}</caption>'
        f"<thead><tr>{tops}</tr></thead><tbody>{''.join(lines)}</tbody></table></div>"
    )


def in_numbers(table: str) -> str:
    """A table to be opened under a picture."""
    return f"<details><summary>The same in numbers</summary>{table}</details>"


def in_percent(share: float) -> str:
    """A share in words."""
    return f"{100 * share:.0f} %" if share >= 0.01 else "less than 1 %"
