"""The dossier of a study: what it says, what it leaves open, what it refuses, and that it stands alone."""

from __future__ import annotations

import hashlib
import json
import math
import shutil
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from tests.folders import manifest_in, resealed, run_in
from tests.thenar.evidence_reading import Seen, written
from tests.thenar.made_challenge import made_challenge
from tests.thenar.small_study import MARKUP, NO_STUDY, made_comparison, made_sentences, rows_from, run_of
from thenar.cli import main
from thenar.report.dossier_page import SECTIONS, page
from thenar.report.dossier_words import CANNOT_SAY, CAUTIONS
from thenar.report.folder import seal_folder
from thenar.study.dossier import Attached, dossier_of
from thenar.study.dossier_benefit import paired_lines
from thenar.study.dossier_exposure import exposure_by_wearer
from thenar.study.dossier_run import read_study_run

HELP = ("Help shown", "HARM shown", "No difference shown")


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The finished run of the short study; no test may change it."""
    return run_of(tmp_path_factory.mktemp("runs") / "short")


@pytest.fixture(scope="module")
def record(run: Path) -> dict[str, Any]:
    """Its dossier's record, nothing attached."""
    return dossier_of(run_in(run), Attached(), run.parent / "page.html", lambda _: None).record


def made(run: Path, tmp_path: Path, *options: str) -> str:
    """The page that the command writes."""
    out = tmp_path / "page.html"
    assert main(["dossier", str(run), "--out", str(out), *options]) == 0
    return out.read_text(encoding="utf-8")


def test_the_page_has_every_part_and_needs_nothing_outside_itself(run: Path, tmp_path: Path) -> None:
    html = made(run, tmp_path)
    seen = Seen(html)
    assert seen.open == []
    ids = [attributes.get("id") for _, attributes in seen.tags]
    assert [name for name in ids if name in SECTIONS] == list(SECTIONS)
    links = [attributes["href"] for tag, attributes in seen.tags if tag == "a"]
    assert {f"#{name}" for name in SECTIONS} <= set(links)
    assert all(link.startswith("#") for link in links)
    sources = [attributes["src"] for tag, attributes in seen.tags if tag == "img"]
    assert sources
    assert all(source.startswith("data:image/png;base64,") for source in sources)
    assert not {tag for tag, _ in seen.tags} & {"script", "link", "iframe", "object", "form", "input"}
    assert not [name for _, attributes in seen.tags for name in attributes if name.startswith("on")]
    assert not [value for _, attributes in seen.tags for value in attributes.values() if "http" in (value or "")]
    assert "url(" not in html
    assert "@import" not in html
    for line in (*CANNOT_SAY, *CAUTIONS):
        assert line in seen.text


def test_everything_from_data_is_escaped(run: Path, tmp_path: Path) -> None:
    html = made(run, tmp_path)
    assert "<script" not in html
    assert "<img src=x" not in html
    assert "<b>first</b>" not in html
    assert "<i>here" not in html
    text = Seen(html).text
    for told in (MARKUP, '<img src=x onerror="alert(1)">', 'The wearer says "stop" <now>', "<b>first</b> engraver"):
        assert told in text


def test_pictures_have_words_and_wide_tables_can_be_reached_by_keyboard(run: Path, tmp_path: Path) -> None:
    seen = Seen(made(run, tmp_path))
    assert all(len(attributes["alt"] or "") > 20 for tag, attributes in seen.tags if tag == "img")
    wide = [attributes for _, attributes in seen.tags if attributes.get("class") == "wide"]
    assert len(wide) == len([tag for tag, _ in seen.tags if tag == "table"])
    assert all(one["tabindex"] == "0" and one["role"] == "region" and one["aria-label"] for one in wide)


def test_exposure_is_what_the_pulses_say_by_a_plain_second_reckoning(run: Path) -> None:
    study = read_study_run(run_in(run))
    table = pq.read_table(run / "pulses.parquet").to_pylist()
    by_wearer = exposure_by_wearer(study)
    stimulated = 0
    for place, name in enumerate(study.names):
        trials = {record.trial for record in study.manifest.trials if record.wearer_name == name}
        for number, channel in enumerate(("agonist", "antagonist")):
            own = [row for row in table if row["trial"] in trials and row["channel"] == number]
            found = by_wearer[channel][place]
            assert found["pulses"] == len(own)
            phases = [round(row["current_mA"] * 1000) * row["width_us"] for row in own]
            assert found["rectified_mC"] == pytest.approx(2 * sum(phases) / 1e9)
            if not own:
                assert math.isnan(found["current_mA"])
                continue
            stimulated += 1
            assert found["current_mA"] == max(row["current_mA"] for row in own)
            assert found["width_us"] == max(row["width_us"] for row in own)
            assert found["phase_uC"] == pytest.approx(max(phases) / 1e6)
            assert found["density_uC_per_cm2"] == pytest.approx(max(phases) / 1e6 / 25.0)
            seconds = [
                [
                    other
                    for other in own
                    if other["trial"] == row["trial"] and 0 <= row["t_us"] - other["t_us"] < 1_000_000
                ]
                for row in own
            ]
            rectified = max(sum(2 * o["current_mA"] * o["width_us"] / 1e3 for o in second) for second in seconds)
            assert found["rectified_mA"] == pytest.approx(rectified / 1e3)
            square = max(sum(2e-6 * o["width_us"] * o["current_mA"] ** 2 for o in second) for second in seconds)
            assert found["rms_mA"] == pytest.approx(math.sqrt(square))
            assert found["rms_density_mA_per_cm2"] == pytest.approx(math.sqrt(square) / 12.5)
    assert stimulated >= 3


def test_every_exposure_line_stands_beside_its_limit_with_source_and_tag(record: dict[str, Any], run: Path) -> None:
    profile = read_study_run(run_in(run)).profile
    lines = {(line["channel"], line["name"]): line for line in record["exposure"]["lines"]}
    current = lines["agonist", "current_mA"]
    assert (current["limit"], current["source"]) == (profile.agonist.peak_mA.value, profile.agonist.peak_mA.source)
    assert current["tag"] == profile.agonist.peak_mA.tag
    assert lines["agonist", "window_on_s"]["limit"] == 30.0
    assert lines["agonist", "rectified_mC"]["limit"] == 1000.0
    for line in lines.values():
        assert line["source"] or line["name"] in {"on_s", "pulses"}
        if line["highest"] is not None and not line["lowest"]:
            assert line["median"] <= line["highest"] <= (line["limit"] or math.inf)
    text = Seen(page(record, {})).text
    assert "".join(current["source"].split()) in "".join(text.split())
    for source in record["exposure"]["sources"]:
        assert source["citation"] in text
        assert all(what in text for _, what in source["followed"])
    assert "from memory" in text
    assert lines["agonist", "current_mA"]["highest_wearer"] in text


def test_a_value_past_its_limit_is_told_in_words(record: dict[str, Any]) -> None:
    changed = json.loads(json.dumps(record))
    assert "OVER" not in Seen(page(changed, {})).text
    changed["exposure"]["lines"][0]["highest"] = 41.0
    assert "41 (" in Seen(page(changed, {})).text
    assert "OVER" in Seen(page(changed, {})).text


def test_every_sentence_about_help_or_harm_has_an_interval_and_a_number_of_wearers(record: dict[str, Any]) -> None:
    sentences = [line["sentence"] for line in record["benefit"]["lines"]]
    told = [line for line in sentences if line.startswith(HELP)]
    assert len(told) >= 4
    assert all("95 % interval" in line and "3 simulated wearers" in line for line in told)
    primary = [line for line in record["benefit"]["lines"] if line["measure"] == "mean_abs_error_N"]
    assert {(line["condition"], line["target"]) for line in primary} == {
        (condition, target) for condition in ("assisted", "stimulation-only") for target in ("4 N", "7 N")
    }
    text = Seen(page(record, {})).text
    assert all(line["sentence"] in text for line in primary)


def test_what_is_not_attached_is_named_with_the_command_that_makes_it(run: Path, tmp_path: Path) -> None:
    text = Seen(made(run, tmp_path)).text
    assert "No evidence attached: run thenar challenge forearm-25cm2 --out DIR" in text
    assert "thenar breakeven FILE --out DIR" in text
    assert "thenar plan FILE --out DIR" in text
    assert "Share of the force impulse that is the wearer's own" in text


def evidence(folder: Path, profile: str) -> Path:
    """A folder as `thenar challenge` leaves it, for a shipped limit profile."""
    folder.mkdir()
    written(folder, made_challenge(profile))
    return folder


def test_attached_evidence_gives_counts_open_rows_and_a_link_that_leads_there(run: Path, tmp_path: Path) -> None:
    folder = evidence(tmp_path / "evidence", manifest_in(run).limits.profile)
    html = made(run, tmp_path, "--evidence", str(folder))
    found = json.loads((folder / "evidence.json").read_text(encoding="utf-8"))
    seen = Seen(html)
    assert ", ".join(f"{count} {word}" for word, count in found["counts"].items()) in seen.text
    assert all(row["why"] in seen.text for row in found["requirements"] if row["verdict"] != "held")
    (link,) = [a["href"] for tag, a in seen.tags if tag == "a" and not (a["href"] or "#").startswith("#")]
    assert link is not None
    assert (tmp_path / link).is_file()
    assert "OTHER LIMITS" not in seen.text


def test_evidence_of_other_limits_is_told_at_the_head(run: Path, tmp_path: Path) -> None:
    folder = evidence(tmp_path / "evidence", "thumb-8cm2")
    assert "OTHER LIMITS" in made(run, tmp_path, "--evidence", str(folder)).partition("<nav")[0]


def test_break_even_plan_and_comparison_are_told_in_their_own_sentences(run: Path, tmp_path: Path) -> None:
    sha256 = manifest_in(run).scenario.sha256
    folders = (
        made_sentences(tmp_path / "b", "breakeven.json", sha256, "At 4 N <it> helps"),
        made_sentences(tmp_path / "p", "plan.json", "f" * 64, "12 people <all>"),
        made_comparison(tmp_path / "c", sha256, ["second engraver"], "With assistance <less>"),
    )
    shutil.copy(run / "errors.png", folders[0] / "map.png")
    seal_folder(folders[0], "breakeven")
    options = [
        o for name, f in zip(("--breakeven", "--plan", "--compare"), folders, strict=True) for o in (name, str(f))
    ]
    html = made(run, tmp_path, *options)
    text = Seen(html).text
    for told in ("At 4 N <it> helps", "12 people <all>", "With assistance <less> But: few <wearers>.", "4 trips"):
        assert told in text
    assert text.count("Made from ANOTHER scenario file") == 2  # at the head and beside the plan
    assert "ANOTHER RUN" not in text
    assert html.count("data:image/png") == 2
    assert "mean absolute error at 4 N, assisted" not in text  # the attached comparison stands in its place


def test_a_comparison_of_another_run_with_wearers_of_the_same_names_is_told_at_the_head(
    run: Path, tmp_path: Path
) -> None:
    folder = made_comparison(tmp_path / "c", "f" * 64, ["second engraver"], "With assistance less")
    assert "ANOTHER RUN" in made(run, tmp_path, "--compare", str(folder)).partition("<nav")[0]


def test_agency_measures_of_the_tables_stand_side_by_side(run: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(run, copy)
    summary = json.loads((copy / "summary.json").read_text(encoding="utf-8"))
    for name, unit in (("own_impulse_percent", "%"), ("evoked_lead_ms", "ms")):
        summary["measures"][name] = {"unit": unit, "meaning": name}
        for number, row in enumerate(summary["by_trial_and_target"]):
            row[name] = None if row["condition"] == "unassisted" else 50.0 + number
    (copy / "summary.json").write_text(json.dumps(summary), encoding="utf-8")
    resealed(copy)
    found = dossier_of(run_in(copy), Attached(), tmp_path / "page.html", lambda _: None).record
    edited = {"own_impulse_percent", "evoked_lead_ms"}
    told = {(line["measure"], line["condition"]) for line in found["agency"] if line["measure"] in edited}
    assert told == {(measure, condition) for measure in edited for condition in ("assisted", "stimulation-only")}
    text = Seen(page(found, {})).text
    assert "Lead of evoked over voluntary onset" in text
    assert "never as one score" in text


def test_the_run_folder_stays_as_it_was_and_the_page_lies_beside_it(
    run: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = hashes(run)
    assert main(["--json", "dossier", str(run)]) == 0
    told = json.loads(capsys.readouterr().out)
    assert hashes(run) == before
    out = run.parent / "short-dossier.html"
    assert told["page"] == str(out)
    assert out.is_file()
    assert told["people"]["wearers"] == 3
    assert told["stamps"]["replay"] == "thenar replay short"
    assert main(["dossier", str(run)]) == 0  # an earlier dossier may be written anew
    assert sorted(path.name for path in run.parent.iterdir() if path.name.startswith("short")) == ["short", out.name]


def hashes(folder: Path) -> dict[str, str]:
    """The bytes of every file, by name."""
    return {str(path): hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.rglob("*") if path.is_file()}


def test_a_run_without_a_study_is_refused_in_words(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = run_of(tmp_path / "plain", NO_STUDY.replace("repeats = 2", "repeats = 1"))
    assert main(["dossier", str(folder)]) == 2
    told = capsys.readouterr().err
    assert "without a [study] part" in told
    assert "key-pinch-study" in told
    assert [path.name for path in tmp_path.iterdir()] == ["plain"]


def test_an_out_that_is_no_dossier_or_lies_in_the_run_is_refused(run: Path, tmp_path: Path) -> None:
    other = tmp_path / "mine.html"
    other.write_text("my notes", encoding="utf-8")
    assert main(["dossier", str(run), "--out", str(other)]) == 2
    assert other.read_text(encoding="utf-8") == "my notes"
    assert main(["dossier", str(run), "--out", str(run / "page.html")]) == 2
    assert main(["dossier", str(run), "--out", str(tmp_path)]) == 2
    assert main(["dossier", str(run), "--out", str(tmp_path / "none" / "page.html")]) == 2
    assert main(["dossier", str(tmp_path / "nowhere")]) == 2


@pytest.mark.parametrize("option", ["--evidence", "--compare", "--breakeven", "--plan"])
def test_a_folder_of_something_else_is_refused_and_nothing_is_written(run: Path, tmp_path: Path, option: str) -> None:
    out = tmp_path / "page.html"
    names = {"--evidence": "evidence", "--compare": "comparison", "--breakeven": "breakeven", "--plan": "plan"}
    for content in (None, "{", "[]", "{}"):
        if content is not None:
            (tmp_path / f"{names[option]}.json").write_text(content, encoding="utf-8")
            kind = {"--evidence": "challenge"}.get(option, option.removeprefix("--"))
            seal_folder(tmp_path, kind, [f"{names[option]}.json"])
        assert main(["dossier", str(run), "--out", str(out), option, str(tmp_path)]) == 2
        assert not out.exists()


@pytest.mark.parametrize("damage", ["pulses.parquet", "sheet.csv", "summary.json", "manifest.json"])
def test_a_damaged_run_is_refused_and_an_earlier_page_stays(run: Path, tmp_path: Path, damage: str) -> None:
    copy, out = tmp_path / "copy", tmp_path / "page.html"
    shutil.copytree(run, copy)
    assert main(["dossier", str(copy), "--out", str(out)]) == 0
    before = out.read_bytes()
    file = copy / damage
    if damage == "pulses.parquet":
        table = pq.read_table(file)
        place = table.column_names.index("current_mA")
        doubled = table.column(place).to_numpy() * 2.0
        pq.write_table(table.set_column(place, table.schema.field(place), [doubled]), file)
    else:
        file.write_bytes(file.read_bytes()[:100])
    assert main(["dossier", str(copy), "--out", str(out)]) == 2
    if damage != "manifest.json":
        resealed(copy)
        assert main(["dossier", str(copy), "--out", str(out)]) == 2
    assert out.read_bytes() == before


def test_a_write_that_fails_leaves_the_earlier_page_and_no_part(
    run: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "page.html"
    assert main(["dossier", str(run), "--out", str(out)]) == 0
    before = out.read_bytes()

    def full(*_: object) -> Path:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    assert main(["dossier", str(run), "--out", str(out)]) == 2
    assert out.read_bytes() == before
    assert [path.name for path in tmp_path.iterdir()] == ["page.html"]


def test_harm_in_a_further_measure_is_told_in_words_beside_help_in_the_primary_one(record: dict[str, Any]) -> None:
    changed = json.loads(json.dumps(record))
    (harm,) = paired_lines(
        rows_from([12.0, 14.0, 13.0], [5.0, 6.0, 6.5], "cv_percent"), ["unassisted", "assisted"], "cv_percent", "points"
    )
    changed["benefit"]["lines"].append(harm)
    told = Seen(page(changed, {})).text
    assert harm["sentence"].startswith("HARM shown in the coefficient of variation")
    assert harm["sentence"] in told
    assert harm["sentence"] not in Seen(page(record, {})).text


def test_loosened_limits_trips_refusals_and_failed_audits_are_told(record: dict[str, Any]) -> None:
    changed = json.loads(json.dumps(record))
    loosened = {
        "key": "agonist.peak_mA",
        "rule": "R06",
        "default": 40.0,
        "value": 45.0,
        "unit": "mA",
        "reason": "so <i>",
    }
    changed["exposure"] |= {"based_on": "forearm-25cm2", "deviations": [loosened]}
    changed["in_this_run"] |= {
        "trips": 2.0,
        "tripped_wearers": {"second engraver": 2.0},
        "refused": [{"why": {"R27": "no <screening>"}, "trials": [3], "wearers": ["third engraver"]}],
        "audit_failed": ["R06 Current of each phase"],
        "audit_cant": ["R38"],
    }
    html = page(changed, {})
    text = Seen(html).text
    assert "Limits LOOSER than in forearm-25cm2: agonist.peak_mA" in html.partition("<nav")[0]
    for told in (
        "45 mA instead of 40; stated reason: so <i>", "Latched trips: 2 in 18 trials (second engraver: 2)",
        "REFUSED TO ARM in 1 trials (third engraver): R27 no <screening>", "FAILED: R06", "run's tables: R38",
    ):  # fmt: skip
        assert told in text


def test_a_run_without_the_unassisted_condition_says_nothing_of_help(record: dict[str, Any]) -> None:
    changed = json.loads(json.dumps(record))
    changed["benefit"] |= {"baseline": None, "lines": []}
    text = Seen(page(changed, {})).text
    assert "nothing can be said of help or harm" in text
    assert not [name for name in HELP if name in text]
