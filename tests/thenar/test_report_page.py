"""The report as a file: complete, self-contained, and inert whatever a scenario's author wrote into names."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
from base64 import b64encode
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from tests.folders import resealed, run_in
from tests.thenar.evidence_reading import written
from tests.thenar.made_challenge import made_challenge
from tests.thenar.report_folders import MISCHIEF, mischievous_run
from thenar.cli import USAGE_ERROR, main
from thenar.page import piece
from thenar.report import ink, page_run
from thenar.report.folder import open_finished, seal_folder
from thenar.report.page_folders import MOST_BYTES, report_page
from thenar.report.page_frame import Part, page
from thenar.report.page_pack import Line, Packed, unpack
from thenar.report.page_run import MOST_OPEN_ROWS, blocks, boxed, read_run
from thenar.report.page_words import told, words_of
from thenar.report.tables import read_trial


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A finished run with mischief in its names."""
    return mischievous_run(tmp_path_factory.mktemp("report"))


@pytest.fixture(scope="module")
def text(run: Path) -> str:
    """Its page."""
    return report_page([run_in(run)], lambda _: None)


class Elements(HTMLParser):
    """Tags with their attributes, and the content of scripts and styles."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.content: dict[str, list[str]] = {"script": [], "style": []}
        self._inside = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self._inside = tag if tag == "style" or (tag == "script" and not attrs) else ""
        if self._inside:
            self.content[self._inside].append("")

    def handle_endtag(self, tag: str) -> None:
        self._inside = ""

    def handle_data(self, data: str) -> None:
        if self._inside:
            self.content[self._inside][-1] += data


def test_the_page_needs_nothing_from_outside_and_fits(text: str) -> None:
    assert len(text.encode()) < MOST_BYTES
    for tag, attributes in Elements(text).tags:
        for name in ("src", "href", "action", "data"):
            address = attributes.get(name) or "#"
            assert address.startswith(("#", "data:image/png;base64,")), (tag, address[:60])


def test_words_of_a_scenario_never_become_markup(text: str) -> None:
    assert MISCHIEF not in text
    assert text.count("&lt;img src=x") >= 4  # title, heading, wearer, watch line
    elements = Elements(text)
    assert [a for tag, a in elements.tags if tag == "img" and not str(a["src"]).startswith("data:")] == []
    handlers = [name for _, attributes in elements.tags for name in attributes if name.startswith("on")]
    assert handlers == []
    assert [name for _, attributes in elements.tags for name in attributes if name == "style"] == []


def test_no_words_of_an_event_end_the_element_that_holds_them() -> None:
    text = page("A", "b", [], [Part("one", "One", "")], {"data": json.dumps({"reason": MISCHIEF})})
    assert MISCHIEF not in text
    block = re.search(r'id="data">(.*?)</script>', text)
    assert block
    assert json.loads(block.group(1)) == {"reason": MISCHIEF}


def test_only_the_scripts_and_styles_that_thenar_put_there_may_run(text: str) -> None:
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', text)
    assert policy
    parts = dict(part.strip().split(" ", 1) for part in policy.group(1).split(";"))
    assert parts["default-src"] == "'none'"
    content = Elements(text).content
    assert len(content["script"]) == 5
    for kind in ("script", "style"):
        hashes = [f"'sha256-{b64encode(hashlib.sha256(one.encode()).digest()).decode()}'" for one in content[kind]]
        assert parts[f"{kind}-src"].split() == hashes


def test_every_picture_says_what_it_shows_and_the_caution_stands_on_top(text: str) -> None:
    pictures = [attributes for tag, attributes in Elements(text).tags if tag == "img"]
    assert len(pictures) == 2
    assert all(len(str(picture["alt"])) > 80 for picture in pictures)
    assert text.index("No medical device") < text.index("What was run")


def test_tables_hold_the_numbers_of_the_run(run: Path, text: str) -> None:
    summary = json.loads((run / "summary.json").read_text("utf-8"))
    for line in summary["by_condition_and_target"]:
        assert f"{line['mean_abs_error_N']['mean']:.3g}" in text
    for row in summary["by_trial_and_target"]:
        assert f"<td>{row['mean_abs_error_N']:.3g}</td>" in text
    assert summary["scenario_sha256"] in text


def test_a_block_is_the_trace_and_in_less_room_its_peaks_stay(run: Path) -> None:
    found = read_run(run_in(run))
    whole = sum(map(len, blocks(found, 10_000_000, lambda _: None)))
    for room, widths in ((10_000_000, {1}), (whole * 6 // 10, set(range(3, 40)))):
        made = blocks(found, room, lambda _: None)
        assert sum(map(len, made)) <= room
        for record, block in zip(found.shown, made, strict=True):
            data = json.loads(block)
            trace = read_trial(run / "trace.parquet", record.trial)
            assert data["width"] in widths
            packed = Packed(data["points"], data["width"], [Line(**line) for line in data["lines"]], data["text"])
            force = unpack(packed)["force_N"]
            assert np.nanmax(force) == pytest.approx(trace["force_N"].max(), abs=1e-3)
            assert f"{data['width'] * 2} ms" in data["said"] or data["width"] == 1


def test_where_a_trace_packs_better_than_guessed_the_room_is_used(run: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    found = read_run(run_in(run))
    whole = sum(map(len, blocks(found, 10_000_000, lambda _: None)))
    room = whole * 9 // 10
    usual = json.loads(blocks(found, room, lambda _: None)[0])["width"]
    monkeypatch.setattr(page_run, "BYTES_PER_ROW", 10 * page_run.BYTES_PER_ROW)
    made = blocks(found, room, lambda _: None)
    assert json.loads(made[0])["width"] < 5 * usual
    assert sum(map(len, made)) <= room


def test_of_very_many_trials_the_first_repeats_are_there_and_the_page_says_so(
    run: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("thenar.report.page_run.MOST_TRIALS", 3)
    text = report_page([run_in(run)], lambda _: None)
    assert "3 of 4 trials are here" in text
    assert 'id="trial-2"' in text
    assert 'id="trial-3"' not in text
    assert '<option value="trial-3"' not in text


def test_a_trip_is_a_mark_with_its_reason_and_a_shaded_stretch(run: Path) -> None:
    assisted = [json.loads(block) for block in blocks(read_run(run_in(run)), 10_000_000, lambda _: None)][1]
    trips = [mark for mark in assisted["marks"] if mark["kind"] == "trip"]
    assert [mark["word"] for mark in trips] == ["trip R30"]
    assert "The estimate is believable" in trips[0]["reason"]
    assert [span["from_s"] for span in assisted["spans"]] == pytest.approx([trips[0]["t_s"]], abs=0.02)
    assert "R30" in [lane["name"] for lane in assisted["lanes"]]


def test_evidence_becomes_a_page_with_all_its_parts(tmp_path: Path) -> None:
    folder = tmp_path / "evidence"
    folder.mkdir()
    _, record = written(folder, made_challenge())
    text = report_page([open_finished(folder)], lambda _: None)
    for row in record["requirements"]:
        assert f"<b>{row['id']}</b>" in text
    assert "No medical device" in text
    assert "script-src 'none'" in text


def test_results_with_a_table_and_sentences_become_a_page(tmp_path: Path) -> None:
    record = {"title": "Made up", "sentences": [f"It says {MISCHIEF}"], "seed": 4, "people": 17}
    (tmp_path / "plan.json").write_text(json.dumps(record), encoding="utf-8")
    (tmp_path / "power.csv").write_text("people,power,limit_deviations\n3,0.123456,\n", encoding="utf-8")
    seal_folder(tmp_path, "plan")
    text = report_page([open_finished(tmp_path)], lambda _: None)
    assert "<td>0.1235</td>" in text
    assert "limit deviations" not in text
    assert MISCHIEF not in text
    assert "<dd>17</dd>" in text


def test_several_folders_make_one_page(run: Path, tmp_path: Path) -> None:
    (tmp_path / "plan.json").write_text(json.dumps({"title": "Made up"}), encoding="utf-8")
    seal_folder(tmp_path, "plan")
    text = report_page([run_in(run), open_finished(tmp_path)], lambda _: None)
    anchors = re.findall(r' id="([^"]+)"', text)
    assert len(anchors) == len(set(anchors))
    assert {"f1-wearers", "f2-facts", "f1-trial-0"} <= set(anchors)


@pytest.mark.parametrize(
    ("name", "content", "told"),
    [
        ("manifest.json", "{", "manifest.json"),
        ("summary.json", '{"title": 3}', "summary.json"),
        ("trace.parquet", "no table", "trace.parquet"),
        ("force.png", "no picture", "force.png"),
        ("events.jsonl", "{]", "events.jsonl"),
    ],
)
def test_a_damaged_folder_is_refused_in_words(
    run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str, content: str, told: str
) -> None:
    shutil.copytree(run, tmp_path / "run")
    (tmp_path / "run" / name).write_text(content, encoding="utf-8")
    assert main(["report", str(tmp_path / "run")]) == USAGE_ERROR
    assert name in capsys.readouterr().err
    if name != "manifest.json":
        resealed(tmp_path / "run")
    assert main(["report", str(tmp_path / "run")]) == USAGE_ERROR
    said = capsys.readouterr().err
    assert told in said
    assert "Traceback" not in said
    assert sorted(path.name for path in tmp_path.iterdir()) == ["run"]


def test_a_folder_of_something_else_and_a_file_in_the_way_are_refused(
    run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["report", str(tmp_path)]) == USAGE_ERROR
    assert "a finished folder of `thenar run`" in capsys.readouterr().err
    mine = tmp_path / "mine.html"
    mine.write_text("<p>mine</p>", encoding="utf-8")
    assert main(["report", str(run), "--out", str(mine)]) == USAGE_ERROR
    assert mine.read_text("utf-8") == "<p>mine</p>"
    assert main(["report", str(run), "--out", str(run / "page.html")]) == USAGE_ERROR
    assert not (run / "page.html").exists()


def test_a_report_is_replaced_by_a_newer_one(run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "page.html"
    assert main(["report", str(run), "--out", str(out)]) == 0
    out.write_text(out.read_text("utf-8")[:5000], encoding="utf-8")
    assert main(["--json", "report", str(run), "--out", str(out)]) == 0
    told = json.loads(capsys.readouterr().out.split("\n", 2)[2])
    assert told["bytes"] == out.stat().st_size > 100_000
    assert [path.name for path in tmp_path.iterdir()] == ["page.html"]


def test_charts_use_the_colours_of_the_pictures() -> None:
    painted = dict(re.findall(r'([A-Z]+) = "(#[0-9a-f]{6})"', piece("charts_paint.js")))
    assert len(painted) == 8
    assert painted == {name: getattr(ink, name) for name in painted}


def test_the_charts_have_the_colours_of_the_pictures() -> None:
    stated = dict(re.findall(r'(\w+) = "(#[0-9a-f]{6})"', piece("charts_paint.js")))
    assert len(stated) == 8
    assert stated == {name: getattr(ink, name) for name in stated}


def test_names_of_columns_become_words_with_the_unit_behind() -> None:
    told = {name: words_of(name) for name in ("mean_abs_error_N", "in_band_percent", "refusals_per_min", "people",
        "scenario_sha256", "law.settings.gain_mA_per_N", "cv_percent", "N", "rise_per_s")}  # fmt: skip
    assert list(told.values()) == [
        "mean abs error, N", "in band, %", "refusals per min", "people", "scenario SHA-256",
        "law.settings.gain_mA_per_N", "CV, %", "N", "rise per s",
    ]  # fmt: skip


def test_a_name_and_its_value_read_as_words() -> None:
    assert told("for_s", 0.4) == "for 0.4 s"
    assert told("missing_share", 0.1) == "missing share 0.1"
    assert told("gain", 3) == "gain 3"


def test_a_long_table_gets_a_box_of_its_own() -> None:
    assert boxed("x", MOST_OPEN_ROWS) == "x"
    assert boxed("x", MOST_OPEN_ROWS + 1) == '<div class="long">x</div>'
