"""What the mirror remembers, and that there is one at most."""

from __future__ import annotations

import pytest

from logger.errors import UserError
from logger.home import Home
from logger.mirror.mirror import mirror_lock
from logger.mirror.progress import REFUSED, Refused, load_progress


def test_what_is_put_aside_does_not_fill_the_disk(home: Home, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("logger.mirror.progress.MOST_REFUSED_BYTES", 60)
    refused = Refused(home.root)
    for n in range(100):
        refused.add([f"reading,n={n} c=1"], "odd")
    assert refused.count == 100
    assert (home.root / REFUSED).stat().st_size < 200


def test_one_mirror_a_folder(home: Home) -> None:
    with mirror_lock(home), pytest.raises(UserError, match="already running"), mirror_lock(home):
        pass


def test_progress_survives_what_it_finds(home: Home) -> None:
    for text in ("", "{}", "[]", '{"target": 1, "file": "x", "cursor": {}, "health": {}}', "\0" * 9):
        (home.root / "mirror.json").write_text(text)
        assert load_progress(home.root) is None
