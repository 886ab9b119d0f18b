"""Builds drawings (SVG) as trees, so that no name and no note can ever be taken for markup."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from typing import Final

Element = ET.Element
Child = Element | str | None

SVG: Final = "http://www.w3.org/2000/svg"


def el(tag: str, *children: Child, **attributes: object) -> Element:
    """Make an element; text stays text.

    `class_` stands for `class`, other underscores in names of attributes for hyphens; None is left out.
    """
    made = ET.Element(
        tag,
        {
            name.rstrip("_").replace("_", "-"): plain(str(value))
            for name, value in attributes.items()
            if value is not None
        },
    )
    return add(made, *children)


def add(parent: Element, *children: Child) -> Element:
    """Put more into an element; give the parent."""
    for child in children:
        if child is None:
            continue
        if isinstance(child, ET.Element):
            parent.append(child)
        elif len(parent):
            parent[-1].tail = (parent[-1].tail or "") + plain(child)
        else:
            parent.text = (parent.text or "") + plain(child)
    return parent


def plain(text: str) -> str:
    """Take out what neither HTML nor XML may hold: control characters, and halves of surrogate pairs."""
    return "".join(c for c in text if c == "\n" or (c.isprintable() and not "\ud800" <= c <= "\udfff"))


def html(root: Element) -> str:
    """Write an element as it stands in a page."""
    return ET.tostring(root, encoding="unicode", method="html")
