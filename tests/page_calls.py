"""A call of a page's callback as a browser sends it, for tests of who may act."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any

CALLBACKS = "/_dash-update-component"


def ending(outputs: Iterable[str]) -> dict[str, Any]:
    """Build what a browser sends when somebody ends the firing.

    Parameters
    ----------
    outputs : iterable of str
        Names of the page's callbacks: keys of `app.callback_map`, or `output` in `/_dash-dependencies`.
    """
    name = next(n for n in outputs if "end-dialog.opened" in n and "fire-done" in n)
    mark = next(iter(re.findall(r"@[0-9a-f]+", name)), "")
    return {
        "output": name,
        "outputs": [
            {"id": "end-dialog", "property": f"opened{mark}"},
            {"id": "fire-done", "property": f"children{mark}"},
        ],
        "inputs": [
            {"id": "end-now", "property": "n_clicks", "value": 1},
            {"id": "end-not", "property": "n_clicks"},
        ],
        "changedPropIds": ["end-now.n_clicks"],
    }
