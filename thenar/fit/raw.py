"""A recording as it came out of its file, before anything is mended or doubted."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from thenar.fit.kinds import Kind
from thenar.shared.errors import Problem

MISSING_WORDS: Final = ("nan", "na", "n/a", "#n/a", "-", "--", "?", "none", "null", "nil", "missing")

MOST_UNUSABLE: Final = 0.1

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Places = NDArray[np.int64]


@dataclass
class Block:
    """Rows that share one clock: a table, or one stream of an XDF file.

    `origin`: "" or the stream's name; `counts`: what a row is called ("line", "row", "sample"); `places`: shape (n,),
    the number of each row in the file; `columns`: by our names, shape (n,), NaN where no number is; `missing`: by the
    same names, True where the file has a word for a value that should have been there; `unusable`: likewise, True
    where there is something that is no finite number, which has been told already.
    """

    origin: str
    counts: str
    places: Places
    columns: dict[str, Floats]
    missing: dict[str, Flags] = field(default_factory=dict)
    unusable: dict[str, Flags] = field(default_factory=dict)

    @property
    def rows(self) -> int:
        """How many rows there are."""
        return int(self.places.size)

    def keep(self, rows: Flags | NDArray[np.intp]) -> None:
        """Leave only `rows`: flags of shape (n,), or the rows to have in their new order."""
        self.places = self.places[rows]
        for held in (self.columns, self.missing, self.unusable):
            held.update({name: values[rows] for name, values in held.items()})  # type: ignore[misc]

    def key(self, column: str, row: int | None = None) -> str:
        """Where in the file `column` is, and its `row` when given: the key of a problem."""
        where = f"column {column}" + (f" (stream {self.origin})" if self.origin else "")
        return where if row is None else f"{where}, {self.counts} {self.places[row]}"

    def first(self, rows: Flags) -> int:
        """The first of `rows` that is True."""
        return int(np.argmax(rows))


@dataclass
class Raw:
    """What one file gave. `asked`: names of repairs asked for; `dates`: ISO 8601; `mended`: a sentence per repair."""

    file: str
    kind: Kind
    sha256: str
    rows: int
    blocks: list[Block]
    asked: tuple[str, ...] = ()
    dates: list[str] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    mended: list[str] = field(default_factory=list)

    def asks(self, name: str) -> bool:
        """Was the repair `name` asked for, for any column."""
        return any(asked.partition(":")[0] == name for asked in self.asked)

    def say(self, key: str, found: str, allowed: str, nearest: str = "") -> None:
        """Note one thing wrong with the file."""
        self.problems.append(Problem(self.file, key, found, allowed, nearest))

    def put(self, block: Block, column: str, values: Floats, missing: Flags, unusable: Flags | None = None) -> None:
        """Give `block` a column; what is infinite is told and counts as no number. Shapes (n,)."""
        infinite = np.isinf(values)
        block.columns[column] = np.where(infinite, np.nan, values)
        block.missing[column] = missing
        block.unusable[column] = infinite if unusable is None else infinite | unusable
        if infinite.any():
            found = counted(int(infinite.sum()), "infinite value")
            self.say(block.key(column, block.first(infinite)), found, "finite numbers, or an empty cell")

    def values(self, column: str) -> Floats:
        """All numbers of `column` in the order of the file, empty cells left out; empty when it isn't there."""
        parts = [block.columns[column] for block in self.blocks if column in block.columns]
        if not parts:
            return np.empty(0)
        together = np.concatenate(parts)
        return together[~np.isnan(together)]

    def judged(self, column: str) -> Floats:
        """`values`, but none where too many cells are no numbers at all: what is left tells nothing of the column."""
        unusable = [block.unusable[column] for block in self.blocks if column in block.unusable]
        return np.empty(0) if _share(unusable) > MOST_UNUSABLE else self.values(column)


def _share(flags: list[Flags]) -> float:
    """The share of True in all of `flags`."""
    return sum(int(one.sum()) for one in flags) / max(1, sum(one.size for one in flags))


def mend_with(*repairs: str) -> str:
    """The end of a sentence: how to ask for one of `repairs`."""
    return "mend with " + " or ".join(f"--repair {one}" for one in repairs)


def counted(count: int, one: str, many: str = "") -> str:
    """`count` with the right form of its noun."""
    return f"{count:,} {one if count == 1 else many or one + 's'}"
