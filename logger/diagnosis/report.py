"""Take a rig's lines and report what is right and wrong with them."""

from __future__ import annotations

import math
from collections import Counter, deque
from dataclasses import asdict, dataclass, field
from typing import Any, Final

from logger.diagnosis.channels import about_channels
from logger.diagnosis.checksum import explain_checksum
from logger.diagnosis.finding import Finding, Level, bad, check, good, in_a_line
from logger.diagnosis.order import about_clock, about_seq
from logger.reading import Frame
from logger.rig_line.dialogue import About, BeaconAnswer, decode_answer, is_answer
from logger.rig_line.wire import BadCrc, Malformed, decode, is_chatter
from logger.sources.plain.numbers import fields, is_text
from logger.sources.plain.offered import Offered, doubt

MOST_LINES: Final = 200_000
"""Most lines kept for the report; later ones are only counted."""


@dataclass(frozen=True, slots=True)
class Report:
    """What is right and wrong with a rig's lines."""

    right: bool  # there were frames, and nothing is bad
    frames: int
    bad_crc: int
    malformed: int
    findings: tuple[Finding, ...]
    rigs: tuple[About, ...] = ()  # rigs that answered `?`

    def as_dict(self) -> dict[str, Any]:
        """Return it as JSON."""
        return asdict(self) | {"rigs": [{f: getattr(r, f) for f in r.__struct_fields__} for r in self.rigs]}

    def text(self) -> str:
        """Return it in plain words, one finding per line, the worst first."""
        marks = {"bad": "WRONG", "check": "check", "good": "   ok"}
        found = sorted(self.findings, key=lambda f: [*marks].index(f.level))
        lines = [in_a_line(marks[f.level], f.about, f.text, f.mend) for f in found]
        lines.append("The lines are right." if self.right else "The lines are not right yet.")
        return "\n".join(lines)


_RESETS: Final[dict[str, tuple[Level, str, str]]] = {
    "power": ("good", "power coming on (a brown-out looks the same on most boards)", ""),
    "pin": ("good", "its reset pin, or a computer opening its port", ""),
    "soft": ("good", "its own program, or somebody at its prompt", ""),
    "sleep": ("good", "waking from sleep", ""),
    "watchdog": (
        "check",
        "its watchdog: the program hung",
        "look for a chip or wire that blocks the bus; a supply that sags under load does it too",
    ),
    "brownout": (
        "check",
        "a brown-out: its supply sagged",
        "use a stronger supply or battery, a shorter USB lead, or a capacitor beside the board",
    ),
}
"""By `reset` (wire_format.md): level, what started the rig, and the fix."""


def _about_start(about: About) -> list[Finding]:
    if about.reset in ("", "unknown"):
        return []
    other: tuple[Level, str, str] = ("good", about.reset[:40], "")
    level, words, fix = _RESETS.get(about.reset, other)
    return [Finding(level, "start", f"rig {about.rig} was last started by {words}", fix)]


def _is_another(line: bytes) -> bool:
    """Say whether a line is numbers of a rig that doesn't speak the rig's line, in JSON or with signs."""
    return b'"ch"' not in line and b'"seq"' not in line and is_text(line) and bool(fields(line))


@dataclass(slots=True)
class _Rig:
    frames: list[Frame] = field(default_factory=list)
    arrivals_s: list[float] = field(default_factory=list)


class Diagnosis:
    """Collects lines and reports on them."""

    def __init__(self) -> None:
        self._rigs: dict[str, _Rig] = {}
        self._abouts: dict[str, About] = {}
        self._wrong_crcs: list[bytes] = []
        self._reasons: Counter[str] = Counter()
        self._malformed_like: dict[str, bytes] = {}
        self._bad_crc = 0
        self._lines = 0
        self._noise = 0
        self._chatter: deque[bytes] = deque(maxlen=200)
        self._chattered = 0
        self.topics: dict[str, float] = {}
        """Numbers on a broker's other topics."""

    def take(self, line: bytes, arrival_s: float | None = None) -> None:
        """Take a line and its arrival by any steady clock [s], left out for recorded lines."""
        self._lines += 1
        if self._lines > MOST_LINES:
            return
        if is_answer(line):
            answer = decode_answer(line)
            if isinstance(answer, About):
                self._abouts[answer.rig] = answer
            elif not isinstance(answer, BeaconAnswer):
                self._say(line)
            return
        if is_chatter(line) or _is_another(line):
            self._say(line)
            return
        try:
            frame = decode(line)
        except BadCrc:
            self._bad_crc += 1
            if any(byte > 126 for byte in line):
                self._noise += 1
            if len(self._wrong_crcs) < 50:
                self._wrong_crcs.append(line)
            return
        except Malformed as error:
            self._reasons[error.reason] += 1
            self._malformed_like.setdefault(error.reason, line)
            return
        rig = self._rigs.setdefault(frame.rig, _Rig())
        rig.frames.append(frame)
        rig.arrivals_s.append(math.nan if arrival_s is None else arrival_s)

    def _say(self, line: bytes) -> None:
        if line.strip():
            self._chattered += 1
            self._chatter.append(line.strip())

    def report(self, unfinished: bytes = b"") -> Report:
        """Report what was found; `unfinished` is what came in after the last newline."""
        findings = [*self._about_lines(unfinished)]
        for name, rig in self._rigs.items():
            prefix = f"rig {name}, " if len(self._rigs) > 1 else ""
            found = [
                *about_seq(rig.frames),
                *about_clock(rig.frames, rig.arrivals_s),
                *about_channels(rig.frames),
            ]
            findings += [Finding(f.level, prefix + f.about, f.text, f.mend) for f in found]
        for about in self._abouts.values():
            channels = ", ".join(f"{name} ({chip})" for name, chip in about.ch.items())
            findings.append(
                good("answer to ?", f"rig {about.rig}, {about.program or 'no program named'}: {channels}")
            )
            findings += _about_start(about)
            if about.lost or about.missed:
                text = f"since power-on {about.lost} frames found no room, {about.missed} samples were missed"
                findings.append(check("answer to ?", text, "give kept frames more room; sample less often"))
        frames = sum(len(rig.frames) for rig in self._rigs.values())
        return Report(
            right=bool(frames) and all(f.level != "bad" for f in findings),
            frames=frames,
            bad_crc=self._bad_crc,
            malformed=sum(self._reasons.values()),
            findings=tuple(findings),
            rigs=tuple(self._abouts.values()),
        )

    def _about_lines(self, unfinished: bytes) -> list[Finding]:
        found: list[Finding] = []
        frames = sum(len(rig.frames) for rig in self._rigs.values())
        wrong = self._bad_crc + sum(self._reasons.values())
        if not frames and (told := self._about_chatter(unfinished) or self._about_topics()):
            return told
        if not self._lines:
            if len(unfinished) > 64:
                mend = "end each frame with a newline (\\n); on a plain UART check the baud rate"
                return [bad("line", f"{len(unfinished)} bytes, but no end of line", mend)]
            if self._abouts:
                return []
            mend = (
                "is it powered? Is this the right port? Is another program reading it? A Modbus module sends "
                "nothing by itself: name it in the plan, as a [[source]]"
            )
            return [bad("line", "nothing came in", mend)]
        if not frames and not wrong and self._abouts:
            link = next(iter(self._abouts.values())).link
            mend = "listen at the broker instead" if link == "mqtt" else "wait longer than its period"
            return [bad("line", f"it answers ? but sends no frames here (its link is {link})", mend)]
        if frames:
            found.append(good("line", f"{frames} good frames"))
            if self._chattered:
                text = f"also {self._chattered} lines of text, which the logger drops"
                found.append(good("line", f"{text}; the last: {self._last()}"))
            if failed := self._failed_program():
                found.append(failed)
        found += self._about_crc(frames)
        for reason, count in self._reasons.most_common(8):
            like = self._malformed_like[reason][:160].decode("utf-8", "replace")
            text = f"{count} lines arrived intact but break the rules: {reason}; for example {like}"
            found.append(bad("line", text, "see wire_format.md for what a line may say"))
        return found

    def _last(self) -> str:
        return self._chatter[-1].decode("ascii", "replace")[:100]

    def _failed_program(self) -> Finding | None:
        shown = [line for line in self._chatter if b"Traceback" in line or b"Error" in line]
        if not shown or shown[-1] not in list(self._chatter)[-8:]:
            return None
        said = b" / ".join(list(self._chatter)[-4:]).decode("utf-8", "replace")[:300]
        fix = "correct the board's files and restart it"
        return bad("line", f"the program on the board has failed: {said}", fix)

    def _about_chatter(self, unfinished: bytes) -> list[Finding]:
        """Say what a board is doing that sends text but no frame."""
        whole = b"\n".join(self._chatter) + b"\n" + unfinished
        if refused := [line for line in self._chatter if line.startswith(b"# this rig can't start")]:
            text = refused[-1].decode("ascii", "replace").lstrip("# ")
            return [bad("line", text)]
        if b">>>" in whole:
            fix = "MicroPython's prompt: no program is running; save it as main.py and restart the board"
            return [bad("line", "a prompt instead of frames", fix)]
        if failed := self._failed_program():
            return [failed]
        offered = Offered()
        for line in self._chatter:
            offered.take(line)
        if numbers := offered.values:
            shown = ", ".join(
                f"{name} {'open' if value != value else f'{value:g}'}" for name, value in numbers.items()
            )
            text = f"lines of numbers, but not the rig's line: {shown}"
            fix = (
                "they can be recorded with `stokewatch run --serial PORT@BAUD --as lines`, but nothing "
                f"proves such lines complete or in order. {doubt(numbers)}"
            ).strip()
            return [bad("line", text, fix)]
        if offered.trouble:
            return [bad("line", f"it {offered.trouble}; the last: {self._last()}")]
        if self._chatter:
            text = f"{self._chattered} lines of text and no frame; the last: {self._last()}"
            fix = (
                "does the board's program send frames, and is that enabled? Numbers are recognised in lines "
                "such as 21.5,22.0 or T1=21.5 T2=22.0"
            )
            return [bad("line", text, fix)]
        return []

    def _about_topics(self) -> list[Finding]:
        if not self.topics:
            return []
        shown = ", ".join(f"{topic} {value:g}" for topic, value in list(self.topics.items())[:8])
        fix = (
            "they can be recorded: name them on the page, under Prepare, or as a [[source]] of the plan "
            "(format mqtt); but nothing proves such numbers complete or in order"
        )
        return [bad("line", f"not the rig's line, but numbers on other topics: {shown}", fix)]

    def _about_crc(self, frames: int) -> list[Finding]:
        if not self._bad_crc:
            return [good("crc", "no line was damaged")] if frames else []
        text = f"{self._bad_crc} of {self._bad_crc + frames} lines fail their checksum"
        if self._noise > self._bad_crc / 2:
            mend = "they contain bytes that no text has: the baud rate is wrong, or the lead picks up noise"
            return [bad("crc", text, mend)]
        reasons = Counter(explain_checksum(line) for line in self._wrong_crcs)
        reason, count = reasons.most_common(1)[0]
        if reason and count > len(self._wrong_crcs) / 2:
            return [bad("crc", f"{text}: {reason}", "fix how the firmware makes the checksum")]
        if frames > 20 * self._bad_crc:
            mend = (
                "a line is damaged now and then: use a shorter or screened USB lead, and keep it from motors"
            )
            return [check("crc", text, mend)]
        mend = (
            "the CRC is zlib.crc32 of the bytes before the *, as eight lower-case hex digits; "
            "if most lines are right, the lead or the baud rate damages the rest"
        )
        return [bad("crc", text, mend)]
