"""What waits to be sent to one page: bounded, so that a slow page costs nobody else anything.

Rows may be left out (the oldest first, counted and told); a state takes the place of the one that still waits; whatever
else is said must arrive, so a page that doesn't take it is shut.
"""

from __future__ import annotations

import json
from collections import deque
from typing import Final, NamedTuple

ROW_BYTES: Final = 2_000_000
"""Rows that may wait for one page, bytes: seven seconds at twenty times real time, two minutes at real time."""
OTHER_BYTES: Final = 8_000_000
"""All else that may wait for one page, bytes: a comparison has a megabyte or two."""


class Letter(NamedTuple):
    """One message as text. `kind`: what it says; `rows`: how many rows of the trace are in it."""

    kind: str
    text: str
    rows: int = 0


class Outbox:
    """The letters for one page, in order."""

    def __init__(self) -> None:
        """Empty."""
        self._letters: deque[Letter] = deque()
        self._row_bytes = 0
        self._other_bytes = 0
        self._left_out = 0
        self.rows_left_out = 0
        """Rows of the trace that this page never got, since it came."""

    def put(self, letter: Letter) -> bool:
        """Add a letter. Returns False when what may not be left out has grown past its bound."""
        if letter.kind == "state":
            self._drop_old_state()
        self._letters.append(letter)
        if letter.kind != "rows":
            self._other_bytes += len(letter.text)
            return self._other_bytes <= OTHER_BYTES
        self._row_bytes += len(letter.text)
        while self._row_bytes > ROW_BYTES:
            self._drop_oldest_rows()
        return True

    def take(self) -> str | None:
        """The next text to send, None when there is none. Tells left-out rows before the rows that follow them."""
        if not self._letters:
            return None
        if self._left_out and self._letters[0].kind == "rows":
            told, self._left_out = self._left_out, 0
            return json.dumps({"is": "left-out", "rows": told})
        letter = self._letters.popleft()
        self._weigh_off(letter)
        return letter.text

    def waiting_bytes(self) -> int:
        """What waits, in bytes of text."""
        return self._row_bytes + self._other_bytes

    def _drop_oldest_rows(self) -> None:
        place = next(i for i, letter in enumerate(self._letters) if letter.kind == "rows")
        self._weigh_off(self._letters[place])
        self._left_out += self._letters[place].rows
        self.rows_left_out += self._letters[place].rows
        del self._letters[place]

    def _drop_old_state(self) -> None:
        for place, letter in enumerate(self._letters):
            if letter.kind == "state":
                self._weigh_off(letter)
                del self._letters[place]
                return

    def _weigh_off(self, letter: Letter) -> None:
        if letter.kind == "rows":
            self._row_bytes -= len(letter.text)
        else:
            self._other_bytes -= len(letter.text)
