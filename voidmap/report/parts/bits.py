"""Small pieces of HTML that several sections share."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable
from html import escape

from voidmap.corrections.keep import frame_of
from voidmap.records import CoatRecord
from voidmap.report.nouns import Sheet


def bullets(lines: Iterable[str]) -> str:
    """Return plain lines as a list; nothing when there are none."""
    items = "".join(f"<li>{escape(line)}</li>" for line in lines)
    return f"<ul>{items}</ul>" if items else ""


def with_options(words: str) -> str:
    """Return words as HTML in which no option of a command is broken over two lines."""
    return re.sub(r"--[a-z-]+[a-z]", r'<span class="option">\g<0></span>', escape(words))


def tick(words: str, inside: str) -> str:
    """Return a box to tick with HTML beside it; its state is kept under the words that it stands for."""
    key = hashlib.sha256(words.encode()).hexdigest()[:12]
    return f'<label class="tick"><input type="checkbox" data-tick="{key}"> <span>{inside}</span></label>'


def checks(lines: Iterable[tuple[str, str]]) -> str:
    """Return (what to do, where) as a checklist."""
    items = []
    for what, where in lines:
        words = escape(what[:1].upper() + what[1:])
        items.append(f"<li>{tick(f'{what}: {where}', f'{words}: <b>{escape(where)}</b>')}</li>")
    return f'<ul class="check">{"".join(items)}</ul>' if items else ""


def zoom(view: str, what: str) -> str:
    """Return the two buttons that make a picture smaller and larger."""
    return (
        f'<button type="button" class="zoom" data-view="{view}" data-zoom="0.5" aria-label="{what} smaller">−</button> '
        f'<button type="button" class="zoom" data-view="{view}" data-zoom="2" aria-label="{what} larger">+</button>'
    )


def date_of(taken: str | None) -> str:
    """Return a photo's date and time for people."""
    return (taken or "date unknown").replace("T", " ")[:16]


def count_words(coat: CoatRecord) -> str:
    """Return a coat's count with its interval."""
    lo, hi = coat.count_interval
    return f"{coat.count} pinholes seen, {lo:.0f} to {hi:.0f} are there"


def in_register(sheet: Sheet) -> bool:
    """Whether the slab's picture and the coats' lie in one frame."""
    return sheet.intake is not None and any(c.frame_outline_mm == frame_of(sheet.intake) for c in sheet.coats[:1])
