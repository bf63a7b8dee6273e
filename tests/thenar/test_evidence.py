"""The evidence page: complete, honest about what was not run, escaped, stamped, and equal to its twin."""

from __future__ import annotations

import ast
import hashlib
import importlib
import json
import re
from html import escape
from pathlib import Path
from typing import Any

import pytest

import thenar
from tests.thenar.evidence_reading import RULES, Seen, cells_of, rows_of, written
from tests.thenar.made_challenge import made_challenge
from thenar.report.evidence import CHALLENGE
from thenar.report.evidence_page import page
from thenar.report.evidence_places import enforced_in
from thenar.report.evidence_tests import TESTS_OF, ids_of_tests
from thenar.report.evidence_words import CHECKS, FALLBACK, NO_RUN
from thenar.safety.bounds import row_of
from thenar.safety.hazards import DISTURBANCES, HAZARDS
from thenar.safety.profile import load_profile
from thenar.safety.requirements import REQUIREMENTS
from thenar.shared.errors import InputError
from thenar.shared.sources import cited_keys, sources

ROOT = Path(__file__).resolve().parents[2]


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
    named = [rule for one in (*HAZARDS, *DISTURBANCES, *FALLBACK) for rule in one.rules]
    named += [row_of(check.key).rule for check in CHECKS]
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


def test_every_plausibility_check_is_a_bound_of_a_rule_about_what_is_sensed() -> None:
    assert {row_of(check.key).rule for check in CHECKS} == {"R28", "R30", "R31", "R32"}


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
    assert (proof, count) == ("1 proved", "31")
    assert "never above the peak (proved)" in Seen(html).text
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
        assert "".join(limit["source"].split()) in "".join(text.split())


def test_every_source_is_cited_once_with_what_is_from_memory_and_each_key_leads_there(tmp_path: Path) -> None:
    html, record = written(tmp_path, made_challenge())
    rows = (*record["requirements"], *record["limits"])
    named = cited_keys([*(row["source"] for row in rows), record["standards_note"]])
    assert [source["key"] for source in record["sources"]] == list(named)
    assert {"iec-60601-2-10", "nmes-knee-trials"} <= set(named) <= set(sources())
    text = Seen(html).text
    for source in record["sources"]:
        assert text.count(source["citation"]) == 1
        assert html.count(f'id="source-{source["key"]}"') == 1
        assert f'<a href="#source-{source["key"]}">[@{source["key"]}]</a>' in html
        for words, what in source["followed"]:
            assert what in text
            assert (words == "from memory") == (f'<span class="mem">From memory:</span> {escape(what)}' in html)


def test_a_record_of_an_older_thenar_has_a_page_without_sources(tmp_path: Path) -> None:
    _, record = written(tmp_path, made_challenge())
    del record["sources"]
    assert "No source is cited by key" in Seen(page(record)).text


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
    assert not [value for _, attributes in seen.tags for value in attributes.values() if "http" in (value or "")]
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


def test_changed_sources_are_told(tmp_path: Path) -> None:
    html, record = written(tmp_path, made_challenge() | {"steps": "0" * 16})
    assert record["limits"] != []
    assert [note for note in record["notes"] if "step sources have changed" in note] == record["notes"]
    assert record["notes"][0] in " ".join(Seen(html).text.split())


def test_limits_that_are_not_those_of_their_fingerprint_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="values that were changed after they were written"):
        written(tmp_path, made_challenge() | {"fingerprint": "f" * 64})


def test_the_path_of_a_profile_of_ones_own_stays_out_of_the_page(tmp_path: Path) -> None:
    html, record = written(tmp_path, made_challenge() | {"profile": str(tmp_path / "mine.toml")})
    assert record["profile"]["name"] == "mine.toml"
    assert str(tmp_path) not in html
    assert str(tmp_path) not in json.dumps(record)
