"""Build drawings (SVG) in which no name or note can ever be taken for markup."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

from markupsafe import Markup

INK, SOFT, RULE, FAINT, BAND, ALARM = "#1c1410", "#4a3a30", "#6e5544", "#e2d5be", "#f3ead9", "#9c1400"
HALO: Final[dict[str, Any]] = {"paint_order": "stroke", "stroke": "#fdfaf3", "stroke_width": 3}
FACE: Final = "Charter, 'Bitstream Charter', 'DejaVu Serif', Georgia, serif"
FONT: Final = 16


def el(tag: str, inside: str = "", /, **attributes: object) -> Markup:
    """Make an element; what is inside is escaped unless it is markup already.

    `class_` stands for `class`, other underscores in attribute names for hyphens; None is left out.
    """
    given = Markup().join(
        Markup(' {}="{}"').format(name.rstrip("_").replace("_", "-"), _written(value))
        for name, value in attributes.items()
        if value is not None
    )
    return Markup("<{0}{1}>{2}</{0}>").format(tag, given, plain(inside))


def picture(width: float, height: float, label: str, parts: Iterable[Markup], **more: object) -> Markup:
    """Put a picture together, with a label for screen readers."""
    return el(
        "svg",
        Markup().join(parts),
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"0 0 {width:g} {height:g}",
        role="img",
        font_family=FACE,
        font_size=FONT,
        aria_label=label,
        **more,
    )


def stroke(d: str, colour: str = INK, width: float = 1, **more: object) -> Markup:
    """Draw a line along a path."""
    return el("path", d=d, stroke=colour, stroke_width=width, **more)


def words(text: str, x: float, y: float, colour: str = INK, **more: object) -> Markup:
    """Write on a picture."""
    return el("text", text, x=x, y=y, fill=colour, **more)


def plain(text: str) -> str:
    """Remove what neither HTML nor XML may contain: control characters, and halves of surrogate pairs."""
    if isinstance(text, Markup):
        return text
    return "".join(c for c in text if c == "\n" or (c.isprintable() and not "\ud800" <= c <= "\udfff"))


def _written(value: object) -> str:
    return f"{round(value, 2):g}" if isinstance(value, float) else plain(str(value))
