"""Reading CSV: comments, odd separators and marks told apart, numbers turned over to arrays without a Python loop.

The number of cells of each line is counted on the bytes, so that a bad line has its number; the cells themselves go
through pyarrow. 600,000 rows of three columns take well under two seconds.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.fit.headers import chosen_headers
from thenar.fit.kinds import DATE_COLUMN
from thenar.fit.on_record import ALLOWED, date_of, dates_in
from thenar.fit.raw import Block, Places, Raw, counted, mend_with
from thenar.fit.text_numbers import is_number, numbers_in
from thenar.shared.errors import InputError, Problem, shown
from thenar.shared.text_input import LONGEST_CELL, long_cell

SEMICOLONS: Final = "semicolon-columns"
TABS: Final = "tab-columns"
DECIMAL_COMMA: Final = "decimal-comma"
_SEPARATORS: Final = {",": "", ";": SEMICOLONS, "\t": TABS}
_WORDS: Final = {",": "commas", ";": "semicolons", "\t": "tabs"}
_NEWLINE, _QUOTE, _HASH = (ord(sign) for sign in '\n"#')
_BOM: Final = b"\xef\xbb\xbf"
_LONGEST_HEADER: Final = 20_000


class _Lines(NamedTuple):
    """Lines that hold cells. `starts`, `ends`: byte positions, shape (n,); `numbers`: as an editor counts them."""

    starts: Places
    ends: Places
    numbers: Places


def read_csv(raw: Raw, content: bytes, renames: Mapping[str, str]) -> None:
    """Put the rows of `content` into `raw`, and what is wrong with it. Raises InputError when there is no table."""
    text = _plain(raw.file, content)
    signs = np.frombuffer(text, np.uint8)
    lines, comments = _lines(signs)
    for start, end, number in zip(*comments, strict=True):
        _note_date(raw, text[start:end].decode(), int(number))
    if not lines.starts.size:
        raise InputError([Problem(raw.file, "", "no line with columns", "a CSV with one line of column names")])
    head = text[lines.starts[0] : lines.ends[0]].decode()
    if len(head) > _LONGEST_HEADER:
        raise InputError([Problem(raw.file, "", f"a first line of {len(head):,} characters", "a CSV with short names")])
    separator = _separator(raw, head, int(lines.numbers[0]))
    headers = [name.strip().strip('"').strip() for name in head.split(separator)]
    if all(is_number(name) for name in headers):
        allowed = "a first line with the names of the columns"
        raise InputError([Problem(raw.file, f"line {lines.numbers[0]}", "numbers and no names of columns", allowed)])
    body = _Lines(*(part[1:] for part in lines))
    for at in np.flatnonzero(body.ends - body.starts > LONGEST_CELL):
        line = text[body.starts[at] : body.ends[at]].decode()
        problem = long_cell(line, separator, headers, raw.file, int(body.numbers[at]))
        if problem is not None:
            raise InputError([problem])
    whole = _whole_lines(raw, signs, body, separator, len(headers))
    raw.rows = int(body.starts.size)
    chosen = chosen_headers(raw, headers, renames)
    body = _Lines(*(part[whole] for part in body))
    try:
        cells = _cells(text, body, separator, len(headers))
    except ValueError as error:  # pyarrow's own is one: quotes in the middle of cells
        raise InputError([*raw.problems, Problem(raw.file, "", shown(str(error)), "cells without quotes")]) from None
    if cells.num_rows != body.starts.size:
        raise InputError([*raw.problems, Problem(raw.file, "", "quotes around line breaks", "cells without quotes")])
    _take(raw, cells, chosen, body.numbers)


def _plain(file: str, content: bytes) -> bytes:
    """The text without byte order mark and with one kind of line end. Raises InputError for no UTF-8 text."""
    if content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise InputError([Problem(file, "", "text in UTF-16", "CSV in UTF-8: save it again with that encoding")])
    text = content.removeprefix(_BOM)
    try:
        text.decode("utf-8")
    except UnicodeDecodeError as error:
        line = text.count(b"\n", 0, error.start) + 1
        found = f"byte 0x{text[error.start]:02x}, no UTF-8"
        raise InputError([Problem(file, f"line {line}", found, "CSV text in UTF-8, Parquet or XDF")]) from None
    if b"\x00" in text:
        raise InputError([Problem(file, "", "bytes of value 0: no text", "CSV text in UTF-8, Parquet or XDF")])
    return text.replace(b"\r\n", b"\n").replace(b"\r", b"\n") if b"\r" in text else text


def _lines(signs: NDArray[np.uint8]) -> tuple[_Lines, _Lines]:
    """Lines with cells, and lines of comment; empty lines are left out."""
    breaks = np.flatnonzero(signs == _NEWLINE)
    starts = np.concatenate(([0], breaks + 1)).astype(np.int64)
    ends = np.concatenate((breaks, [signs.size])).astype(np.int64)
    full = ends > starts
    comment = np.zeros(starts.size, np.bool_)
    comment[full] = signs[starts[full]] == _HASH
    numbers = np.arange(1, starts.size + 1)
    cells = full & ~comment
    return (
        _Lines(starts[cells], ends[cells], numbers[cells]),
        _Lines(starts[comment], ends[comment], numbers[comment]),
    )


def _note_date(raw: Raw, comment: str, line: int) -> None:
    try:
        raw.dates += dates_in(comment)
    except ValueError:
        raw.say(f"line {line}", shown(comment.strip()), ALLOWED)


def _separator(raw: Raw, head: str, line: int) -> str:
    """What stands between columns; another one than a comma must have been asked for."""
    separator = max(_SEPARATORS, key=head.count)
    repair = _SEPARATORS[separator]
    if repair and raw.asks(repair):
        raw.mended.append(f"{repair}: columns were told apart by {_WORDS[separator]} in all lines")
    elif repair:
        raw.say(f"line {line}", f"columns between {_WORDS[separator]}", f"commas between columns; {mend_with(repair)}")
    return separator


def _whole_lines(raw: Raw, signs: NDArray[np.uint8], lines: _Lines, separator: str, expected: int) -> NDArray[np.bool_]:
    """Which lines have as many cells as there are columns; the others are told."""
    if not lines.starts.size:
        return np.zeros(0, np.bool_)
    quotes = signs == _QUOTE
    between = signs == ord(separator)
    odd = np.zeros(lines.starts.size, np.bool_)
    if quotes.any():
        before = np.concatenate(([0], np.cumsum(quotes)))
        odd = (before[lines.ends] - before[lines.starts]) % 2 == 1
        if odd.any():
            where = int(lines.numbers[np.argmax(odd)])
            raw.say(
                f"line {where}", f"{counted(int(odd.sum()), 'line')} with a quote left open", "closed quotes or none"
            )
        between &= (before[:-1] - _level_at(before, lines.starts, signs.size)) % 2 == 0
    before = np.concatenate(([0], np.cumsum(between)))
    cells = before[lines.ends] - before[lines.starts] + 1
    wrong = (cells != expected) & ~odd
    if wrong.any():
        _say_uneven(raw, lines, cells, wrong, separator, expected)
    whole: NDArray[np.bool_] = ~wrong & ~odd
    return whole


def _level_at(before: Places, starts: Places, size: int) -> Places:
    """For each of `size` bytes how many quotes came before its line."""
    level = np.zeros(size, np.int64)
    level[starts] = np.diff(before[starts], prepend=0)
    return np.cumsum(level)


def _say_uneven(
    raw: Raw, lines: _Lines, cells: Places, wrong: NDArray[np.bool_], separator: str, expected: int
) -> None:
    first = int(np.argmax(wrong))
    found = f"{counted(int(wrong.sum()), 'line')} with another number of cells; the first has {cells[first]}"
    allowed = f"{expected} cells, as many as there are column names"
    if separator == "," and wrong.mean() > 0.5 and (cells[wrong] > expected).all():
        found += " (decimal commas?)"
        allowed += "; write decimal points, or put semicolons between columns"
    raw.say(f"line {lines.numbers[first]}", found, allowed)


def _cells(text: bytes, lines: _Lines, separator: str, width: int) -> Any:
    """The cells of `lines` as a pyarrow table of text, columns called 0, 1, 2 ..."""
    import pyarrow as pa
    from pyarrow import csv

    names = [str(place) for place in range(width)]
    if not lines.starts.size:
        return pa.table({name: pa.array([], pa.string()) for name in names})
    contiguous = np.flatnonzero(np.diff(lines.numbers) != 1)
    firsts = np.concatenate(([0], contiguous + 1))
    lasts = np.concatenate((contiguous, [lines.starts.size - 1]))
    pieces = [text[lines.starts[first] : lines.ends[last]] for first, last in zip(firsts, lasts, strict=True)]
    return csv.read_csv(
        io.BytesIO(b"\n".join(pieces)),
        read_options=csv.ReadOptions(column_names=names, block_size=1 << 24),
        parse_options=csv.ParseOptions(delimiter=separator, ignore_empty_lines=False),
        convert_options=csv.ConvertOptions(
            column_types=dict.fromkeys(names, pa.string()), strings_can_be_null=False, check_utf8=False
        ),
    )


def _take(raw: Raw, cells: Any, chosen: Mapping[str, int], numbers: Places) -> None:
    """Turn the chosen columns of text into numbers and dates."""
    block = Block("", "line", numbers, {})
    comma = raw.asks(DECIMAL_COMMA)
    with_comma: dict[str, NDArray[np.bool_]] = {}
    for name, place in chosen.items():
        column = cells.column(place)
        if name == DATE_COLUMN:
            _dates(raw, column, numbers)
            continue
        found = numbers_in(column, comma)
        with_comma[name] = found.commas
        raw.put(block, name, found.values, found.missing, found.bad | (found.commas & (not comma)))
        if found.bad.any():
            first = block.first(found.bad)
            many = counted(int(found.bad.sum()), "cell that is no number", "cells that are no numbers")
            what = f"{shown(column[first].as_py().strip())}: {many}"
            raw.say(block.key(name, first), what, "a number with a decimal point, or an empty cell")
    raw.blocks.append(block)
    _commas(raw, block, with_comma, comma)


def _commas(raw: Raw, block: Block, with_comma: Mapping[str, NDArray[np.bool_]], asked: bool) -> None:
    """Tell decimal commas of all columns at once, mended or not."""
    many = sum(int(flags.sum()) for flags in with_comma.values())
    if not many:
        return
    if asked:
        raw.mended.append(f"{DECIMAL_COMMA}: {counted(many, 'cell')} with a comma read as a decimal point")
        return
    name = next(name for name, flags in with_comma.items() if flags.any())
    found = f"{counted(many, 'cell')} of the file with a decimal comma"
    raw.say(block.key(name, block.first(with_comma[name])), found, f"decimal points; {mend_with(DECIMAL_COMMA)}")


def _dates(raw: Raw, column: Any, numbers: Places) -> None:
    """The dates of a column `recorded`; empty cells are none."""
    for text in column.unique().to_pylist():
        if not text.strip():
            continue
        try:
            raw.dates.append(date_of(text))
        except ValueError:
            line = numbers[column.to_pylist().index(text)]
            raw.say(f"column {DATE_COLUMN}, line {line}", shown(text), ALLOWED)
            return
