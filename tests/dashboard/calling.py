"""Calls a callback of the page as a browser does: by a request to Dash's endpoint."""

from __future__ import annotations

import json
import time
from typing import Any

import pytest
from fastapi.testclient import TestClient

from dashboard.app import Page


class Browser:
    """Calls callbacks of a page by requests to Dash's endpoint."""

    def __init__(self, client: TestClient, app: Page) -> None:
        self.client, self.app = client, app

    def call(
        self, output: str, values: dict[str, Any], *, triggered: str, many: Any = None
    ) -> dict[str, Any]:
        """Call the callback whose outputs' name contains `output`; return what it sets, by component id.

        If there are several (as for an empty `output`), the one that `triggered` calls.

        Parameters
        ----------
        values : dict
            By `id.property`, of inputs and states; None if left out.
        triggered : str
            `id.property`.
        many : dict, optional
            For pattern ids: by their JSON, a list of (id, value).
        """

        def calls(each: dict[str, str]) -> bool:
            own, end = each["id"], f".{each['property']}"
            pattern = own in (many or {}) and triggered.startswith("{") and triggered.endswith(end)
            return pattern or own + end == triggered

        names = [name for name in self.app.callback_map if output in name]
        if len(names) > 1:
            names = [name for name in names if any(map(calls, self.app.callback_map[name]["inputs"]))]
        [name] = names
        spec = self.app.callback_map[name]

        def part(each: dict[str, str]) -> Any:
            if each["id"].startswith("{"):
                found = (many or {}).get(each["id"], [])
                own = each["property"]
                return [{"id": i, "property": own, "value": i if own == "id" else v} for i, v in found]
            return {**each, "value": values.get(f"{each['id']}.{each['property']}")}

        def out(each: Any) -> Any:
            own = each.component_id_str()
            if own.startswith("{"):
                return [{"id": i, "property": each.component_property} for i, _ in (many or {}).get(own, [])]
            return {"id": own, "property": each.component_property}

        outputs = spec["output"]
        body = {
            "output": name,
            "outputs": [out(o) for o in outputs] if isinstance(outputs, list | tuple) else out(outputs),
            "inputs": [part(each) for each in spec["inputs"]],
            "state": [part(each) for each in spec["state"]],
            "changedPropIds": [triggered],
        }
        answer = self.client.post(
            "/_dash-update-component", content=json.dumps(body), headers={"content-type": "application/json"}
        )
        assert answer.status_code in (200, 204), answer.text
        if answer.status_code == 204:
            return {}
        told = answer.json()
        # What a callback sets besides its outputs, such as a notice.
        return {**told.get("response", {}), **told.get("sideUpdate", {})}

    def follow(self, page: str, values: dict[str, Any]) -> dict[str, Any]:
        """Ask how far a page's work is, as its interval does, until it is over."""
        end = time.monotonic() + 120
        while time.monotonic() < end:
            told = self.call(f"{page}-progress.value", values, triggered=f"{page}-poll.n_intervals")
            if told[f"{page}-poll"]["disabled"]:
                return told
        pytest.fail("never over")


def text_of(component: Any) -> str:
    """All words of a component, as sent to the browser."""
    if isinstance(component, dict):
        return text_of(component.get("props", {}).get("children"))
    if isinstance(component, list):
        return " ".join(text_of(each) for each in component)
    return "" if component is None else str(component)
