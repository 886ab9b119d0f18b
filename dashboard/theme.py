"""Colours, sizes and the typeface of the page's components."""

from typing import Any, Final

FACE: Final = '"Atkinson Hyperlegible Next", "DejaVu Sans", sans-serif'

FOR_FINGERS: Final = (
    *("Autocomplete", "Button", "Checkbox", "MultiSelect", "PasswordInput", "Select", "Slider", "Switch"),
    *("TagsInput", "Textarea", "TextInput"),
)
"""Large wherever they are."""

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
        **{name: {"defaultProps": {"size": "lg"}} for name in FOR_FINGERS},
        # What was typed stays, and is refused beside it, not changed.
        "NumberInput": {"defaultProps": {"size": "lg", "clampBehavior": "none", "hideControls": True}},
        # What a field means stands below it, so that fields side by side begin and end at one height.
        "InputWrapper": {"defaultProps": {"inputWrapperOrder": ["label", "input", "description", "error"]}},
    },
}
