"""The evidence page: complete, honest about what was not run, escaped, stamped, and equal to its twin."""

from __future__ import annotations

import ast
import hashlib
import importlib
import json
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

import thenar
from tests.thenar.made_challenge import made_challenge
from thenar.cli import main
from thenar.report.evidence import CHALLENGE, PAGE, TWIN, write_evidence
from thenar.report.evidence_places import enforced_in
from thenar.report.evidence_tests import TESTS_OF, ids_of_tests, read_junit
from thenar.report.evidence_words import CHECKS, FALLBACK, NO_RUN
from thenar.safety.hazards import DISTURBANCES, HAZARDS
from thenar.safety.profile import load_profile
from thenar.safety.requirements import REQUIREMENTS
from thenar.shared.errors import InputError

ROOT = Path(__file__).resolve().parents[2]
RULES = [row.name for row in REQUIREMENTS]


class Seen(HTMLParser):
    """What a page holds: its words, its tags with their attributes, and whether every tag was closed in order."""

    VOID = ("meta", "br")

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


def test_every_requirement_hazard_disturbance_and_fallback_mode_is_on_the_page_and_in_the_twin(tmp_path: Path) -> None:
    html, record = written(tmp_path, made_challenge())
    seen = Seen(html)
    assert seen.open == []
    assert [row["id"] for row in record["requirements"]] == RULES
    ids = [attributes.get("id") for _, attributes in seen.tags]
    assert [name for name in ids if name in RULES] == RULES
    names = [one.name for one in (*HAZARDS, *DISTURBANCES, *FALLBACK)] + [row.title for row in REQUIREMENTS]
    assert [name for name in names if name not in seen.text] == []
    assert len(HAZARDS) >= 14
    listed = [row["name"] for key in ("hazards", "disturbances", "fallback") for row in record[key]]
    assert listed == [one.name for one in (*HAZARDS, *DISTURBANCES, *FALLBACK)]


def test_every_rule_that_a_hazard_or_mode_names_exists_and_every_requirement_stands_against_some_hazard() -> None:
    named = [rule for one in (*HAZARDS, *DISTURBANCES, *FALLBACK) for rule in one.rules] + [c.rule for c in CHECKS]
    assert set(named) <= set(RULES)
    assert set(RULES) == {rule for hazard in HAZARDS for rule in hazard.rules}


@pytest.mark.parametrize("rule", RULES)
def test_every_place_in_the_code_exists(rule: str) -> None:
    for place in enforced_in()[rule]:
        module, name = place.split(":")
        assert callable(getattr(importlib.import_module(f"thenar.{module}"), name)), place


def test_every_test_named_for_a_requirement_exists() -> None:
    assert set(TESTS_OF) == set(RULES)
    for rule in RULES:
        for name in ids_of_tests(rule):
            file, function = name.split("::")
            tree = ast.parse((ROOT / file).read_text("utf-8"))
            assert function in {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}, name


def test_every_plausibility_check_is_a_bound_of_its_rule() -> None:
    bounds = {key: hard.rule for key, _, hard in load_profile("forearm-25cm2").bounds()}
    assert [check.key for check in CHECKS if bounds.get(check.key) != check.rule] == []


def test_what_was_not_run_says_so_in_every_cell(tmp_path: Path) -> None:
    html, record = written(tmp_path, made_challenge())
    assert set(record["parts"].values()) == {NO_RUN}
    for rule, row in rows_of(record).items():
        assert {row[key] for key in ("tests", "boundary", "mutants", "proof", "vectors")} == {NO_RUN}
        assert cells_of(html, rule)[-5:] == [NO_RUN] * 5


def test_a_requirement_that_the_campaign_left_out_has_no_run_and_no_verdict_of_held(tmp_path: Path) -> None:
    challenge = made_challenge()
    challenge["rows"] = [row for row in challenge["rows"] if row["id"] != "R20"]
    html, record = written(tmp_path, challenge)
    assert rows_of(record)["R20"]["verdict"] == NO_RUN
    assert cells_of(html, "R20")[2:] == [NO_RUN] * 12
    startle = next(row for row in record["hazards"] if row["name"].startswith("Startle"))
    assert (startle["verdict"], startle["not_held"]) == (NO_RUN, ["R20"])


@pytest.mark.parametrize(
    ("rule", "change", "verdict", "why"),
    [
        ("R06", {"verdict": "fail"}, "FAILS", "broken with the interlock on"),
        ("R06", {"violations_on": 3}, "FAILS", "broken with the interlock on"),
        ("R09", {"verdict": "not exercised"}, "GAP", "not exercised"),
        ("R11", {"removal": "crashed"}, "GAP", "crashed"),
        ("R13", {}, "held", ""),
    ],
)
def test_the_verdict_follows_the_campaign_and_its_reason_is_on_the_page(
    tmp_path: Path, rule: str, change: dict[str, Any], verdict: str, why: str
) -> None:
    challenge = made_challenge()
    row = next(row for row in challenge["rows"] if row["id"] == rule)
    if "removal" in change:
        row["removal"] |= {"state": change["removal"], "caught_after": None, "caught_by": [], "what": "IndexError: x"}
    else:
        row |= change
    html, record = written(tmp_path, challenge)
    assert rows_of(record)[rule]["verdict"] == verdict
    assert why in " ".join(rows_of(record)[rule]["why"])
    assert cells_of(html, rule)[2].endswith(verdict)
    assert ('class="bad"' in html) == (verdict == "FAILS")
    assert record["counts"][verdict] == (len(RULES) if verdict == "held" else 1)


def test_tests_are_counted_by_the_table_and_by_the_identifier_in_their_names(tmp_path: Path) -> None:
    outcomes = everything_passed() | {"tests/safety/test_audit_planted.py::test_a_fault_is_found[R06-x]": "failed"}
    outcomes["tests/safety/test_audit_planted.py::test_a_fault_is_found[R061-x]"] = "failed"
    del outcomes[ids_of_tests("R33")[0]]
    html, record = written(tmp_path, made_challenge(), tests=read_junit(junit(tmp_path, outcomes)))
    rows = rows_of(record)
    assert rows["R06"]["tests"] == {"passed": 3, "failed": 1, "skipped": 0, "not_run": 0}
    assert rows["R06"]["verdict"] == "FAILS"
    assert rows["R33"]["tests"] == {"passed": 2, "failed": 0, "skipped": 0, "not_run": 1}
    assert rows["R33"]["verdict"] == "GAP"
    assert (rows["R06"]["boundary"], rows["R33"]["boundary"]) == ("passed", None)
    assert cells_of(html, "R06")[9:11] == ["3 / 1", "passed"]
    assert cells_of(html, "R33")[9:11] == ["2 / 0 , 1 not run", "see tests"]
    assert record["parts"]["tests"]["taken"] == "2031-05-06T07:08:09"
    assert record["parts"]["tests"]["sha256"] == hashlib.sha256((tmp_path / "junit.xml").read_bytes()).hexdigest()


def test_proofs_mutants_and_vectors_reach_their_rows(tmp_path: Path) -> None:
    proofs = [
        {"id": "R06", "property": "never above the peak", "functions": ["bound_channel"], "result": "proved"},
        {"id": "R07", "property": "never above the ceiling", "functions": ["bound_channel"], "result": "failed"},
    ]
    mutation = {"tool": "x", "files": {"safety/ceilings.py": {"killed": 40, "survived": 2, "equivalent": 1}}}
    vectors = {"count": 900, "by_rule": {"R06": 31}}
    html, record = written(tmp_path, made_challenge(), proofs=proofs, mutation=mutation, vectors=vectors)
    rows = rows_of(record)
    assert rows["R07"]["verdict"] == "FAILS"
    assert rows["R06"]["verdict"] == "GAP"
    mutants, proof, count = cells_of(html, "R06")[11:]
    assert (proof, count) == ("proved: never above the peak", "31")
    assert {"1 equivalent", "40 killed", "2 survived"} == set(mutants.split(", "))
    # Its code lies elsewhere, nothing was proved of it, no vector names it.
    assert cells_of(html, "R33")[11:] == [NO_RUN, NO_RUN, "0"]


def test_the_page_shows_the_values_of_its_twin(tmp_path: Path) -> None:
    html, record = written(tmp_path, made_challenge())
    for rule, row in rows_of(record).items():
        cells, campaign = cells_of(html, rule), row["campaign"]
        assert cells[3:5] == [str(campaign["challenged"]), str(campaign["acted"])]
        assert cells[6] == (campaign["closest_in_words"] or "no single value")
        assert cells[7] == f"{campaign['violations_off']} / {campaign['violations_on']}"
        assert cells[8].startswith(f"after {campaign['removal']['caught_after']}, by ")
    text = Seen(html).text
    for limit in record["limits"]:
        assert limit["key"] in text
        assert limit["source"] in text


def test_date_versions_seed_fingerprint_and_hashes_are_stamped(tmp_path: Path) -> None:
    challenge = made_challenge()
    html, record = written(tmp_path, challenge)
    stamps, text = record["stamps"], Seen(html).text
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\+00:00", stamps["written_utc"])
    assert stamps["thenar"] == thenar.__version__
    assert stamps["challenge_sha256"] == hashlib.sha256((tmp_path / CHALLENGE).read_bytes()).hexdigest()
    assert record["profile"]["fingerprint"] == load_profile("forearm-25cm2").fingerprint()
    wanted = [*stamps.values(), record["profile"]["fingerprint"], str(challenge["seed"]), challenge["started_utc"]]
    assert [value for value in wanted if value not in text] == []


def test_sources_from_memory_are_marked_wherever_they_stand(tmp_path: Path) -> None:
    html, record = written(tmp_path, made_challenge())
    marked = html.count('<span class="mem">from memory, read the standard before you rely on it</span>')
    remembered = [one for one in (*record["limits"], *record["requirements"]) if one["tag"] == "memory"]
    assert marked == len(remembered) > 0


def test_text_from_a_file_cannot_become_markup(tmp_path: Path) -> None:
    evil = '<script>alert("x")</script>&<b>'
    challenge = made_challenge()
    challenge["never_reached"] = [evil]
    challenge["families"] = {evil: 3}
    challenge["deviations"] = [
        {"key": evil, "rule": evil, "default": 1.0, "value": 2.0, "unit": evil, "reason": evil},
    ]
    challenge["controls"] = {"must_survive": evil, "must_die": evil}
    challenge["started_utc"] = evil
    for row in challenge["rows"]:
        row["removal"] |= {"state": evil, "what": evil, "caught_by": [evil]}
        row["verdict"] = evil
        row["closest"] = {"value": 1, "bound": 2, "unit": evil, "share": 0.5}
    proofs = [{"id": "R06", "property": evil, "functions": [evil], "result": evil, "assumes": evil}]
    mutation = {"tool": evil, "files": {"safety/ceilings.py": {evil: 1}}}
    vectors = {"count": 1, evil: evil, "by_rule": {}}
    html, _ = written(tmp_path, challenge, proofs=proofs, mutation=mutation, vectors=vectors)
    seen = Seen(html)
    assert seen.open == []
    assert "script" not in {tag for tag, _ in seen.tags}
    assert seen.text.count(evil) > 2 * len(RULES)


def test_the_page_stands_by_itself_and_can_be_walked_from_the_keyboard(tmp_path: Path) -> None:
    html, _ = written(tmp_path, made_challenge())
    seen = Seen(html)
    assert len(html.encode()) < 1_000_000
    assert {"script", "link", "img", "iframe"} & {tag for tag, _ in seen.tags} == set()
    assert "http" not in html
    ids = {attributes["id"] for _, attributes in seen.tags if "id" in attributes}
    links = [attributes["href"] or "" for tag, attributes in seen.tags if tag == "a"]
    assert [link for link in links if not link.startswith("#") or link[1:] not in ids] == []
    framed = [attributes for _, attributes in seen.tags if attributes.get("class") == "wide"]
    assert framed
    assert all(one["tabindex"] == "0" and one["aria-label"] for one in framed)


def test_it_says_what_it_is_not(tmp_path: Path) -> None:
    text = Seen(written(tmp_path, made_challenge())[0]).text
    for said in (
        "Not a certificate",
        "Not a clinical limit",
        "Not about a medical device",
        "ethics board",
        "simulator",
    ):
        assert said in text
    assert "compliant" not in text


def test_changed_sources_or_another_profile_are_told_and_their_bounds_are_not_listed(tmp_path: Path) -> None:
    challenge = made_challenge() | {"steps": "0" * 16, "fingerprint": "f" * 64}
    html, record = written(tmp_path, challenge)
    assert len(record["notes"]) == 2
    assert record["limits"] == []
    assert record["plausibility"] == []
    assert all(note in Seen(html).text for note in record["notes"])


def test_the_path_of_a_profile_of_ones_own_stays_out_of_the_page(tmp_path: Path) -> None:
    html, record = written(tmp_path, made_challenge() | {"profile": str(tmp_path / "mine.toml")})
    assert record["profile"]["name"] == "mine.toml"
    assert str(tmp_path) not in html
    assert str(tmp_path) not in json.dumps(record)


def test_the_command_renews_the_page_and_says_what_was_not_run(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    written(tmp_path, made_challenge())
    (tmp_path / PAGE).write_text("old", "utf-8")
    assert main(["evidence", str(tmp_path), "--tests", str(junit(tmp_path, everything_passed()))]) == 0
    told = capsys.readouterr().out
    assert f"{len(RULES)} held, 0 GAP, 0 FAILS, 0 no run" in told
    assert "proofs: no run" in told
    assert "tests: in the page" in told
    assert (tmp_path / PAGE).read_text("utf-8").startswith("<!DOCTYPE html>")
    assert sorted(file.name for file in tmp_path.iterdir()) == [CHALLENGE, PAGE, TWIN, "junit.xml"]


@pytest.mark.parametrize(
    ("option", "content"),
    [
        ("--proofs", '[{"id": "R40", "property": "x", "result": "proved"}]'),
        ("--proofs", '{"id": "R06"}'),
        ("--mutation", '{"files": {"safety/gate.py": {"killed": -1}}}'),
        ("--vectors", '{"count": 3}'),
        ("--vectors", "no JSON"),
        ("--tests", "no XML"),
        ("--tests", "<testsuite></testsuite>"),
        ("--tests", '<!DOCTYPE a [<!ENTITY b "c">]><testsuite><testcase name="&b;"/></testsuite>'),
    ],
)
def test_a_part_that_cannot_be_used_is_refused_and_the_page_stays_as_it_was(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], option: str, content: str
) -> None:
    html, _ = written(tmp_path, made_challenge())
    part = tmp_path / "part"
    part.write_text(content, "utf-8")
    assert main(["evidence", str(tmp_path), option, str(part)]) == 2
    assert str(part) in capsys.readouterr().err
    assert (tmp_path / PAGE).read_text("utf-8") == html


@pytest.mark.parametrize("broken", ["no folder", "no file", "no JSON", "a row without a verdict", "another format"])
def test_a_folder_without_a_usable_challenge_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], broken: str
) -> None:
    challenge = made_challenge()
    if broken == "a row without a verdict":
        del challenge["rows"][4]["verdict"]
    if broken == "another format":
        challenge["format"] = 2
    folder = tmp_path / "missing" if broken == "no folder" else tmp_path
    if broken not in ("no folder", "no file"):
        (folder / CHALLENGE).write_text("{" if broken == "no JSON" else json.dumps(challenge), "utf-8")
    assert main(["evidence", str(folder)]) == 2
    assert str(folder) in capsys.readouterr().err
    assert not (folder / PAGE).exists()


def test_a_junit_file_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"missing\.xml"):
        read_junit(tmp_path / "missing.xml")
