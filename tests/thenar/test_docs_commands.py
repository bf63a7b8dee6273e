"""What the pages of docs/ tell a reader to type works, and what they show as output is what comes out."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from tests.thenar.doc_blocks import ROOT, Block, blocks_of, clone, joined_lines, missing_lines, pages, play
from thenar.cli import main

PAGES = [page for page in pages() if blocks_of(page)]
QUICK = [page for page in PAGES if any(block.quick for block in blocks_of(page))]
NAMES = {page: page.stem for page in PAGES}

TUTORIALS = {"tune-a-law", "review-the-limits", "write-a-study"}


def _played(blocks: list[Block], folder: Path) -> None:
    clone(folder)
    wrong = []
    for block in blocks:
        printed = play(block, folder)
        wrong += [(block.page, block.line, line) for line in missing_lines(block.shown, printed)]
    assert not wrong


@pytest.mark.parametrize("page", QUICK, ids=NAMES.get)
def test_quick_commands_of_a_page_print_what_it_shows(page: Path, tmp_path: Path) -> None:
    _played([block for block in blocks_of(page) if block.quick], tmp_path)


@pytest.mark.campaign
@pytest.mark.parametrize("page", PAGES, ids=NAMES.get)
def test_all_commands_of_a_page_print_what_it_shows(page: Path, tmp_path: Path) -> None:
    _played(blocks_of(page), tmp_path)


def test_each_tutorial_is_there_and_plays_commands() -> None:
    counts = {page.stem: len(blocks_of(page)) for page in PAGES}
    assert {name for name in TUTORIALS if counts.get(name, 0) >= 8} == TUTORIALS


@pytest.mark.parametrize("name", sorted(TUTORIALS))
def test_a_tutorial_fits_into_twenty_minutes_by_its_own_figures(name: str) -> None:
    text = (ROOT / "docs" / "tutorials" / f"{name}.md").read_text("utf-8")
    measured = re.search(r"commands took ([\d.]+) minutes\. The page has ([\d,]+) words\.", text)
    assert measured
    said_words = int(measured[2].replace(",", ""))
    assert said_words == pytest.approx(len(text.split()), rel=0.02)
    words_per_min = 200
    assert float(measured[1]) + said_words / words_per_min < 20 / 2, "leaves less than half of the time for looking"
    assert sum(int(minutes) for minutes in re.findall(r"^## .* \((\d+) min\)$", text, re.MULTILINE)) == 20


def _thenar_lines(text: str) -> list[str]:
    found = re.findall(r"^```sh[^\n]*\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)
    lines = [line.strip() for block in found for line in joined_lines(block)]
    return [line for line in lines if re.match(r"(\.venv/bin/)?thenar ", line)]


README_LINES = _thenar_lines((ROOT / "README.md").read_text("utf-8"))
DOC_LINES = [line for page in PAGES for line in _thenar_lines(page.read_text("utf-8"))]


def _help_of(command: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> str:
    with pytest.raises(SystemExit) as ended:
        main([*command, "--help"])
    assert ended.value.code == 0, command
    return capsys.readouterr().out


def _unknown_in(help_text: str, options: list[str]) -> list[str]:
    return [each for each in options if not re.search(rf"(?<![\w-]){each}(?![\w-])", help_text)]


def test_every_command_and_option_named_in_readme_and_pages_exists(capsys: pytest.CaptureFixture[str]) -> None:
    assert len(README_LINES) > 20
    assert len(DOC_LINES) > 20
    known: dict[tuple[str, ...], str] = {}
    unknown = []
    for line in README_LINES + DOC_LINES:
        words = shlex.split(line, comments=True)[1:]
        start = next(place for place, word in enumerate(words) if not word.startswith("-"))
        command = tuple(words[start : start + (2 if words[start] == "fit" else 1)])
        if command not in known:
            known[command] = _help_of(command, capsys)
        options = [word.split("=")[0] for word in words[start:] if word.startswith("--")]
        unknown += [(line, each) for each in _unknown_in(known[command], options)]
    assert not unknown


def test_the_readme_has_a_row_for_each_command_and_its_options_exist(capsys: pytest.CaptureFixture[str]) -> None:
    rows = dict(re.findall(r"^\| `thenar (\w+)([^`]*)`", (ROOT / "README.md").read_text("utf-8"), re.MULTILINE))
    commands = re.findall(r"^    (\w+)\b", _help_of((), capsys), re.MULTILINE)
    assert sorted(rows) == sorted(commands)
    options = {name: re.findall(r"--[\w-]+", rest) for name, rest in rows.items()}
    assert {name: found for name in rows if (found := _unknown_in(_help_of((name,), capsys), options[name]))} == {}


@pytest.mark.parametrize(
    ("shown", "printed", "missing"),
    [
        ("one\n...\nthree\n", "one\ntwo\nthree\n", []),
        ("three\none\n", "one\ntwo\nthree\n", ["one"]),
        ("PASSED after ... s\n", "PASSED after 12.5 s\n", []),
        ("error 0.82 N\n", "error 0.83 N\n", ["error 0.82 N"]),
        ("two\n", "one\ntwo and more\n", ["two"]),
    ],
)
def test_an_excerpt_that_is_not_what_was_printed_is_noticed(shown: str, printed: str, missing: list[str]) -> None:
    assert missing_lines(shown, printed) == missing


def test_a_block_that_fails_is_noticed(tmp_path: Path) -> None:
    for commands in ("false\ntrue\n", "true    # exit code 2\n", "false | true\n"):
        with pytest.raises(AssertionError, match="exit code"):
            play(Block("none.md", 1, commands, quick=True, shown=""), tmp_path)
