"""Colours, sizes and the typeface of the page's components."""

from __future__ import annotations

from typing import Any, Final

FACE: Final = '"Atkinson Hyperlegible Next", "DejaVu Sans", sans-serif'

THEME: Final[dict[str, Any]] = {
    "fontFamily": FACE,
    "headings": {"fontFamily": FACE},
    "primaryColor": "dark",  # colour is for heat and alarms alone
    "primaryShade": 9,
    "autoContrast": True,
    "defaultRadius": "sm",
    "fontSizes": {"xs": "15px", "sm": "16px", "md": "17px", "lg": "19px", "xl": "22px"},
    "cursorType": "pointer",
    "respectReducedMotion": True,
    "components": {
        **{name: {"defaultProps": {"size": "md"}} for name in ("Button", "TextInput", "Select", "Textarea")},
        # What a field means stands below it, so that fields side by side begin and end at one height.
        "InputWrapper": {"defaultProps": {"inputWrapperOrder": ["label", "input", "description", "error"]}},
    },
}
