"""Results worked out for a firing are kept; where they can't be, that costs time and nothing else."""

from __future__ import annotations

from pathlib import Path

import pytest

from dashboard.work.gathering import FOLDER, _keep


def test_what_cannot_be_kept_is_logged_and_leaves_nothing(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / FOLDER / "f1.json").mkdir(parents=True)  # in the way of the file
    _keep(tmp_path, ("f1", 1), {"zones": []})
    assert "the rehearsal of f1 could not be kept" in caplog.text
    assert [path.name for path in (tmp_path / FOLDER).iterdir()] == ["f1.json"]
