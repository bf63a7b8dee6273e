"""A lane of messages that never grows: who doesn't read in time loses the oldest rows, and is told how many."""

from __future__ import annotations

import threading
from collections import deque
from typing import Any, Final

MOST_ROWS: Final = 20_000
"""Rows of the trace that wait at most: 200 s at real pace of a trace at 100 Hz."""
MOST_OTHERS: Final = 2_000
"""Other messages that wait at most."""

Said = dict[str, Any]


class Lane:
    """Messages from one thread to another, in order. A message of rows has "rows": how many."""

    def __init__(self, most_rows: int = MOST_ROWS, most_others: int = MOST_OTHERS) -> None:
        self._most_rows, self._most_others = most_rows, most_others
        self._waiting: deque[Said] = deque()
        self._rows = 0
        self._lost = 0
        self._changed = threading.Condition()
        self._closed = False
        self.lost_rows = 0
        self.lost_others = 0

    def put(self, said: Said) -> None:
        """Add a message; a state takes the place of one that waits."""
        with self._changed:
            if said["is"] == "state":
                for place, other in enumerate(self._waiting):
                    if other["is"] == "state":
                        del self._waiting[place]
                        break
            self._waiting.append(said)
            self._rows += said.get("rows", 0)
            self._keep_bounds()
            self._changed.notify()

    def take(self, wait: bool = False) -> list[Said]:
        """All messages that wait, oldest first. `wait`: until there is one, or the lane is closed."""
        with self._changed:
            while wait and not self._waiting and not self._closed:
                self._changed.wait()
            taken = list(self._waiting)
            self._waiting.clear()
            self._rows = 0
            for said in taken:
                if said["is"] == "rows" and self._lost:
                    said["dropped"] += self._lost
                    self._lost = 0
            return taken

    def close(self) -> None:
        """Let go whoever waits."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()

    @property
    def closed(self) -> bool:
        """Whether nothing follows."""
        return self._closed

    def _keep_bounds(self) -> None:
        while self._rows > self._most_rows:
            place = next(place for place, said in enumerate(self._waiting) if said["is"] == "rows")
            gone = self._waiting[place]
            del self._waiting[place]
            self._rows -= gone["rows"]
            self._lost += gone["rows"] + gone["dropped"]
            self.lost_rows += gone["rows"]
        others = sum(said["is"] != "rows" for said in self._waiting) if len(self._waiting) > self._most_others else 0
        while others > self._most_others:
            place = next(place for place, said in enumerate(self._waiting) if said["is"] != "rows")
            del self._waiting[place]
            self.lost_others += 1
            others -= 1
