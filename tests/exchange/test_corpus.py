"""Awkward files, what must come out of each, and every way forward that a refusal names, tried on the file it is for.

The files in `corpus/` are invented, modelled on what loggers write, except `real_*`: extracts (the first and last rows)
of files measured by others, whose sources and licences `corpus.json` names: US government works in the public domain
(github firemodels/exp, 39d8b73) and CC-BY 4.0 (github devanmcg/FireScienceDIY, 1e730f6).
"""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from logger.exchange.csv_in import read_csv
from logger.exchange.csv_merge import CsvFiring
from logger.exchange.csv_table import CsvError, CsvOptions, Hint

FOLDER = Path(__file__).parent / "corpus"
CORPUS: dict[str, dict[str, Any]] = json.loads((FOLDER / "corpus.json").read_text(encoding="utf-8"))

NEVER = [name for name, wanted in CORPUS.items() if "never" in wanted]
READABLE = [name for name in CORPUS if name not in NEVER]


def options_of(said: dict[str, Any]) -> CsvOptions:
    return CsvOptions(**{k: tuple(v) if isinstance(v, list) else v for k, v in said.items()})


def row(values: np.ndarray) -> list[float | None]:
    return [None if np.isnan(v) else float(v) for v in values]


def test_the_corpus_is_whole() -> None:
    assert set(CORPUS) == {p.name for p in FOLDER.iterdir()} - {"corpus.json", ".gitattributes", "README.md"}
    assert len(CORPUS) >= 250


@pytest.mark.parametrize("name", NEVER)
def test_what_has_no_times_is_refused_without_a_way_into_garbage(name: str) -> None:
    """Such a file has no date and time for each reading, or no table: only a person can put that right."""
    with pytest.raises(CsvError) as caught:
        read_csv(FOLDER / name)
    assert caught.value.code == CORPUS[name]["never"], caught.value
    assert all(hint.value is None for hint in caught.value.hints), caught.value
    for words in CORPUS[name]["said"]:
        assert words in str(caught.value)


@pytest.mark.parametrize("name", READABLE)
def test_what_must_come_out(name: str) -> None:
    wanted = CORPUS[name]
    if "refused" in wanted:
        with pytest.raises(CsvError) as caught:
            read_csv(FOLDER / name)
        assert caught.value.code == wanted["refused"], caught.value
        assert caught.value.hints, caught.value
    if "asked" in wanted:
        with pytest.raises(CsvError) as caught:
            read_csv(FOLDER / name, options_of(wanted["asked"]))
        assert caught.value.code == wanted["asked_refused"], caught.value
    firing = read_csv(FOLDER / name, options_of(wanted.get("options", {})))
    assert list(firing.names) == wanted["names"]
    if "t_last_s" in wanted:
        assert firing.t_s[-1] == pytest.approx(wanted["t_last_s"], abs=0.01)
    assert firing.start == (datetime.fromisoformat(wanted["start"]) if "start" in wanted else None)
    assert row(firing.temperature_c[0]) == pytest.approx(wanted["first"], abs=0.06)
    assert row(firing.temperature_c[-1]) == pytest.approx(wanted["last"], abs=0.06)
    assert {column for column, _ in firing.left_out} == set(wanted.get("left_out", []))
    assert firing.readings == wanted.get("readings", np.count_nonzero(~np.isnan(firing.temperature_c)))
    for words in wanted.get("said", []):
        assert any(words in said for said in firing.said()), firing.said()


def sensible(firing: CsvFiring, wanted: dict[str, Any]) -> bool:
    """Only the file's own probes, on a time line, no hotter than a fire can be."""
    known = set(wanted["names"]) | set(wanted.get("also", []))
    found = firing.temperature_c[~np.isnan(firing.temperature_c)]
    return (
        set(firing.names) <= known
        and bool((np.diff(firing.t_us) > 0).all())
        and len(found) > 0
        and bool(((found > -60) & (found < 1500)).all())
    )


def taken(options: CsvOptions, hint: Hint, answers: dict[str, Any]) -> CsvOptions:
    """What somebody says who follows a hint."""
    value = answers[hint.field] if hint.value is None else hint.value
    if isinstance(getattr(CsvOptions(), hint.field), tuple):
        value = (*getattr(options, hint.field), *(value if isinstance(value, (tuple, list)) else (value,)))
    return replace(options, **{hint.field: value})


def follow(path: Path, options: CsvOptions, wanted: dict[str, Any], depth: int = 0) -> int:
    """Try a file and, if it is refused, each way forward; count those that were tried."""
    try:
        firing = read_csv(path, options)
    except CsvError as exc:
        refused = exc
    else:
        assert sensible(firing, wanted), f"{options} leads to {firing.names}, {firing.temperature_c}"
        return 0
    assert depth < 4, f"{refused}: leads nowhere"
    answers = wanted.get("answers", {})
    known = [hint for hint in refused.hints if hint.value is not None or hint.field in answers]
    assert known, f"{refused}: no way on, or none that the test answers"
    return sum(1 + follow(path, taken(options, hint, answers), wanted, depth + 1) for hint in known)


@pytest.mark.parametrize("name", READABLE)
def test_every_way_on_is_one(name: str) -> None:
    tried = follow(FOLDER / name, CsvOptions(), CORPUS[name])
    if "refused" in CORPUS[name]:
        assert tried
    if "asked" in CORPUS[name]:
        assert follow(FOLDER / name, options_of(CORPUS[name]["asked"]), CORPUS[name])
