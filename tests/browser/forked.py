"""The page server's process, forked from one that has its imports loaded: they are most of its start."""

from __future__ import annotations

import multiprocessing
import os
from multiprocessing.context import ForkServerProcess
from pathlib import Path


def _page(arguments: list[str], log: Path) -> None:
    from logger.cli import main

    with log.open("ab") as file:
        os.dup2(file.fileno(), 1)
        os.dup2(file.fileno(), 2)
    main(["page", *arguments])


def page(arguments: list[str], log: Path) -> ForkServerProcess:
    """Start `stokewatch page`; its output goes to a file."""
    forking = multiprocessing.get_context("forkserver")
    forking.set_forkserver_preload(["logger.cli", "dashboard.serving"])
    made = forking.Process(target=_page, args=(arguments, log), daemon=True)
    made.start()
    return made
