"""What people write down about a firing: checked, added to what is there, shown as text."""

from __future__ import annotations

import contextlib
import unicodedata
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.journal.reader import JournalReader
from logger.journal.rows import FiringInfo
from logger.journal.writer import JournalWriter
from logger.report.describe import FIELDS, describe, described, read_description
from logger.requests import RequestError

NAMES = [field.name for field in FIELDS]


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[JournalWriter]:
    with contextlib.closing(JournalWriter(tmp_path / "journal.sqlite")) as made:
        yield made


@pytest.fixture
def firing(writer: JournalWriter) -> FiringInfo:
    facts = {"imported": ["jars.csv"], "clay": "brown", "wood": "ash"}
    return writer.open_firing("Jars", None, 1_000_000, ended_us=2_000_000, facts=facts)


def test_it_stands_in_the_journal_beside_what_was_there(writer: JournalWriter, firing: FiringInfo) -> None:
    describe(writer, firing, {"clay": " red ", "rings": "five clear", "title": "Six jars"})
    with contextlib.closing(JournalReader(writer.path)) as reader:
        found = reader.firing(firing.id)
    assert found.title == "Six jars"
    assert found.facts == {
        "imported": ["jars.csv"],
        "clay": "red",
        "wood": "ash",
        "rings": "five clear",
    }
    assert [(f.name, text) for f, text in described(found.facts)] == [
        ("clay", "red"),
        ("wood", "ash"),
        ("rings", "five clear"),
    ]


def test_an_empty_text_takes_it_away(writer: JournalWriter, firing: FiringInfo) -> None:
    changed = describe(writer, firing, {"clay": "  "})
    assert changed.facts == {"imported": ["jars.csv"], "wood": "ash"}
    assert changed.title == "Jars"


def test_two_people_write_different_fields(writer: JournalWriter, firing: FiringInfo) -> None:
    """Each has seen the firing as it was before the other wrote."""
    describe(writer, firing, {"slip": "red"})
    changed = describe(writer, firing, {"pots": "six jars"})
    assert changed.facts["slip"] == "red"
    assert changed.facts["pots"] == "six jars"


@pytest.mark.parametrize(
    ("data", "words", "field"),
    [
        ({}, "nothing to write down", None),
        ({"colour": "red"}, "no such field", None),
        ({"imported": "x"}, "no such field", None),
        ({"clay": 7}, "clay: 7 is not text", "clay"),
        ({"clay": "x" * 1001}, "clay: longer than 1000", "clay"),
        ({"title": " "}, "title: empty", "title"),
        ({"title": "a\nb"}, "title: has a line break", "title"),
    ],
)
def test_what_is_refused(
    data: dict[str, object], words: str, field: str | None, writer: JournalWriter, firing: FiringInfo
) -> None:
    with pytest.raises(RequestError, match=words) as refused:
        describe(writer, firing, {**data, **({"wood": "oak"} if data else {})})
    assert refused.value.field == field
    assert writer.firing(firing.id).facts == firing.facts  # nothing half-written


@given(st.sampled_from(NAMES), st.text(max_size=200))
def test_any_text_is_kept_as_text(name: str, text: str) -> None:
    kept = read_description({name: text})[name]
    assert not any(unicodedata.category(c) == "Cc" for c in kept if c != "\n")
    letters = [c for c in text if c.isprintable() and not c.isspace()]
    assert [c for c in kept if c.isprintable() and not c.isspace()] == letters


def test_beside_a_logger_that_writes(writer: JournalWriter, firing: FiringInfo) -> None:
    """The page writes through a connection of its own, as an import does; neither loses anything."""
    with contextlib.closing(JournalWriter(writer.path)) as page:
        writer.add_event(firing.id, 1_500_000, "note", {"kind": "gust"})
        describe(page, page.firing(firing.id), {"clay": "red"})
        writer.add_event(firing.id, 1_600_000, "note", {"kind": "rain"})
        writer.change_firing(firing.id, title="Renamed")
    with contextlib.closing(JournalReader(writer.path)) as reader:
        found = reader.firing(firing.id)
        assert found.facts["clay"] == "red"
        assert found.title == "Renamed"
        assert len(reader.events(firing.id)) == 2
