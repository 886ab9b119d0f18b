"""Components as plain HTML that needs no script: the page as it stood when it was asked for. Pure.

An id becomes a class, `at-` before it: the live page has the ids. Its rules for `#zones` hold for `.at-zones`
too (`for_both`), so what stands still is as high and as wide as what takes its place.
"""

import re
from html import escape
from typing import Any, Final

_ID: Final = re.compile(r"#([A-Za-z_][\w-]*)(?=[^{}]*\{)")  # of a selector: a colour has no brace after it
_TAGS: Final = {"Link": "a", "Graph": "div", "SegmentedControl": "div"}
UNPRESSED: Final = ' disabled role="none"'
_KEPT: Final = ("href", "role", "aria-label", "aria-current")


class Markup(str):
    """What is HTML already."""


def for_both(css: str) -> str:
    """Let rules for an id hold for its class too, as strongly."""
    return _ID.sub(r":is(#\1, .at-\1)", css)


def still(part: Any, props: dict[str, dict[str, Any]]) -> str:
    """Render components as HTML; `props` by id take the place of a component's own.

    What can't be pressed yet is no button to a screen reader; what is hidden, or only a script can show, is
    left out.
    """
    if part is None or isinstance(part, str | int | float):
        return part if isinstance(part, Markup) else escape(str(part or ""))
    if isinstance(part, list | tuple):
        return "".join(still(each, props) for each in part)
    own = part.to_plotly_json()
    name = own["props"].get("id")
    has = own["props"] | (props.get(name, {}) if isinstance(name, str) else {})
    children = has.get("children")
    if has.get("hidden"):
        return ""
    if own["type"] == "MantineProvider":
        return still(children, props)
    if own["type"] == "SegmentedControl":
        children = [_segment(each["label"], each["value"] == has["value"]) for each in has["data"]]
        has["className"] = "mantine-SegmentedControl-root"
    elif own["namespace"] != "dash_html_components" and own["type"] not in _TAGS:
        return ""
    classes = [f"at-{name}"] if isinstance(name, str) else []
    classes += [has["className"]] if has.get("className") else []
    tag = _TAGS.get(own["type"], own["type"].lower())
    told = {"class": " ".join(classes)}
    if tag != "button":
        told |= {key: str(has[key]) for key in _KEPT if has.get(key)}
    written = "".join(f' {key}="{escape(value)}"' for key, value in told.items() if value)
    return f"<{tag}{written}{UNPRESSED if tag == 'button' else ''}>{still(children, props)}</{tag}>"


def _segment(label: str, is_chosen: bool) -> Markup:
    chosen = " mantine-SegmentedControl-indicator" if is_chosen else ""
    return Markup(f'<span class="mantine-SegmentedControl-label{chosen}">{escape(label)}</span>')
