"""Take a rig's lines as they come in, and report what is right and wrong with them. No I/O, no clock.

The logger drops bad lines and goes on; this says why they are bad, and how to fix it.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, Final

from logger.conversion.printed import fields, is_text
from logger.diagnosis.channels import about_channels
from logger.diagnosis.checksum import explain_checksum
from logger.diagnosis.finding import Finding, bad, check, good, in_a_line, worst_first
from logger.diagnosis.order import about_clock, about_seq
from logger.reading import Frame
from logger.rig_line.dialogue import About, BeaconAnswer, decode_answer, is_answer
from logger.rig_line.wire import BadCrc, Malformed, decode, is_chatter
from logger.sources.plain.reader import LineReader, doubt

MOST_LINES: Final = 200_000
"""Most lines kept for the report; later ones are only counted."""
_LATELY: Final = 200
"""Lines of text that are looked at."""


_LEVELS: Final = {"pass": "good", "warn": "check", "fail": "bad"}
_MARKS: Final = {"pass": "   ok", "warn": "check", "fail": "WRONG"}


@dataclass(frozen=True, slots=True)
class Report:
    """What is right and wrong with a rig's lines."""

    right: bool  # there were frames, and nothing is bad
    frames: int
    bad_crc: int
    malformed: int
    findings: list[Finding]
    rigs: list[About]  # rigs that answered `?`

    def as_dict(self) -> dict[str, Any]:
        """Return it as JSON."""
        return {
            "right": self.right,
            "frames": self.frames,
            "bad_crc": self.bad_crc,
            "malformed": self.malformed,
            "findings": [
                {"level": _LEVELS[f.level], "about": _about(f), "text": f.text, "mend": f.mend}
                for f in self.findings
            ],
            "rigs": [{f: getattr(r, f) for f in r.__struct_fields__} for r in self.rigs],
        }

    def text(self) -> str:
        """Return it in plain words, one finding per line, the worst first."""
        lines = [in_a_line(f, _about(f), _MARKS) for f in worst_first(self.findings)]
        return "\n".join([*lines, f"The lines are {'right' if self.right else 'not right yet'}."])


def _about(finding: Finding) -> str:
    return ", ".join(filter(None, (finding.where, finding.what)))


_RESETS: Final = {
    "power": good("start", "power coming on (a brown-out looks the same on most boards)"),
    "pin": good("start", "its reset pin, or a computer opening its port"),
    "soft": good("start", "its own program, or somebody at its prompt"),
    "sleep": good("start", "waking from sleep"),
    "watchdog": check(
        "start",
        "its watchdog: the program hung",
        "look for a chip or wire that blocks the bus; a supply that sags under load does it too",
    ),
    "brownout": check(
        "start",
        "a brown-out: its supply sagged",
        "use a stronger supply or battery, a shorter USB lead, or a capacitor beside the board",
    ),
}
"""By `reset` (wire_format.md): what started the rig, and the fix."""


def _about_answer(about: About) -> Iterator[Finding]:
    channels = ", ".join(f"{name} ({chip})" for name, chip in about.ch.items())
    text = f"rig {about.rig}, {about.program or 'no program named'}: {channels}"
    yield good("answer to ?", text)
    if about.reset not in ("", "unknown"):
        found = _RESETS.get(about.reset, good("start", about.reset[:40]))
        yield replace(found, text=f"rig {about.rig} was last started by {found.text}")
    if about.lost or about.missed:
        text = f"since power-on {about.lost} frames found no room, {about.missed} samples were missed"
        yield check("answer to ?", text, "give kept frames more room; sample less often")


def _is_another(line: bytes) -> bool:
    """Say whether a line is numbers of a rig that doesn't speak the rig's line, in JSON or with signs."""
    return b'"ch"' not in line and b'"seq"' not in line and is_text(line) and bool(fields(line))


class Diagnosis:
    """Collects lines and reports on them."""

    def __init__(self) -> None:
        self._rigs: dict[str, list[tuple[Frame, float]]] = defaultdict(list)  # frames and their arrivals
        self._abouts: dict[str, About] = {}
        self._wrong_crcs: list[bytes] = []
        self._malformed: dict[str, list[bytes]] = defaultdict(list)  # by what is wrong
        self._chatter: list[bytes] = []
        self._lines = 0
        self.topics: dict[str, float] = {}
        """Numbers on a broker's other topics."""

    def take(self, line: bytes, arrival_s: float = math.nan) -> None:
        """Take a line and its arrival by any steady clock [s], left out for recorded lines."""
        self._lines += 1
        if self._lines > MOST_LINES:
            return
        answer = decode_answer(line) if is_answer(line) else None
        if isinstance(answer, About):
            self._abouts[answer.rig] = answer
        elif isinstance(answer, BeaconAnswer):
            pass
        elif is_answer(line) or is_chatter(line) or _is_another(line):
            if line.strip():
                self._chatter.append(line.strip())
        else:
            try:
                frame = decode(line)
                self._rigs[frame.rig].append((frame, arrival_s))
            except BadCrc:
                self._wrong_crcs.append(line)
            except Malformed as error:
                self._malformed[error.reason].append(line)

    def report(self, unfinished: bytes = b"") -> Report:
        """Report what was found; `unfinished` is what came in after the last newline."""
        frames = sum(map(len, self._rigs.values()))
        findings = self._about_lines(frames, unfinished)
        for name, came in self._rigs.items():
            own, arrivals_s = [frame for frame, _ in came], [at_s for _, at_s in came]
            found = [*about_seq(own), *about_clock(own, arrivals_s), *about_channels(own)]
            where = f"rig {name}" if len(self._rigs) > 1 else ""
            findings += [replace(f, where=where) for f in found]
        for about in self._abouts.values():
            findings += _about_answer(about)
        return Report(
            right=bool(frames) and all(f.level != "fail" for f in findings),
            frames=frames,
            bad_crc=len(self._wrong_crcs),
            malformed=sum(map(len, self._malformed.values())),
            findings=findings,
            rigs=list(self._abouts.values()),
        )

    def _about_lines(self, frames: int, unfinished: bytes) -> list[Finding]:
        found: list[Finding | None] = []
        if frames:
            found.append(good("line", f"{frames} good frames"))
            if self._chatter:
                text = f"also {len(self._chatter)} lines of text, which the logger drops"
                found.append(good("line", f"{text}; the last: {self._last()}"))
            found.append(self._failed_program())
        elif told := self._about_chatter(unfinished) or self._about_topics():
            return [told]
        elif not (self._wrong_crcs or self._malformed):
            return [self._about_nothing(unfinished)]
        found.append(self._about_crc(frames))
        for reason, lines in sorted(self._malformed.items(), key=lambda item: -len(item[1]))[:8]:
            like = lines[0][:160].decode("utf-8", "replace")
            text = f"{len(lines)} lines arrived intact but break the rules: {reason}; for example {like}"
            found.append(bad("line", text, "see wire_format.md for what a line may say"))
        return list(filter(None, found))

    def _about_nothing(self, unfinished: bytes) -> Finding:
        if self._abouts:
            link = next(iter(self._abouts.values())).link
            mend = "listen at the broker instead" if link == "mqtt" else "wait longer than its period"
            return bad("line", f"it answers ? but sends no frames here (its link is {link})", mend)
        if len(unfinished) > 64:
            mend = "end each frame with a newline (\\n); on a plain UART check the baud rate"
            return bad("line", f"{len(unfinished)} bytes, but no end of line", mend)
        mend = (
            "is it powered? Is this the right port? Is another program reading it? A Modbus module sends "
            "nothing by itself: name it in the plan, as a [[source]]"
        )
        return bad("line", "nothing came in", mend)

    def _last(self) -> str:
        return self._chatter[-1].decode("ascii", "replace")[:100]

    def _failed_program(self) -> Finding | None:
        shown = [line for line in self._chatter[-_LATELY:] if b"Traceback" in line or b"Error" in line]
        if not shown or shown[-1] not in self._chatter[-8:]:
            return None
        said = b" / ".join(self._chatter[-4:]).decode("utf-8", "replace")[:300]
        fix = "correct the board's files and restart it"
        return bad("line", f"the program on the board has failed: {said}", fix)

    def _about_chatter(self, unfinished: bytes) -> Finding | None:
        """Say what a board is doing that sends text but no frame."""
        lately = self._chatter[-_LATELY:]
        if refused := [line for line in lately if line.startswith(b"# this rig can't start")]:
            return bad("line", refused[-1].decode("ascii", "replace").lstrip("# "))
        if b">>>" in b"\n".join([*lately, unfinished]):
            fix = "MicroPython's prompt: no program is running; save it as main.py and restart the board"
            return bad("line", "a prompt instead of frames", fix)
        if failed := self._failed_program():
            return failed
        reader = LineReader()
        for line in lately:
            reader.take(line)
        if numbers := reader.values:
            shown = ", ".join(f"{name} {'open' if v != v else f'{v:g}'}" for name, v in numbers.items())
            text = f"lines of numbers, but not the rig's line: {shown}"
            fix = (
                "they can be recorded with `stokewatch run --serial PORT@BAUD --as lines`, but nothing "
                f"proves such lines complete or in order. {doubt(numbers)}"
            ).strip()
            return bad("line", text, fix)
        if reader.lines.trouble:
            return bad("line", f"it {reader.lines.trouble}; the last: {self._last()}")
        if self._chatter:
            text = f"{len(self._chatter)} lines of text and no frame; the last: {self._last()}"
            fix = (
                "does the board's program send frames, and is that enabled? Numbers are recognised in lines "
                "such as 21.5,22.0 or T1=21.5 T2=22.0"
            )
            return bad("line", text, fix)
        return None

    def _about_topics(self) -> Finding | None:
        if not self.topics:
            return None
        shown = ", ".join(f"{topic} {value:g}" for topic, value in list(self.topics.items())[:8])
        fix = (
            "they can be recorded: name them on the page, under Prepare, or as a [[source]] of the plan "
            "(format mqtt); but nothing proves such numbers complete or in order"
        )
        return bad("line", f"not the rig's line, but numbers on other topics: {shown}", fix)

    def _about_crc(self, frames: int) -> Finding | None:
        wrong = self._wrong_crcs
        if not wrong:
            return good("crc", "no line was damaged") if frames else None
        text = f"{len(wrong)} of {len(wrong) + frames} lines fail their checksum"
        if sum(any(byte > 126 for byte in line) for line in wrong) > len(wrong) / 2:
            mend = "they contain bytes that no text has: the baud rate is wrong, or the lead picks up noise"
            return bad("crc", text, mend)
        reasons = Counter(map(explain_checksum, wrong[:50]))
        reason, count = reasons.most_common(1)[0]
        if reason and count > reasons.total() / 2:
            return bad("crc", f"{text}: {reason}", "fix how the firmware makes the checksum")
        if frames > 20 * len(wrong):
            mend = (
                "a line is damaged now and then: use a shorter or screened USB lead, and keep it from motors"
            )
            return check("crc", text, mend)
        mend = (
            "the CRC is zlib.crc32 of the bytes before the *, as eight lower-case hex digits; "
            "if most lines are right, the lead or the baud rate damages the rest"
        )
        return bad("crc", text, mend)
