"""What a page may say: one JSON object per message, checked before the loop's side ever sees it.

The messages and their bounds are the session's (`session_messages`). Here stand only the bounds of a line that anyone
on this machine may try: size, JSON and nothing else, and how much is said.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from typing import Any, Final, NoReturn

from thenar.live.session_messages import RefusedError, read_message

MOST_BYTES: Final = 4096
"""Longest message, bytes; the longest that the page itself says has some 200."""
PER_SECOND: Final = 60.0
"""Messages a second that one page may say for long; a dragged slider says 25."""
BURST: Final = 120


def understood(raw: str | bytes, name: str) -> dict[str, Any]:
    """The message in `raw`, with `name` as its "ref": by it the answer finds its way back to the page that asked.

    Raises RefusedError with words for the person at the page; nothing else, whatever `raw` holds.
    """
    if not isinstance(raw, str):
        raise RefusedError("a message must be text, not bytes")
    if len(raw.encode("utf-8", "replace")) > MOST_BYTES:
        raise RefusedError(f"a message may have at most {MOST_BYTES} bytes")
    try:
        found = json.loads(raw, parse_constant=_no_constant)
    except (ValueError, RecursionError):
        raise RefusedError("a message must be JSON") from None
    if isinstance(found, dict):
        found["ref"] = name
    read_message(found)
    told: dict[str, Any] = found
    return told


def _no_constant(name: str) -> NoReturn:
    raise RefusedError(f"{name} is no number here")


class Allowance:
    """How much one page may say: `PER_SECOND` messages a second, `BURST` at once."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        """`clock`: a monotonic time, s."""
        self._clock = clock
        self._left = float(BURST)
        self._then = clock()

    def spend(self) -> bool:
        """Whether one more message is allowed now; it is counted when it is."""
        now = self._clock()
        self._left = min(float(BURST), self._left + (now - self._then) * PER_SECOND)
        self._then = now
        if self._left < 1:
            return False
        self._left -= 1
        return True
