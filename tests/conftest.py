"""For all tests: hypothesis without a clock (the machine may be busy), and the same examples every time."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("steady", deadline=None, derandomize=True, print_blob=False)
settings.load_profile("steady")
