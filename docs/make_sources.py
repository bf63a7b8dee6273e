"""Makes `docs/sources.md` from `shared/sources.toml`: `make sources`.

The page is kept in the repository, not made while Sphinx builds the others: limit files and code refer to its entries,
so it has to read well where the repository is browsed. `tests/thenar/test_sources.py` holds it to the data.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from thenar.shared.sources import Source, sources

PAGE: Final = Path(__file__).parent / "sources.md"
_HEAD: Final = """\
# Sources

<!-- Made from shared/sources.toml by `make sources`; change that file. -->

What thenar takes from others, and how far each was followed. A limit profile, a requirement, a setting or a page names
an entry by its key: `[@shannon-1992]` is [shannon-1992](#shannon-1992) below.

- *Read*: read in the source itself, or in the excerpt, abstract or table that is named.
- *Read second-hand*: read in somebody else's text about it.
- *From memory*: recalled and not read again. **Check it in the source before you rely on it.**
- *Measured*: tried by this project.

Titles and names are given so that a source can be found; they don't mean that it was read: only what stands after
*Read* was. Nothing here is a clinical limit, and no entry makes anything safe or compliant.

**Where the limits on on-time (R23) come from.** The default values of R23, on-time without a rest and share of on-time,
come from trials of maximal quadriceps strengthening ([nmes-knee-trials](#nmes-knee-trials)): the strongest contraction
that a patient tolerated, in a thigh. They were not found for sustained assistance near the motor threshold in a hand.

{counts}
"""
_ADDRESS: Final = re.compile(r"https?://[^\s,]*[^\s,.;)]")
_DOI: Final = re.compile(r"doi:(10\.[^\s,]*[^\s,.;)])")


def page() -> str:
    """The whole page as Markdown."""
    known = sources()
    subjects = [
        (subject, dict(group)) for subject, group in itertools.groupby(known.items(), lambda pair: pair[1].subject)
    ]
    parts = [_HEAD.format(counts=_counts(known.values()))]
    for subject, group in subjects:
        parts.append(f"## {subject}\n")
        parts += [_entry(key, source) for key, source in group.items()]
    return "\n".join(parts)


def _counts(known: Iterable[Source]) -> str:
    tags = [source.tag() for source in known]
    only = sum(tag == "from memory" for tag in tags)
    partly = sum("from memory" in tag for tag in tags) - only
    return f"{len(tags)} sources: {only} known from memory alone, {partly} in part."


def _entry(key: str, source: Source) -> str:
    lines = [f"### {key}\n", f"{_linked(source.citation())}\n"]
    lines += [f"- {words.capitalize()}: {_linked(what)}" for words, what in source.followed()]
    lines.append(f"- Used for: {_linked(source.used_for)}\n")
    return "\n".join(lines)


def _linked(text: str) -> str:
    """`text` with its addresses and DOIs as links, and nothing in it taken for markup."""
    text = text.replace("*", r"\*").replace("<", r"\<").replace("$", r"\$")
    return _DOI.sub(r"[doi:\1](https://doi.org/\1)", _ADDRESS.sub(r"<\g<0>>", text))


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8", newline="\n")
    print(f"{PAGE.name}: {len(sources())} sources")
