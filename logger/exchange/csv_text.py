"""A file's bytes as rows of cells, in one pass and within limits."""

from __future__ import annotations

import codecs
import contextlib
import csv
import io
import itertools
import re
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from logger.exchange.csv_cells import is_number
from logger.exchange.csv_labelled import BadLine, Labels, cells_of, has_arrows, labels_of, without_arrows
from logger.exchange.csv_table import EVERY_ROW, CsvError, CsvOptions, Hint, shown
from logger.reading import OTHER_DIGITS

MAX_BYTES: Final = 512 << 20
MAX_LINE: Final = 1 << 20  # characters: 64 columns of 16 characters take a thousandth of it
MAX_COLUMNS: Final = 2048
MAX_SECONDS: Final = 600.0
_OWN_TIME: Final = "time_s"  # first header of our own files, by which they are known

HEAD_LINES: Final = 600
_LONGEST_HEAD: Final = 20_000
_ALIKE: Final = 8
_TITLES: Final = 20  # lines that are looked at above readings, where a head is long
_BEGINS: Final = re.compile(r"[\s\"'(\[]*[+\-]?\d[^;,\t|]*[;,\t|\s][\s\"']*[+\-]?\d")
"""A time and a number: when so many lines in a row begin thus, a long head has ended."""
_DELIMITERS: Final = (";", "\t", "|", ",")
_SPACES: Final = {"  ": re.compile(r"\s{2,}|\t"), " ": re.compile(r"\s+")}
_FRAME: Final = re.compile(r"^\s*[|+][\-=+:| ]+\s*$|^\s*\|(?=.*\|\s*$)|\|\s*$")
"""The lines around a table of `| 10 | 20.5 |`."""
_CONTROL: Final = re.compile(r"[\x00-\x08\x0e-\x1a\x1c-\x1f\x7f]")
"""Left by a card that lost power, a serial line that starts or stops (XON, XOFF), or old systems."""
_KNOWN: Final = (
    (b"\x1f\x8b", "packed with gzip; unpack it first (gunzip), and import the result"),
    (b"PK\x03\x04", "a spreadsheet or a zip; save the sheet as CSV, or unpack it, and import that"),
    (b"\xd0\xcf\x11\xe0", "a spreadsheet's own file; save the sheet as CSV, and import that"),
    (b"BZh", "packed with bzip2; unpack it first (bunzip2), and import the result"),
    (b"\xfd7zXZ\0", "packed with xz; unpack it first (unxz), and import the result"),
    (rb"\(\xb5/\xfd", "packed with zstd; unpack it first (unzstd), and import the result"),
    (b"7z\xbc\xaf\x27\x1c", "a packed archive (7z); unpack it first, and import the result"),
    (b"Rar!\x1a\x07", "a packed archive (rar); unpack it first, and import the result"),
    (b"PAR1", "a Parquet file; save the table as CSV, and import that"),
    (b"\x89HDF", "an HDF5 file; save the table as CSV, and import that"),
    (b"SQLite format 3", "a database; export the table of readings as CSV, and import that"),
    (b"%PDF", "a PDF; export the readings as CSV where it was made, and import that"),
    (
        rb"[\xef\xbb\xbf \t\r\n]*<[?!A-Za-z]",
        "a web page or XML, not a table; open it in a spreadsheet and save it as CSV",
    ),
)
"""How files begin that aren't text, and what to do (from the formats' own specifications)."""
_MARKS: Final = {
    "utf-32": (b"\xff\xfe\0\0", b"\0\0\xfe\xff"),
    "utf-16": (b"\xff\xfe", b"\xfe\xff"),
    "utf-8-sig": (b"\xef\xbb\xbf",),
}
"""First bytes of files that state their encoding (Unicode's byte-order mark)."""
_OF_TWO_BYTES: Final = ("shift_jis", "gb18030", "big5", "euc_kr", "euc_jp")
"""Encodings that write the degree sign as two bytes that never occur together in Latin-1."""
_SURE_SIGNS: Final = re.compile("[℃℉]|[°º][CF]|上午|下午|午前|午後|오전|오후")
"""Degrees, AM and PM."""
_BINARY: Final = re.compile(rb"[\x01-\x08\x0e-\x1a\x1c-\x1f]")
"""What hardly occurs in a text of any encoding; zero bytes do, where a card lost power."""
_PIECE: Final = 1 << 20
_NO_TEXT: Final = "not a text file; export it as CSV first"
_STRAY: Final = 8  # zero bytes at most in a text: from a serial line that was just starting
_LOST: Final = re.compile(rf"(?<=[^\0\r\n])\0{{{_STRAY + 1},}}|\0{{{_STRAY + 1},}}(?=[^\0\r\n])")
"""A block that a card lost within a row or at its end."""
_COLOUR: Final = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")  # terminal codes for colours and positions (ECMA-48)
_OTHER_SIGNS: Final = OTHER_DIGITS | str.maketrans(
    "│┃║─━═┌┬┐├┼┤└┴┘╔╦╗╠╬╣╚╩╝╒╤╕╞╪╡╘╧╛╭╮╰╯", "|||---" + "+" * 31
)
"""Digits of other scripts, and the lines around a drawn table."""

Row = tuple[int, list[str]]
Progress = Callable[[int, int], None]
"""Called now and then with the bytes read so far and in all; an exception from it ends the reading."""


@dataclass(frozen=True, slots=True)
class Text:
    """A file that can be read as rows of cells."""

    path: Path
    encoding: str
    delimiter: str
    ends_whole: bool  # whether its last line has a line end
    own: bool
    above: int  # lines of a long head that are passed over
    guesses: tuple[str, ...]
    labels: Labels  # how its lines name their numbers; "" if the columns do
    arrows: bool  # whether a terminal put a time stamp and `->` before each line
    quote: str  # the quote character, if it isn't the usual one

    def rows(self, options: CsvOptions, progress: Progress | None = None) -> Iterator[Row]:
        """Read the rows that options don't leave out, numbered from 1; empty rows are left out too.

        CsvError: a line is too long, a quote isn't closed, or reading takes too long.
        """
        left_out = _skipped_rows(options, self.path.name)
        until_s = time.monotonic() + MAX_SECONDS
        number = 0

        def refused(code: str, row: int | None, what: str, *hints: Hint) -> CsvError:
            return CsvError(what, *hints, file=self.path.name, row=row, code=code)

        with self.path.open("rb") as raw, io.TextIOWrapper(raw, encoding=self.encoding, newline="") as file:
            lines = _lines(file, self.path.name, as_it_is=self.own)
            try:
                for number, row in enumerate(self._split(lines, options.last_line), 0 if self.labels else 1):
                    if options.last_line is not None and number > options.last_line:
                        return
                    if len(row) > MAX_COLUMNS and any(cell.strip() for cell in row[MAX_COLUMNS:]):
                        what = f"{len(row)} columns, more than {MAX_COLUMNS}; name the right separator with"
                        raise refused("too-wide", number, what, Hint("delimiter"))
                    if number % 4096 == 0 and progress is not None:
                        progress(raw.tell(), self.path.stat().st_size)
                    if number % 4096 == 0 and time.monotonic() > until_s:
                        what = f"took over {MAX_SECONDS / 60:g} min to read up to row {number}; split it"
                        raise refused("too-slow", None, what)
                    filled = number >= self.above and any(cell and not cell.isspace() for cell in row)
                    if filled and not (left_out and any(number in rows for rows in left_out)):
                        yield number, row
            except BadLine as exc:
                ways = [Hint("last_line", exc.row - 1)] if exc.row > 2 - (self.labels == "json") else []
                what = f"not whole JSON ({exc}); correct it{', or stop above it with' if ways else ''}"
                raise refused("no-rows", exc.row, what, *ways) from exc
            except (csv.Error, UnicodeError) as exc:
                what = f"{exc}; check the quotes there, or try another"
                raise refused("no-rows", number + 1, what, Hint("delimiter"), Hint("encoding")) from exc

    def _split(self, lines: Iterable[str], last_line: int | None) -> Iterator[list[str]]:
        if self.labels:
            return cells_of(lines, self.labels, last_line)
        if self.arrows:
            lines = without_arrows(lines, self.delimiter)
        if self.delimiter in _SPACES and not self.quote:
            split = _SPACES[self.delimiter].split
            return (split(line.strip()) for line in lines)
        # ="20.5" makes spreadsheets leave a text alone.
        lines = (line.replace('="', '"') if '="' in line else line for line in lines)
        if self.delimiter == "|":  # a drawn table
            lines = (_FRAME.sub("", line) for line in lines)
        return csv.reader(
            lines, delimiter=self.delimiter[0], quotechar=self.quote or '"', skipinitialspace=not self.own
        )


def open_text(path: Path, options: CsvOptions) -> Text:
    """Find out how a file is written; CsvError: it can't be opened, is too large, or isn't text."""
    guesses: list[str] = []
    try:
        size = path.stat().st_size
        if size > MAX_BYTES:
            raise CsvError(f"larger than {MAX_BYTES >> 20} MiB; split it", file=path.name, code="too-large")
        if not path.is_file():
            raise CsvError("not a file; give the path of a text file", file=str(path), code="no-file")
        encoding, end = _encoding(path, options, guesses)
        with path.open("rb") as raw, io.TextIOWrapper(raw, encoding=encoding, newline="") as file:
            lines, above = _some_lines(file, path.name, options.skip)
    except OSError as exc:
        raise CsvError(f"{exc.strerror or exc}; check the path", file=str(path), code="no-file") from exc
    if not lines:
        raise CsvError("the file is empty", file=path.name, code="empty")
    own = not above and lines[0].strip().strip('"').split(",")[0] == _OWN_TIME
    own = own and options.skip is None and not options.time and options.decimal is None
    labels = labels_of(lines) if options.delimiter is None and not own else ""
    arrows = not labels and has_arrows(lines)
    if arrows:
        lines = [line.split(">", 1)[-1] for line in lines]
    delimiter = options.delimiter or (
        "," if own or labels else _find_delimiter(lines, path.name, counts_rows=options.counts_rows)
    )
    if (len(delimiter) != 1 or delimiter in '"\r\n') and delimiter not in _SPACES:
        what = f"{delimiter!r} must be one character, such as ;"
        raise CsvError(what, file=f"{path.name}: --delimiter", code="delimiter")
    own = own and delimiter == ","
    quote = "'" if not own and all(re.fullmatch(r"'.*'", line.strip()) for line in lines[-60:]) else ""
    if delimiter in _SPACES and all(line.count('"') > 1 for line in lines[:2]):
        quote = '"'  # "1" "2026-11-25 10:00:00" 20.5
    ends_whole = end in "\r\n" or labels == "document"
    return Text(path, encoding, delimiter, ends_whole, own, above, tuple(guesses), labels, arrows, quote)


def _skipped_rows(options: CsvOptions, name: str) -> list[range]:
    """Read which rows to leave out; CsvError, with the file's `name`: neither a number nor a range."""
    found = []
    for part in ",".join(options.skip_rows).split(",") if options.skip_rows else ():
        match = re.fullmatch(r"\s*(\d{1,9})\s*(?:-\s*(\d{1,9})\s*)?", part)
        if match is None:
            what = f"--skip-rows {part!r}: must be a row number, or a range such as 7-12"
            raise CsvError(what, file=name, code="skip-rows")
        found.append(range(int(match[1]), int(match[2] or match[1]) + 1))
    return found


def _encoding(path: Path, options: CsvOptions, guesses: list[str]) -> tuple[str, str]:
    """Find the encoding, checked through the whole file, and the file's last character."""
    with path.open("rb") as file:
        start = file.read(_PIECE)
    known = next((what for begins, what in _KNOWN if re.match(begins, start)), None)
    if known is not None:
        raise CsvError(known, file=path.name, code="no-text")
    said = options.encoding or next((code for code, marks in _MARKS.items() if start.startswith(marks)), "")
    if not said and 4 * start[:100].count(0) >= len(start[:100]) and b"\0" in start[:100].rstrip(b"\0"):
        said = "utf-16-le" if start[1:2] == b"\0" else "utf-16-be"
    encoding = said or "utf-8"
    try:
        "".encode(encoding)  # rot13 isn't one
        return encoding, _last_character(path, encoding)
    except LookupError as exc:
        ways = Hint("encoding", "utf-8"), Hint("encoding", "latin-1")
        what = f"unknown encoding {encoding!r}; name one with"
        raise CsvError(what, *ways, file=path.name, code="encoding") from exc
    except ValueError as exc:
        if said:
            where = f"byte {exc.args[1]}" if len(exc.args) > 1 else "this"
            other = Hint("encoding", "latin-1") if encoding in ("utf-8", "utf-8-sig") else Hint("encoding")
            what = f"{where} is not {encoding}; name the encoding with"
            raise CsvError(what, other, file=path.name, code="encoding") from exc
    for encoding in _OF_TWO_BYTES if not _SURE_SIGNS.search(start.decode("latin-1")) else ():
        with contextlib.suppress(ValueError):
            if _SURE_SIGNS.search(codecs.getincrementaldecoder(encoding)().decode(start)):
                end = _last_character(path, encoding)
                guesses.append(f"not UTF-8: read as {encoding}, in which it says °C, °F, AM or PM")
                return encoding, end
    if len(_BINARY.findall(start)) > len(start) // 50:
        raise CsvError(_NO_TEXT, file=path.name, code="no-text")
    guesses.append("not UTF-8: read as Latin-1")
    return "latin-1", _last_character(path, "latin-1")


def _last_character(path: Path, encoding: str) -> str:
    """Decode a whole file and return its last character; zero bytes at its end mean a card lost power."""
    decoder = codecs.getincrementaldecoder(encoding)()
    at, last, noughts, behind = 0, "\n", 0, 0
    with path.open("rb") as file:
        while piece := file.read(_PIECE):
            try:
                text = decoder.decode(piece)
            except UnicodeDecodeError as exc:
                raise ValueError("", at + exc.start + 1) from exc
            at, last = at + len(piece), text.rstrip("\0\x1a")[-1:] or last
            body = text.rstrip("\0\x1a\r\n")
            noughts, behind = noughts + text.count("\0"), text.count("\0", len(body)) + behind * (not body)
        decoder.decode(b"", True)
    if noughts > _STRAY and (noughts > max(behind, at // 2) or encoding.startswith("utf-16")):
        raise CsvError(_NO_TEXT, file=path.name, code="no-text")
    return last


def _lines(file: io.TextIOWrapper, name: str, *, as_it_is: bool = False) -> Iterator[str]:
    number = 0
    while line := file.readline(MAX_LINE):
        number += 1
        if len(line) == MAX_LINE and not line.endswith(("\n", "\r")):
            what = f"line {number} is longer than {MAX_LINE:,} characters; is this a table of readings?"
            raise CsvError(what, file=name, code="too-wide")
        if not as_it_is and not line.isascii():
            line = line.translate(_OTHER_SIGNS)
        if "\x1b" in line:
            line = _COLOUR.sub("", line)
        if "\0" in line:
            line = _LOST.sub("\ufffd", line)
        if not as_it_is and _CONTROL.search(line):
            line = _CONTROL.sub("", line)
            if not line:
                continue
        yield line.removeprefix("\ufeff")


def _some_lines(file: io.TextIOWrapper, name: str, skip: int | None) -> tuple[list[str], int]:
    """Give the lines that tell how a file is written, and how many of a long head stand above them."""
    lines: list[str] = []
    size = alike = 0
    for line in itertools.islice(_lines(file, name), _LONGEST_HEAD):
        lines.append(line)
        size += len(line)
        if size > 2 * MAX_LINE:
            break
    above = max((skip or 0) - _TITLES, 0)
    for number, line in enumerate(lines[above:], above + 1):
        alike = alike + 1 if _BEGINS.match(line) else 0
        if alike == _ALIKE:
            above = max(number - _TITLES, 0) if number > above + HEAD_LINES // 2 else above
            break
    return [line for line in lines[above : above + HEAD_LINES] if line.strip()], above


def _find_delimiter(lines: list[str], name: str, *, counts_rows: bool) -> str:
    named = re.fullmatch(r'"?sep=(.)"?\s*', lines[0], re.I)  # as spreadsheets write it
    if named:
        return named[1]
    some = lines[:400]
    tail = some[len(some) // 2 :]  # below any titles and header
    shares: dict[str, float] = {}
    for delimiter in _DELIMITERS:
        with contextlib.suppress(csv.Error):
            width, share = _usual_width(csv.reader(tail, delimiter=delimiter))
            if width > 1:
                shares[delimiter] = share
    first = [delimiter for delimiter, share in shares.items() if share >= 0.8]
    for delimiter, pattern in () if shares else _SPACES.items():
        # With the header: date and time may be one cell or two.
        width, share = _usual_width(pattern.split(line.strip()) for line in some)
        if width > 1 and share >= 0.5:
            shares[delimiter] = share
    if shares:
        return [*first, max(shares, key=shares.__getitem__)][0]
    if not all(is_number(line) for line in tail):
        what = f"no character separates the columns in the same way on every line ({shown(tail[0])})"
        raise CsvError(f"{what}; name it with", Hint("delimiter"), file=name, code="delimiter")
    if not counts_rows:
        what = "has one number per line and no times: add a column of seconds before it in a spreadsheet"
        raise CsvError(what, EVERY_ROW, file=name, code="no-times")
    return ";"


def _usual_width(rows: Iterable[list[str]]) -> tuple[int, float]:
    widths = Counter(len(row) for row in rows)
    width, count = widths.most_common(1)[0]
    return width, count / widths.total()
