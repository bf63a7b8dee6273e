"""Dates that a file states about itself: `# recorded: 2026-11-03`, a column `recorded`, or a header's date."""

from __future__ import annotations

import datetime
from collections.abc import Iterable
from typing import Final

MARK: Final = "recorded:"
BETWEEN: Final = " to "
ALLOWED: Final = "a date as 2026-11-03 or 2026-11-03T14:05, or two of them with ' to ' between"


def date_of(text: str) -> str:
    """The date or time in `text` as ISO 8601. Raises ValueError for anything else."""
    text = text.strip()
    if len(text) == len("2026-11-03"):
        return datetime.date.fromisoformat(text).isoformat()
    return datetime.datetime.fromisoformat(text).isoformat()


def dates_in(comment: str) -> list[str]:
    """The dates of a comment that begins with `recorded:`, none for another. Raises ValueError for a bad date."""
    words = comment.lstrip("# \t").strip()
    if not words.lower().startswith(MARK):
        return []
    return [date_of(part) for part in words[len(MARK) :].split(BETWEEN)]


def span(dates: Iterable[str]) -> tuple[str, str]:
    """First and last of `dates`, "" and "" when there are none. Zones don't count: a lab's dates share one."""
    ordered = sorted(dates, key=lambda date: date[: len("2026-11-03T14:05:00")])
    return (ordered[0], ordered[-1]) if ordered else ("", "")
