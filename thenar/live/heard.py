"""What a page may say: one JSON object per message, checked before the loop ever sees it.

The shape is checked here (words, numbers, sizes); whether a key exists and a value lies in its bounds is the session's
business, which knows the scenario. Nothing that a page says can name a file but the stem of one to save.
"""

from __future__ import annotations

import json
import math
import re
import time
from collections.abc import Callable, Collection, Mapping
from typing import Any, Final, NoReturn

MOST_BYTES: Final = 4096
"""Longest message, bytes; the longest that the page itself says has some 200."""
MOST_FIELDS: Final = 8
LONGEST_WORD: Final = 80
PER_SECOND: Final = 60.0
"""Messages a second that one page may say for long; a dragged slider says 25."""
BURST: Final = 120

_NAME: Final = re.compile(r"[a-z0-9]([a-z0-9-]{0,38}[a-z0-9])?")
_FIELD: Final = re.compile(r"[A-Za-z][A-Za-z0-9_]{0,31}")


class RefusedError(Exception):
    """A message that is not understood, with the reason in words."""


def _word(found: object, what: str) -> str:
    if not isinstance(found, str) or not 0 < len(found) <= LONGEST_WORD or not found.isprintable():
        raise RefusedError(f"{what} must be one line of 1 to {LONGEST_WORD} characters")
    return found


def _number(found: object, what: str) -> float | int:
    if isinstance(found, bool) or not isinstance(found, int | float):
        raise RefusedError(f"{what} must be a number")
    # Whole numbers beyond a double's reach would raise in whatever reckons with them.
    if not -1e15 <= found <= 1e15 or not math.isfinite(found):
        raise RefusedError(f"{what} must be a finite number")
    return found


def _file_stem(found: object, what: str) -> str:
    if not isinstance(found, str) or not _NAME.fullmatch(found):
        raise RefusedError(f"{what} must be 1 to 40 of a-z, 0-9 and -, with no - at either end")
    return found


_KEYS: Final[Mapping[str, Mapping[str, Callable[[object, str], object]]]] = {
    "set": {"key": _word, "value": _number},
    "rearm": {"cause": _word},
    "pace": {"factor": _number},
    "save": {"name": _file_stem},
    **{name: {} for name in ("stop", "pause", "resume", "restart", "next", "keep", "compare")},
}
WORDS: Final = frozenset({*_KEYS, "fault"})


def understood(raw: str | bytes, only: Collection[str] = WORDS) -> dict[str, Any]:
    """The message in `raw`: a dict with "do" and exactly the fields that belong to it. `only`: what "do" may be.

    Raises RefusedError with words for the person at the page; nothing else, whatever `raw` holds.
    """
    found = _object(raw)
    done = found.pop("do", None)
    if not isinstance(done, str) or done not in only:
        raise RefusedError(f'"do" must be one of {", ".join(sorted(only))}')
    if done == "fault":
        return {"do": "fault", **_fault(found)}
    fields = _KEYS[done]
    if found.keys() != fields.keys():
        raise RefusedError(f'"{done}" takes {_listed(fields)}')
    return {"do": done, **{name: check(found[name], f'"{name}"') for name, check in fields.items()}}


def _object(raw: str | bytes) -> dict[str, Any]:
    if not isinstance(raw, str):
        raise RefusedError("a message must be text, not bytes")
    if len(raw.encode("utf-8", "replace")) > MOST_BYTES:
        raise RefusedError(f"a message may have at most {MOST_BYTES} bytes")
    try:
        found = json.loads(raw, parse_constant=_no_constant)
    except (ValueError, RecursionError):
        raise RefusedError("a message must be JSON") from None
    if not isinstance(found, dict):
        raise RefusedError("a message must be one JSON object")
    return found


def _no_constant(name: str) -> NoReturn:
    raise RefusedError(f"{name} is no number here")


def _fault(found: Mapping[str, object]) -> dict[str, object]:
    if "kind" not in found or len(found) > MOST_FIELDS:
        raise RefusedError(f'"fault" takes "kind" and at most {MOST_FIELDS - 1} fields of that kind')
    if not all(_FIELD.fullmatch(name) for name in found):
        raise RefusedError("the name of a field must be letters, digits and _")
    return {name: _plain(value, f'"{name}"') for name, value in found.items()}


def _plain(value: object, what: str) -> object:
    return _word(value, what) if isinstance(value, str) else _number(value, what)


def _listed(fields: Mapping[str, object]) -> str:
    return " and ".join(f'"{name}"' for name in fields) or "nothing more"


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
