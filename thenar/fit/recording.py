"""A measured recording as every fit takes it: columns of numbers, checked, with its origin and what was mended."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

TIME_COLUMN: Final = "t_s"


class Series(NamedTuple):
    """One quantity over time. `t_s`: s, strictly rising; `values`: in its column's unit. Shapes (n,), all finite."""

    t_s: NDArray[np.float64]
    values: NDArray[np.float64]


@dataclass(frozen=True)
class Recording:
    """What a file holds of one kind of recording.

    `kind`: estimator, recruitment, muscle, wearer or session; `file`: as the user named it; `sha256`: of its bytes;
    `rows`: rows in the file; `begins`, `ends`: first and last date on record, ISO 8601, "" where none is; `columns`:
    by name with unit, shape (n,) each, NaN where a cell is empty; `repairs`: what was mended on request, one sentence
    with a count each.
    """

    kind: str
    file: str
    sha256: str
    rows: int
    begins: str
    ends: str
    columns: Mapping[str, NDArray[np.float64]]
    repairs: tuple[str, ...] = ()

    def has(self, column: str) -> bool:
        """Is there a column of this name with at least one number in it."""
        return column in self.columns and bool(np.isfinite(self.columns[column]).any())

    def series(self, column: str) -> Series:
        """`column` over time, without its empty cells. Raises KeyError for a column that isn't there."""
        values = self.columns[column]
        known = np.isfinite(values)
        return Series(self.columns[TIME_COLUMN][known], values[known])
