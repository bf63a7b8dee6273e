"""How commands print: rich tables in a terminal, plain aligned text when piped, JSON for machines."""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

from thenar.report.folder import plain

if TYPE_CHECKING:
    from thenar.engine.trial import Trial
    from thenar.scenarios.loader import LoadedScenario


class Table(NamedTuple):
    """A table of text. `headers` may hold a line break; columns named in `right` are set flush right.

    `droppable`: so many columns at the end may be left out where the terminal is too narrow for them; `whole_in`: where
    they can be found all the same.
    """

    title: str
    headers: tuple[str, ...]
    rows: Sequence[tuple[str, ...]]
    right: frozenset[int] = frozenset()
    droppable: int = 0
    whole_in: str = "summary.json"


def show_table(table: Table) -> None:
    """Print a table with a blank line before it: drawn in a terminal, aligned text elsewhere."""
    if sys.stdout.isatty():
        _show_rich(table)
        return
    print()
    print(aligned(table))


def show_json(record: object) -> None:
    """Print one JSON value; non-finite numbers become null."""
    print(json.dumps(plain(record), indent=2, allow_nan=False, ensure_ascii=False))


def note_slow_laws(trials: Sequence[Trial]) -> None:
    """Say on standard error which laws among `trials` need the event engine, and why."""
    from thenar.study.measured import slow_laws

    for law, why in slow_laws(trials).items():
        print(f"note: {law} runs in the event engine, over processes, not in the batch engine: {why}", file=sys.stderr)


def aligned(table: Table) -> str:
    """The table as plain text: two spaces between columns, a rule under the headers, no trailing space."""
    headers = [header.split("\n") for header in table.headers]
    depth = max(len(header) for header in headers)
    lines = [tuple(([""] * (depth - len(header)) + header)[level] for header in headers) for level in range(depth)]
    widths = [max(len(line[column]) for line in [*lines, *table.rows]) for column in range(len(headers))]
    rule = tuple("-" * width for width in widths)
    text = [_aligned_line(line, widths, table.right) for line in [*lines, rule, *table.rows]]
    return "\n".join([table.title, *text] if table.title else text)


def _aligned_line(cells: Sequence[str], widths: Sequence[int], right: frozenset[int]) -> str:
    placed = [
        cell.rjust(width) if column in right else cell.ljust(width)
        for column, (cell, width) in enumerate(zip(cells, widths, strict=True))
    ]
    return "  ".join(placed).rstrip()


def _show_rich(table: Table) -> None:
    from rich import box
    from rich.console import Console
    from rich.table import Table as Drawn

    console = Console(highlight=False)
    shown = columns_that_fit(table, console.width - 1)
    drawn = Drawn(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False)
    for column, header in enumerate(table.headers[:shown]):
        side: Literal["left", "right"] = "right" if column in table.right else "left"
        drawn.add_column(_literal(header), justify=side, no_wrap=column == 0 or column in table.right)
    for row in table.rows:
        drawn.add_row(*(_literal(cell) for cell in row[:shown]))
    console.print()
    console.print(_literal(table.title))
    console.print(drawn)
    if shown < len(table.headers):
        left_out = "; ".join(" ".join(header.split("\n")) for header in table.headers[shown:])
        console.print(_literal(f"left out here, too narrow ({table.whole_in} has all): {left_out}"))


def columns_that_fit(table: Table, width: int) -> int:
    """How many columns to show in `width` characters; never fewer than all that must not be dropped."""
    widths = [
        max(len(line) for cell in (header, *(row[column] for row in table.rows)) for line in cell.split("\n"))
        for column, header in enumerate(table.headers)
    ]
    shown = len(widths)
    while shown > len(widths) - table.droppable and sum(widths[:shown]) + 2 * shown > width:
        shown -= 1
    return shown


def _literal(text: str) -> Any:
    """Text that rich prints as it is, square brackets and all."""
    from rich.text import Text

    return Text(text)


def listed(names: Sequence[str]) -> str:
    """Names in a row, the first four of many."""
    return ", ".join(names[:4]) + (", ..." if len(names) > 4 else "")


def number(value: float, digits: int = 2) -> str:
    """A number for a table, "-" when there is none (NaN)."""
    return f"{value:.{digits}f}" if math.isfinite(value) else "-"


def deviation_lines(loaded: LoadedScenario) -> list[str]:
    """A line for each limit of the scenario's profile that is looser than the default."""
    profile = loaded.profile
    return [f"deviates from {profile.based_on}: {found}" for found in profile.deviations()]


def note_compiling(quiet: bool) -> None:
    """Say on a terminal that the models are compiled first, where that hasn't happened yet."""
    from thenar.shared.compiled import compiled_before

    if not quiet and sys.stderr.isatty() and not compiled_before():
        print("note: the models are compiled first, once (up to a minute)", file=sys.stderr)


@contextmanager
def progress(total: int, what: str, quiet: bool) -> Iterator[Callable[[object], None]]:
    """Gives a function to call after each of `total` things; draws a bar on stderr, only when that is a terminal."""
    if quiet or not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    console = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task(what, total=total)
        yield lambda _: bar.advance(task)
