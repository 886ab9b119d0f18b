"""Calls a callback of the page as a browser does: by a request to Dash's endpoint."""

from __future__ import annotations

import json
from typing import Any

from fastapi.testclient import TestClient

from dashboard.app import Page


def call(
    client: TestClient, app: Page, output: str, values: dict[str, Any], *, triggered: str, many: Any = None
) -> dict[str, Any]:
    """Call the callback whose outputs' name contains `output`; return what it sets, by component id.

    If there are several, the one that `triggered` calls.

    Parameters
    ----------
    values : dict
        By `id.property`, of inputs and states; None if left out.
    triggered : str
        `id.property`.
    many : dict, optional
        For pattern ids: by their JSON, a list of (id, value).
    """
    names = [name for name in app.callback_map if output in name]
    if len(names) > 1:
        names = [
            name
            for name in names
            if any(
                f"{each['id']}.{each['property']}" == triggered for each in app.callback_map[name]["inputs"]
            )
        ]
    [name] = names
    spec = app.callback_map[name]

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
    answer = client.post(
        "/_dash-update-component", content=json.dumps(body), headers={"content-type": "application/json"}
    )
    assert answer.status_code in (200, 204), answer.text
    if answer.status_code == 204:
        return {}
    told = answer.json()
    # What a callback sets besides its outputs, such as a notice.
    return {**told.get("response", {}), **told.get("sideUpdate", {})}


def text_of(component: Any) -> str:
    """All words of a component, as sent to the browser."""
    if isinstance(component, dict):
        return text_of(component.get("props", {}).get("children"))
    if isinstance(component, list):
        return " ".join(text_of(each) for each in component)
    return "" if component is None else str(component)
