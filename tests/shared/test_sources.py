"""The sources that ship: each entry is whole, known by its key wherever one is named, and named somewhere."""

from __future__ import annotations

import importlib.util
import itertools
import re
import subprocess
from pathlib import Path
from types import ModuleType
from typing import Final

import pytest
from pydantic import ValidationError

from thenar.safety.profile import load_profile, shipped_profiles
from thenar.safety.requirements import REQUIREMENTS
from thenar.shared.sources import Source, cited, cited_keys, sources

ROOT: Final = Path(__file__).resolve().parents[2]
DATA: Final = ROOT / "shared" / "sources.toml"
PAGE: Final = ROOT / "docs" / "sources.md"
# In pieces, so that this file doesn't find itself.
NOTES: Final = re.compile(
    r"\b(?i:fac" + r"ts?)[,:]?\s+(?:part\s+)?[A-C](?:\d|\b)|\bfac" + r"ts\s+(?:and|on)\s+published"
)
OTHER_TEXT: Final = {".png", ".gif", ".csv", ".parquet"}
EXAMPLES: Final = {"key", "..."}
"""What a text on the form of a reference writes in place of a key."""


def texts() -> dict[str, str]:
    """Every text of the repository by its path; without git, every text below the folders that hold any."""
    git = ["git", "-C", str(ROOT), "ls-files", "--cached", "--others", "--exclude-standard", "-z"]
    try:
        names = subprocess.run(git, capture_output=True, text=True, check=True).stdout.split("\0")
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("needs the repository's list of files")
    files = [ROOT / name for name in names if name and Path(name).suffix not in OTHER_TEXT]
    return {file.relative_to(ROOT).as_posix(): file.read_text("utf-8", "replace") for file in files if file.is_file()}


TEXTS: Final = texts()


def naming_a_source(name: str) -> bool:
    """Whether a reference in this text counts: not in the list itself, nor in tests of references."""
    return name not in {"shared/sources.toml", "docs/sources.md", "tests/shared/test_sources.py"}


def maker() -> ModuleType:
    """`docs/make_sources.py`, which is no module of the package."""
    spec = importlib.util.spec_from_file_location("make_sources", ROOT / "docs" / "make_sources.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_every_key_that_a_text_names_ships() -> None:
    unknown = {
        f"{name}: [@{key}]"
        for name, text in TEXTS.items()
        if naming_a_source(name)
        for key in cited_keys([text])
        if key not in sources() and key not in EXAMPLES
    }
    assert sorted(unknown) == [], "add the source to shared/sources.toml, or mend the key"


def test_every_source_is_named_by_some_text() -> None:
    named = cited_keys(text for name, text in TEXTS.items() if naming_a_source(name))
    assert sorted(set(sources()) - set(named)) == [], "nothing refers to these entries of shared/sources.toml"


def test_no_text_refers_to_notes_that_do_not_ship() -> None:
    found = [
        f"{name}: {match.group(0)}"
        for name, text in TEXTS.items()
        for match in NOTES.finditer(text)
        if name != "tests/shared/test_sources.py"
    ]
    assert found == []


def test_notes_that_do_not_ship_are_noticed() -> None:
    word = "fac" + "ts"
    for text in (f"({word} A5)", f"{word.capitalize()} C, note 1", f"{word} part B", f"our {word} on published limits"):
        assert NOTES.search(text), text
    for text in (f"```{{{word}}} caution", f"trade {word} given for", f"the {word} that speak of a name"):
        assert not NOTES.search(text), text


def test_a_requirement_that_is_no_choice_of_ours_names_its_source() -> None:
    bare = [row.name for row in REQUIREMENTS if row.tag in {"seen", "memory"} and not cited_keys([row.source])]
    assert bare == []


@pytest.mark.parametrize("name", shipped_profiles())
def test_a_bound_that_was_read_or_recalled_names_its_source(name: str) -> None:
    bare = [
        key
        for key, bound, _ in load_profile(name).bounds()
        if bound.tag in {"seen", "memory"} and not cited_keys([bound.source])
    ]
    assert bare == []


@pytest.mark.parametrize("name", shipped_profiles())
def test_on_time_bounds_say_that_they_come_from_strengthening_trials(name: str) -> None:
    for key, bound, hard in load_profile(name).bounds():
        if hard.rule == "R23" and "[@nmes-knee-trials]" in bound.source:
            assert "maximal quadriceps strengthening" in bound.source, key
    page = " ".join(PAGE.read_text("utf-8").split())
    assert "default values of R23, on-time without a rest and share of on-time, come from trials of maximal" in page


def test_the_page_is_made_from_the_data_that_ship() -> None:
    assert PAGE.read_text("utf-8") == maker().page(), "make sources"


def test_entries_of_one_subject_stand_together_and_keys_are_plain() -> None:
    known = sources()
    assert all(re.fullmatch(r"[a-z][a-z0-9]*(-[a-z0-9]+)*", key) for key in known)
    runs = [subject for subject, _ in itertools.groupby(source.subject for source in known.values())]
    assert len(runs) == len(set(runs))


@pytest.mark.parametrize("key", sources())
def test_an_entry_leaves_nothing_half_said(key: str) -> None:
    source = sources()[key]
    for text in (source.used_for, *(what for _, what in source.followed())):
        assert text == text.strip()
        assert text.endswith(".")
        assert text.count("(") == text.count(")")
    # A bare "title" and "where" end without a stop; the citation sets it.
    assert not source.title.endswith(".")
    assert max(map(len, source.citation().split())) <= 85, "a longer address breaks in a terminal: put it in read"


def test_an_entry_must_say_how_far_it_was_followed() -> None:
    with pytest.raises(ValidationError, match="at least one of read, second_hand, memory and measured"):
        Source(subject="s", by="b", where="w", used_for="u")


def test_a_tag_names_memory_wherever_a_part_is_from_memory() -> None:
    common = {"subject": "s", "by": "b", "where": "w", "used_for": "u"}
    assert Source(**common, memory="all.").tag() == "from memory"
    assert Source(**common, read="some.", memory="the rest.").tag() == "read, in part from memory"
    assert Source(**common, read="a.", second_hand="b.", memory="c.").tag() == (
        "read, in part read second-hand and from memory"
    )


def test_keys_come_once_in_the_order_of_first_mention() -> None:
    assert cited_keys(["a [@shannon-1992] b [@iec-60601-2-10]", "[@shannon-1992][@opendbc]", "[key] [@not a key]"]) == (
        "shannon-1992",
        "iec-60601-2-10",
        "opendbc",
    )


def test_a_key_of_nobody_is_told_with_the_nearest_that_ships() -> None:
    (found,) = cited(["my own trial [@shanon-1992]"])
    assert found["tag"] == "unknown key"
    assert found["citation"] == "No source of this key ships with thenar; the nearest is shannon-1992."


def test_a_citation_reads_as_one() -> None:
    assert sources()["shannon-1992"].citation() == (
        "Shannon (1992). A model of safe levels for electrical stimulation. "
        "IEEE Trans. Biomed. Eng. 39(4):424-426, doi:10.1109/10.126616."
    )
