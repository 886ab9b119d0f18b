"""A tablet that follows the journal gets each reading once, in whatever order writing, looking and reloading happen."""

from __future__ import annotations

import contextlib
import itertools
import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from page_journal import START_S, START_US, in_journal, make_batch, open_firing

from dashboard.live.board import Board
from dashboard.live.watch import Watcher
from logger.journal.writer import JournalWriter

NAN = float("nan")


@pytest.mark.slow
# Without the phase that explains failures, which traces every line.
@settings(max_examples=20, phases=[Phase.generate, Phase.shrink])
@given(data=st.data())
def test_each_reading_once(data: st.DataObject) -> None:
    """Two rigs at their own rates, minutes packed on the way; writing goes on between look and snapshot."""
    draw = data.draw
    rng = np.random.default_rng(draw(st.integers(0, 1000)))
    next_s = {"a1": 0.0, "b2": 0.3}

    def write() -> None:
        for rig, names in (("a1", ("k0", "k1")), ("b2", ("k0",))):
            steps = draw(st.lists(st.sampled_from([0.25, 1.0, 7.0]), max_size=10))
            if not steps:
                continue
            t = next_s[rig] + np.cumsum(steps)
            next_s[rig] = float(t[-1])
            values = rng.uniform(20, 900, (len(t), len(names))).round(3)
            values[rng.random(values.shape) < 0.1] = NAN
            t_us = START_US + np.round(t * 1e6).astype(np.int64)
            writer.append(firing, make_batch(t_us, values, rig=rig, names=names))

    def follow(board: Board) -> Board:
        found = watcher.look(START_S, board)
        if writing:
            write()
        if found == "afresh" or draw(st.booleans()):
            board = watcher.board()
        if draw(st.integers(0, 5)) == 0:
            watcher.board(600.0)  # somebody else's reload must change nothing for this one
        return board

    def measured(board: Board) -> list[list[tuple[float, float]]]:
        """What a line began with, and what was added to it."""
        found = []
        for line, (t_s, c) in zip(board.lines, board.points, strict=True):
            drawn = [*zip(line.t_s.round(3).tolist(), line.c.tolist(), strict=True)]
            drawn += [(t, NAN if v is None else v) for t, v in zip(t_s, c, strict=True)]
            found.append([(t, v) for t, v in drawn if v == v])
            assert all(a < b for (a, _), (b, _) in itertools.pairwise(found[-1])), "twice, or out of order"
        return found

    with tempfile.TemporaryDirectory() as folder, contextlib.ExitStack() as opened:
        path = Path(folder) / "journal.sqlite"
        writer = opened.enter_context(contextlib.closing(JournalWriter(path)))
        watcher = opened.enter_context(contextlib.closing(Watcher(path)))
        firing = open_firing(writer)
        board, writing = Board(), True
        for _ in range(draw(st.integers(1, 10))):
            write()
            board = follow(board)
        writing = False
        board = follow(board)
        assert measured(board) == in_journal(path, firing)
