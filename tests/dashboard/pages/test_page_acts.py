"""What a person does reaches the logger as a request, and its answer comes back; watchers are turned away."""

from __future__ import annotations

import contextlib
from pathlib import Path

import pytest
from answering import logger_that_answers, somebody
from dash import no_update
from firing_fixture import SmallFire

from dashboard import acts
from dashboard.acts import ask
from dashboard.pages import fire as fire_page
from dashboard.pages import fire_notes
from dashboard.security.guard import RefusedError
from dashboard.shell import WAITING
from logger.errors import StokewatchError, UserError
from logger.journal.writer import JournalWriter

NOTE = {"text": "", "amount": "", "zone": "", "height_cm": None, "ago_min": 0.0}


@pytest.fixture
def journal(path: Path) -> Path:
    JournalWriter(path).close()
    return path


async def test_a_note_reaches_the_logger_and_its_answer_comes_back(journal: Path) -> None:
    with logger_that_answers(journal, {"ok": True, "event": 7}) as seen:
        answer = await ask(journal, "note", {"kind": "wood"}, "Mara")
    assert answer == {"ok": True, "event": 7}
    assert seen == [("note", NOTE | {"kind": "wood"}, "Mara")]


async def test_what_the_logger_refuses_is_said(journal: Path) -> None:
    refusal = {"ok": False, "error": "no firing is running"}
    with logger_that_answers(journal, refusal), pytest.raises(UserError, match=refusal["error"]):
        await ask(journal, "finish", {}, "page")


async def test_without_a_logger_the_request_waits(journal: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(acts, "PATIENCE_S", 0.2)
    answer = await ask(journal, "note", {"kind": "gust"}, "page")
    assert answer["waiting"] is True
    with contextlib.closing(JournalWriter(journal)) as writer:
        assert [r.id for r in writer.take_requests()] == [answer["request"]]


async def test_without_a_journal_it_fails_with_a_reason(tmp_path: Path) -> None:
    with pytest.raises(StokewatchError, match=r"none\.sqlite"):
        await ask(tmp_path / "none.sqlite", "finish", {}, "page")


async def test_a_note_in_words_keeps_its_place_and_its_time(journal: Path) -> None:
    touched = {"zone": "upper", "height_cm": 42.0}
    with somebody(journal, "Mara"), logger_that_answers(journal, {"ok": True, "event": 3}) as seen:
        done, opened, text, wrong = await fire_notes.note_text(1, " smoke clears ", "upper", touched, 5)
    data = {"kind": "text", "text": "smoke clears", "zone": "upper", "height_cm": 42.0, "ago_min": 5.0}
    assert seen == [("note", NOTE | data, "Mara")]
    assert (opened, text, wrong) == (False, "", "")
    assert done == ["Noted: smoke clears"]  # what happened earlier can't be taken back


async def test_another_place_than_the_touched_one_has_no_height(journal: Path) -> None:
    with somebody(journal), logger_that_answers(journal, {"ok": True, "event": 3}) as seen:
        await fire_notes.note_text(1, "ash", "lower", {"zone": "upper", "height_cm": 42.0}, 0)
    assert seen[0][1] == NOTE | {"kind": "text", "text": "ash", "zone": "lower"}


async def test_an_empty_note_is_no_note(journal: Path) -> None:
    with somebody(journal):
        *_, wrong = await fire_notes.note_text(1, "  ", None, None, 0)
    assert wrong == "Write a word or two."


@pytest.mark.parametrize("ago", [-5, 601, "soon"])
async def test_minutes_ago_that_cannot_be_are_refused_beside_the_words(journal: Path, ago: object) -> None:
    """They were noted as happening now."""
    with somebody(journal), logger_that_answers(journal, {"ok": True, "event": 3}) as seen:
        *_, wrong = await fire_notes.note_text(1, "ash", None, None, ago)
        _, wrong_edit, _ = await fire_notes.keep_edit(1, "ash", ago, 3)
    assert wrong == wrong_edit == f"Minutes ago: enter a number from 0 to 600, not {ago}."
    assert seen == []


async def test_watchers_are_turned_away_before_anything_is_asked(journal: Path) -> None:
    with somebody(journal, None, refusal="only an operator may do that", may_enter=True):
        with pytest.raises(RefusedError, match="operator"):
            await fire_notes.note_text(1, "words", None, None, 0)
        with pytest.raises(RefusedError):
            await fire_page.end(1, None)
    with contextlib.closing(JournalWriter(journal)) as writer:
        assert writer.take_requests() == []


async def test_a_gun_far_from_all_that_is_known_is_asked_about_once(path: Path, fire: SmallFire) -> None:
    fire.light()
    fire.burn(20)
    given = (910, 0.95, "z", None, 0, "C")
    with somebody(path), logger_that_answers(path, {"ok": True, "event": 4}) as seen, called_by("spot-keep"):
        _, opened, _, question, button, asked = await fire_notes.keep_spot(1, True, *given, None)
        assert opened is True
        assert seen == []
        assert question == (
            "910 °C, but the probes here read 21 to 36 °C. Is that the right zone, and the number the gun shows?"
        )
        assert button == "Save it anyway"
        done, opened, *_ = await fire_notes.keep_spot(2, True, *given, asked)
    assert opened is False
    data = {"temperature_c": 910.0, "emissivity": 0.95, "zone": "z", "text": "", "height_cm": None}
    assert seen == [("spot", data, "page")]
    assert done[1].id == {"type": "undo", "event": 4}


async def test_a_gun_reading_is_never_of_earlier(journal: Path) -> None:
    with (
        somebody(journal),
        logger_that_answers(journal, {"ok": True, "event": 4}) as seen,
        called_by("spot-keep"),
    ):
        _, opened, _, wrong, *_ = await fire_notes.keep_spot(1, True, 640, 0.95, "z", None, 5, "C", None)
    assert opened is True
    assert "“Minutes ago” to 0" in wrong
    assert seen == []


async def test_what_the_logger_refuses_stands_beside_the_words_and_they_stay(
    path: Path, fire: SmallFire
) -> None:
    fire.light()
    fire.burn(20)
    refusal = {"ok": False, "error": "no firing is running"}
    with somebody(path), logger_that_answers(path, refusal):
        _, opened, text, wrong = await fire_notes.note_text(1, "ash", None, None, 0)
        assert (opened, text, wrong) == (True, no_update, refusal["error"])
        assert (await fire_notes.keep_edit(1, "ash", 5, 3))[:2] == (True, refusal["error"])
        with called_by("spot-keep"):
            told = await fire_notes.keep_spot(1, True, 25, 0.95, "z", None, 0, "C", None)
        assert told[1:4] == (True, no_update, refusal["error"])


async def test_a_note_that_waits_for_the_logger_says_so_and_offers_no_undo(
    journal: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(acts, "PATIENCE_S", 0.1)
    with somebody(journal):
        done, opened, *_ = await fire_notes.note_text(1, "ash", None, None, 0)
        assert (done, opened) == ([WAITING], False)
        assert await fire_notes.keep_edit(1, "ash", 5, 3) == (False, "", WAITING)


@pytest.mark.parametrize(
    ("zone", "value", "words"),
    [
        (None, 640, "Choose where the gun pointed."),
        ("z", None, "Enter what the gun shows, in whole degrees."),
    ],
)
async def test_half_a_gun_reading_is_asked_for_the_rest(
    zone: str | None, value: int | None, words: str, journal: Path
) -> None:
    with somebody(journal), called_by("spot-keep"):
        told = await fire_notes.keep_spot(1, True, value, 0.95, zone, None, 0, "C", None)
    assert told[1:4] == (True, no_update, words)


def test_a_touched_place_is_the_notes_and_one_that_is_none_is_nowhere(path: Path, fire: SmallFire) -> None:
    fire.light()
    fire.burn(5)

    def touched(zone: object, y: object) -> dict[str, object]:
        return {"points": [{"customdata": [zone], "y": y}]}

    with somebody(path):
        _, title, options, zone, place, *_ = fire_notes.open_note(touched("z", 42.4), None, "C")
        assert (title, zone, place) == ("Note: z, 42 cm", "z", {"zone": "z", "height_cm": 42.4})
        assert [option["value"] for option in options] == ["z"]
        assert fire_notes.open_note(touched("z", 9e9), None, "C")[1] == "Note: z"
        for odd in (touched("elsewhere", 42), touched("z", "high"), {"points": []}, "nonsense"):
            assert fire_notes.open_note(odd, None, "C")[1:4:2] == ("Note", None)


async def test_a_note_that_has_gone_cannot_be_edited(path: Path, fire: SmallFire) -> None:
    fire.light()
    with pytest.raises(UserError, match="somebody has changed it"):
        fire_notes.noted(path, 99)


def test_a_note_begins_at_now_whatever_the_last_one_was_of(journal: Path) -> None:
    with somebody(journal):
        opened, *_, ago = fire_notes.open_note(None, 2, "C")
    assert (opened, ago) == (True, 0)


async def test_a_gun_in_fahrenheit_is_kept_in_celsius(path: Path, fire: SmallFire) -> None:
    fire.light()
    fire.burn(20)
    with somebody(path), logger_that_answers(path, {"ok": True, "event": 4}) as seen, called_by("spot-keep"):
        await fire_notes.keep_spot(1, True, 77, 0.95, "z", None, 0, "F", None)
    assert seen[0][1]["temperature_c"] == pytest.approx(25.0)  # 77 °F, by definition of the scale


@contextlib.contextmanager
def called_by(name: str):  # type: ignore[no-untyped-def]
    """Make a callback believe that Dash called it for this component."""
    from dash._callback_context import context_value
    from dash._utils import AttributeDict

    token = context_value.set(
        AttributeDict(
            triggered_inputs=[{"prop_id": f"{name}.n_clicks", "value": 1}], using_args_grouping=False
        )
    )
    try:
        yield
    finally:
        context_value.reset(token)
