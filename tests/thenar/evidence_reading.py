"""How tests read an evidence page and its twin, and make the files it is made from."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

from thenar.report.evidence import CHALLENGE, PAGE, TWIN, write_evidence
from thenar.report.evidence_tests import ids_of_tests
from thenar.report.folder import seal_folder
from thenar.safety.requirements import REQUIREMENTS

RULES = [row.name for row in REQUIREMENTS]


class Seen(HTMLParser):
    """What a page holds: its words, its tags with their attributes, and whether every tag was closed in order."""

    VOID = ("meta", "br", "img")

    def __init__(self, html: str) -> None:
        super().__init__()
        self.words: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    @property
    def text(self) -> str:
        """All words of the page, with single spaces."""
        return " ".join(" ".join(self.words).split())


def written(folder: Path, challenge: dict[str, Any], **parts: Any) -> tuple[str, dict[str, Any]]:
    """The page and its twin."""
    (folder / CHALLENGE).write_text(json.dumps(challenge), "utf-8")
    write_evidence(folder, challenge, **parts)
    seal_folder(folder, "challenge", (CHALLENGE, PAGE, TWIN))
    return (folder / PAGE).read_text("utf-8"), json.loads((folder / TWIN).read_text("utf-8"))


def rows_of(record: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """The rows of the twin by identifier."""
    return {row["id"]: row for row in record["requirements"]}


def cells_of(html: str, rule: str) -> list[str]:
    """The cells of a requirement's row on the page, as text."""
    row = html.split(f'<tbody id="{rule}"', 1)[1].split("</tr>", 1)[0]
    return [Seen(f"<td>{cell}").text for cell in re.findall(r"<td>(.*?)</td>", row)]


def junit(folder: Path, outcomes: dict[str, str]) -> Path:
    """A JUnit file with these tests ("tests/safety/test_x.py::test_y[3-a]": "passed")."""
    marks = {"passed": "", "failed": "<failure/>", "skipped": "<skipped/>"}
    cases = [
        f'<testcase classname="{name.split(".py::")[0].replace("/", ".")}" name="{name.split("::")[1]}">'
        f"{marks[outcome]}</testcase>"
        for name, outcome in outcomes.items()
    ]
    file = folder / "junit.xml"
    told = '<testsuites><testsuite timestamp="2031-05-06T07:08:09">' + "".join(cases) + "</testsuite></testsuites>"
    file.write_text(told, "utf-8")
    return file


def everything_passed() -> dict[str, str]:
    """Each test of the table, passed; those at a bound with the requirement's number in front."""
    told = {}
    for rule in RULES:
        for name in ids_of_tests(rule):
            told[f"{name}[{int(rule[1:])}-limits0]" if "one_below_and_at" in name else name] = "passed"
    return told
