"""What else an evidence page is made from: test results, proofs, counts of mutants and vectors, and the command."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

from tests.thenar.evidence_reading import RULES, cells_of, everything_passed, junit, rows_of, written
from tests.thenar.made_challenge import made_challenge
from thenar.cli import main
from thenar.report.evidence import CHALLENGE, PAGE, TWIN
from thenar.report.evidence_tests import PROOFS, ids_of_tests, read_junit, read_junits
from thenar.report.folder import FILES, seal_folder
from thenar.shared.errors import InputError


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


def test_proofs_that_ran_as_tests_are_read_from_the_test_results(tmp_path: Path) -> None:
    said = "a current: at most [the] peak"
    outcomes = everything_passed() | {f"{PROOFS}R06: {said}]": "passed", f"{PROOFS}R07: another]": "skipped"}
    written(tmp_path, made_challenge())
    assert main(["evidence", str(tmp_path), "--tests", str(junit(tmp_path, outcomes))]) == 0
    rows = rows_of(json.loads((tmp_path / TWIN).read_text("utf-8")))
    assert [(one["property"], one["result"]) for one in rows["R06"]["proof"]] == [(said, "proved")]
    assert rows["R06"]["tests"]["passed"] == 3
    assert rows["R07"]["proof"] == []
    assert cells_of((tmp_path / PAGE).read_text("utf-8"), "R06")[12] == "1 proved"


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
    assert sorted(file.name for file in tmp_path.iterdir()) == [CHALLENGE, PAGE, TWIN, FILES, "junit.xml"]


@pytest.mark.parametrize(
    ("option", "content"),
    [
        ("--proofs", '[{"id": "R00", "property": "x", "result": "proved"}]'),
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
        seal_folder(folder, "challenge")
    assert main(["evidence", str(folder)]) == 2
    assert str(folder) in capsys.readouterr().err
    assert not (folder / PAGE).exists()


def test_a_junit_file_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"missing\.xml"):
        read_junit(tmp_path / "missing.xml")


def test_a_test_that_one_run_skipped_and_another_ran_has_run_and_a_failure_stays_one(tmp_path: Path) -> None:
    first, second = tmp_path / "first", tmp_path / "second"
    first.mkdir()
    second.mkdir()
    a, b = "tests/safety/test_doors.py::test_a", "tests/safety/test_doors.py::test_b"
    one, other = junit(first, {a: "skipped", b: "failed"}), junit(second, {a: "passed", b: "passed"})
    for files in ([one, other], [other, one]):
        assert list(read_junits(files)["cases"].values()) == ["passed", "failed"]
    assert read_junits([one])["cases"][a] == "skipped"
