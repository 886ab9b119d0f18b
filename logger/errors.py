"""Errors that this package raises on purpose."""


class StokewatchError(Exception):
    """Base of every error this package raises on purpose; its text can be shown to a person."""


class UserError(StokewatchError):
    """A mistake in what the user gave: the command says so in one line and ends with status 2.

    The text names what is wrong, where, and the fix; `field` is the wrong one of a form (None: all of it).
    """

    field: str | None = None

    def __init__(self, text: str, field: str | None = None) -> None:
        super().__init__(text)
        self.field = field or self.field


_LONGEST = 60  # characters


def shortened(value: object) -> str:
    """Write a value, however long, so that it fits into a sentence."""
    if isinstance(value, str | bytes):
        value = value[: _LONGEST + 1]
    try:
        text = repr(value)
    except (ValueError, RecursionError):  # thousands of digits; lists in lists
        return "a number with thousands of digits" if isinstance(value, int) else "lists in lists"
    return text if len(text) <= _LONGEST + 2 else f"{text[:_LONGEST]} …"
