"""Columns of text as numbers: what is empty, what says that a value is missing, what is no number at all."""

from __future__ import annotations

import re
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.fit.raw import MISSING_WORDS, Flags

_NUMBER: Final = r"^[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?$"
_WITH_COMMA: Final = r"^[+-]?([0-9]+,[0-9]*|,[0-9]+)([eE][+-]?[0-9]+)?$"


class TextNumbers(NamedTuple):
    """One column. `values`: NaN where no number is; `missing`: words for one; `commas`: numbers with a decimal comma.

    `bad`: none of these, and not empty. Shapes (n,).
    """

    values: NDArray[np.float64]
    missing: Flags
    bad: Flags
    commas: Flags


def is_number(text: str) -> bool:
    """Is `text` a number with a decimal point."""
    return re.match(_NUMBER, text) is not None


def numbers_in(column: Any, comma: bool) -> TextNumbers:
    """`column` (pyarrow text) as numbers. `comma`: take decimal commas for decimal points."""
    import pyarrow as pa
    import pyarrow.compute as pc

    text = pc.utf8_trim_whitespace(column)
    if isinstance(text, pa.ChunkedArray):
        text = text.combine_chunks()
    commas = np.zeros(len(text), np.bool_)
    if pc.any(pc.match_substring(text, ",")).as_py():
        with_comma = pc.match_substring_regex(text, _WITH_COMMA)
        commas = _flags(with_comma)
        if comma:
            text = pc.if_else(with_comma, pc.replace_substring(text, ",", "."), text)
    numeric = pc.match_substring_regex(text, _NUMBER)
    values = pc.cast(pc.if_else(numeric, text, pa.scalar(None, pa.string())), pa.float64())
    left = _flags(pc.invert(pc.or_(numeric, pc.equal(text, ""))))
    missing = np.zeros(left.size, np.bool_)
    if left.any():
        words = pc.is_in(pc.utf8_lower(text), value_set=pa.array(MISSING_WORDS))
        missing = _flags(words)
    return TextNumbers(_floats(values), missing, left & ~missing & ~commas, commas)


def _flags(found: Any) -> Flags:
    return np.asarray(found.to_numpy(zero_copy_only=False), dtype=np.bool_)


def _floats(found: Any) -> NDArray[np.float64]:
    return np.array(found.to_numpy(zero_copy_only=False), dtype=np.float64)
