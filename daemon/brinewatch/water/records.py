"""Comma-separated records as they really come: BOM, CRLF, gzip, quotes, ragged rows; the text kept as it is."""

from __future__ import annotations

import csv
import gzip
import io
import sys
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import BinaryIO, Self

from brinewatch.errors import BrinewatchError

_GZIP = b"\x1f\x8b"
_UTF16 = (b"\xff\xfe", b"\xfe\xff")


@dataclass(frozen=True, slots=True)
class Record:
    """One row: its cells, its text without the line end, the line end; broken: why its cells are not to be used;
    line: where it begins in the file, from 1.
    """

    cells: Sequence[str]
    text: str
    end: str
    broken: str = ""
    line: int = 0


class Records:
    """A file's header, then its records one by one; nothing more than one record is held.

    Bytes that are not of the encoding pass through as they are. encoding: a codec of Python's; "" for UTF-8, with a
    mark or without one.
    """

    def __init__(
        self, name: str, stream: BinaryIO, *, owned: bool, delimiter: str = ",", encoding: str = ""
    ) -> None:
        self.name = name
        self._delimiter = delimiter
        self._line = 0
        self._owned = stream if owned else None
        buffered = stream if isinstance(stream, io.BufferedReader) else io.BufferedReader(stream)  # type: ignore[type-var]
        head = buffered.peek(2)
        self._utf16 = not encoding and head[:2] in _UTF16
        plain = gzip.GzipFile(fileobj=buffered) if head[:2] == _GZIP else buffered
        errors = "replace" if encoding.lower().startswith(("utf-16", "utf_16")) else "surrogateescape"
        self._text = io.TextIOWrapper(plain, encoding=encoding or "utf-8-sig", errors=errors, newline="")
        self._taken: list[str] = []
        self._all = self._records()

    def pass_over(self, lines: int) -> None:
        """Leave out so many lines before the header."""
        for _ in range(lines):
            self._line += bool(next(self._text, ""))

    def read_header(self) -> Record:
        """The first record; BrinewatchError when it cannot be one."""
        if self._utf16:
            raise BrinewatchError(f"{self.name} is UTF-16 text.", "Save it as CSV in UTF-8.")
        first = next(self._all, None)
        if first is None:
            raise BrinewatchError(f"{self.name} is empty.", "Its first line must name the columns.")
        self._check_header(first.cells)
        return first

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._text.detach()
        if self._owned:
            self._owned.close()

    def __iter__(self) -> Iterator[Record]:
        return self._all

    def _lines(self, again: Sequence[str] = ()) -> Iterator[str]:
        for line in chain(again, self._text):
            self._taken.append(line)
            self._line += 1
            yield line

    def _records(self) -> Iterator[Record]:
        reader = csv.reader(self._lines(), delimiter=self._delimiter)
        while True:
            self._taken.clear()
            line = self._line + 1
            try:
                cells = next(reader, None)
                raw = "".join(self._taken)
                broken = cells is not None and _open_quote(raw, self._delimiter)
            except csv.Error:  # a cell of more than 131072 characters: a quote has swallowed the rows after it
                broken = True
            except (OSError, EOFError, zlib.error) as error:
                raise BrinewatchError(f"{self.name} cannot be read to its end: {error}.") from error
            if broken:
                # the first line alone is at fault: the lines after it are rows again
                first, *rest = self._taken
                yield _broken(first, self._delimiter, line)
                self._line -= len(rest)
                reader = csv.reader(self._lines(rest), delimiter=self._delimiter)
            elif cells is None:
                return
            elif cells:
                text = raw.rstrip("\r\n")
                yield Record(cells, text, raw[len(text) :], line=line)

    def _check_header(self, columns: Sequence[str]) -> None:
        names = [name for name in columns if name]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise BrinewatchError(
                f"{self.name} has more than one column named {', '.join(twice)}.", "Rename all but one of them."
            )
        for delimiter, word in ((";", "semicolons"), ("\t", "tabs")):
            if self._delimiter == "," and len(columns) == 1 and delimiter in columns[0]:
                raise BrinewatchError(
                    f"{self.name} is separated by {word}; commas are expected.",
                    "Save it with commas between columns and points in numbers.",
                )


def _broken(line: str, delimiter: str, number: int) -> Record:
    text = line.rstrip("\r\n")
    cells = text.split(delimiter)
    return Record(cells, joined(cells), line[len(text) :], "a quote is opened and not closed", number)


def _open_quote(raw: str, delimiter: str) -> bool:
    """Whether the text ends inside a quoted cell: only a strict reader says so, and only at its end."""
    if raw.count('"') % 2 == 0:
        return False
    try:
        list(csv.reader([raw], strict=True, delimiter=delimiter))
    except csv.Error as error:
        return "unexpected end" in str(error)
    return False


def open_records(name: str, delimiter: str = ",", encoding: str = "") -> Records:
    """The records of a file, or of standard input for "-"; gzip by its content. BrinewatchError when it cannot be
    opened.
    """
    if name == "-":
        return Records("standard input", sys.stdin.buffer, owned=False, delimiter=delimiter, encoding=encoding)
    try:
        stream = Path(name).open("rb")  # noqa: SIM115 -- Records closes it
    except OSError as error:
        raise BrinewatchError(f"{name} cannot be read: {error.strerror or error}.") from error
    return Records(name, stream, owned=True, delimiter=delimiter, encoding=encoding)


def joined(cells: Sequence[str]) -> str:
    """Cells as text, quoted where they must be, without a line end."""
    out = io.StringIO()
    csv.writer(out, lineterminator="").writerow(cells)
    return out.getvalue()
