"""The published sources that the project refers to, from `sources.toml`, by key.

A text refers to a source as `[@key]`, the citation form of Markdown processors: a limit profile beside a bound, a
requirement, a settings description, a docstring, a page. `docs/sources.md` lists them all and is made from this file.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any, Final

from pydantic import Field, model_validator

from thenar.shared.errors import Strict, nearest, validated
from thenar.shared.text_input import read_toml

_FILE: Final = Path(__file__).resolve().parent / "sources.toml"
_REFERENCE: Final = re.compile(r"\[@([^\[\]\s]+)\]")


class Source(Strict):
    """One source: who, what, when, where, how far it was followed, and what hangs on it."""

    subject: str = Field(min_length=1)
    by: str = Field(min_length=1)
    title: str = ""
    year: int | None = Field(None, ge=1800, le=2100)
    where: str = Field(min_length=1)
    read: str = ""
    second_hand: str = ""
    memory: str = ""
    measured: str = ""
    used_for: str = Field(min_length=1)

    @model_validator(mode="after")
    def _says_how_far(self) -> Source:
        if not any(text for _, text in self.followed()):
            raise ValueError("at least one of read, second_hand, memory and measured")
        return self

    def citation(self) -> str:
        """Authors or body, year, title and where to find it, on one line."""
        year = "" if self.year is None else f" ({self.year})"
        return ". ".join(part.rstrip(".") for part in (f"{self.by}{year}", self.title, self.where) if part) + "."

    def followed(self) -> Iterator[tuple[str, str]]:
        """How far it was followed, as pairs of words ("read", "from memory", ...) and what that holds for."""
        parts = (("read", self.read), ("read second-hand", self.second_hand), ("from memory", self.memory))
        yield from ((words, text) for words, text in (*parts, ("measured", self.measured)) if text)

    def tag(self) -> str:
        """How far it was followed, in few words: "from memory", or "read, in part from memory"."""
        ways = [words for words, _ in self.followed()]
        return ways[0] if len(ways) == 1 else f"{ways[0]}, in part {' and '.join(ways[1:])}"


@functools.cache
def sources() -> Mapping[str, Source]:
    """Every source by its key, in the order of the file. Raises InputError when the file that ships is broken."""
    file = str(_FILE)
    return {key: validated(Source, entry, f"{file}: {key}") for key, entry in read_toml(_FILE).items()}


def cited_keys(texts: Iterable[str]) -> tuple[str, ...]:
    """The keys that `texts` refer to as `[@key]`, each once, in the order of first mention; known or not."""
    return tuple(dict.fromkeys(key for text in texts for key in _REFERENCE.findall(text)))


def cited(texts: Iterable[str]) -> list[dict[str, Any]]:
    """What `texts` refer to, as plain values in the order of first mention: key, citation, tag, what was followed.

    A key that doesn't ship (in a profile of a user's own) says so in its citation.
    """
    known, found = sources(), []
    for key in cited_keys(texts):
        if key in known:
            source = known[key]
            followed = [list(pair) for pair in source.followed()]
            found.append({"key": key, "citation": source.citation(), "tag": source.tag(), "followed": followed})
        else:
            close = nearest(key, known)
            words = "No source of this key ships with thenar" + (f"; the nearest is {close}." if close else ".")
            found.append({"key": key, "citation": words, "tag": "unknown key", "followed": []})
    return found
