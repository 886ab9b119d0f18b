"""Errors that this package raises on purpose."""


class StokewatchError(Exception):
    """Base of every error this package raises on purpose; its text is fit to be shown to a person."""


class UserError(StokewatchError):
    """Something the user gave is wrong: the command says so in one line and ends with status 2.

    The text names what is wrong, where it stands, and the mend.
    """
