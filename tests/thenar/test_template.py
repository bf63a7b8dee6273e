"""`thenar template` and what every `thenar fit` shares: files whole or none, tables, JSON, refusals on one screen."""

from __future__ import annotations

import argparse
import json
import math
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from tests.thenar.made_recordings import ESTIMATOR, lines_of, write
from thenar.caution import SHORT
from thenar.cli import main, parser
from thenar.cli.fit_show import finish, recording_of
from thenar.fit.found import Fit, Parameter, Quality
from thenar.fit.kinds import KINDS
from thenar.fit.reading import read
from thenar.fit.recording import Recording
from thenar.fit.template import template_text
from thenar.shared.errors import InputError

NOTHING = float("nan")


@pytest.fixture(autouse=True)
def in_an_empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Commands write into the current folder when no name is given."""
    monkeypatch.chdir(tmp_path)


@pytest.mark.parametrize("kind", KINDS)
def test_a_template_has_every_column_with_its_unit_and_is_wrong_in_nothing_but_length(
    kind: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["template", kind]) == 0
    text = Path(f"{kind}.csv").read_text("utf-8")
    comments = [line for line in text.splitlines() if line.startswith("#")]
    for column in KINDS[kind].columns:
        assert sum(line.startswith(f"# {column.name} [{column.unit}") for line in comments) == 1
    with pytest.raises(InputError) as refused:
        read(Path(f"{kind}.csv"), kind)
    assert [problem.found.rpartition(": ")[2] for problem in refused.value.problems] == ["too short"]
    assert SHORT in capsys.readouterr().out


@pytest.mark.parametrize("kind", KINDS)
def test_rows_like_the_examples_are_read(kind: str) -> None:
    """The three examples over and over, with times that go on and forces that change: a recording as meant."""
    lines = template_text(KINDS[kind]).splitlines()
    head = next(at for at, line in enumerate(lines) if not line.startswith("#"))
    names, rows = lines[head].split(","), [line.split(",") for line in lines[head + 1 :]]
    long = []
    for turn in range(400):
        for row in rows:
            cells = dict(zip(names, row, strict=True))
            for name in ("t_s", "force_N"):
                step = 0.1 if name == "t_s" else 0.01 * math.sin(turn)
                if cells.get(name):
                    cells[name] = f"{float(cells[name]) + (turn * step if name == 't_s' else 5.0 + step):.6f}"
            long.append(",".join(cells.values()))
    Path("long.csv").write_text("\n".join([*lines[: head + 1], *long]) + "\n", encoding="utf-8")
    assert read(Path("long.csv"), kind).rows == 1200


@pytest.mark.parametrize("kind", KINDS)
def test_a_template_says_how_to_record_safely(kind: str) -> None:
    text = " ".join(line.removeprefix("#").strip() for line in template_text(KINDS[kind]).splitlines())
    for words in (
        "your lab's own protocol",
        "no medical device",
        "Stop at once when",
        "the skin",
        "Never write a name",
    ):
        assert words in text
    stimulated = kind in {"recruitment", "muscle", "session"}
    assert ("stop switch" in text) == stimulated


def test_a_template_overwrites_nothing_and_goes_where_it_is_sent(capsys: pytest.CaptureFixture[str]) -> None:
    Path("muscle.csv").write_text("mine", encoding="utf-8")
    assert main(["template", "muscle"]) == 2
    assert "muscle.csv\n    found: it is there already" in capsys.readouterr().err
    assert Path("muscle.csv").read_text("utf-8") == "mine"
    assert main(["--json", "template", "muscle", "--to", "bench/empty.csv"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["file"] == "bench/empty.csv"
    assert [column["name"] for column in told["columns"]] == list(KINDS["muscle"].names)
    assert sorted(path.name for path in Path("bench").iterdir()) == ["empty.csv"]


FOUND = Fit(
    kind="estimator",
    part_of="estimator",
    table={"latency_ms": 62.5, "true_N": [0.0], "reads_N": [1.5]},
    parameters=(
        Parameter("latency_ms", 62.5, "ms", 60.1, 64.9),
        Parameter("reads_N[0]", 1.5, "N", 0.75, 2.25, False, "told to 0.75 N only"),
        Parameter("dropouts_per_min", 0.0, "1/min", NOTHING, NOTHING, False, "no dropout was seen; record ten minutes"),
    ),
    qualities=(Quality("error_2_N", 0.314159, "N", 0.3, 0.33, "mean absolute error from 1 to 3 N"),),
    warnings=("the sensor was never let go",),
)


def chosen_for(file: Path, *options: str) -> argparse.Namespace:
    """What the command line makes of `thenar fit estimator FILE` and more."""
    return parser().parse_args(["fit", "estimator", str(file), *options])


@pytest.fixture
def recorded(monkeypatch: pytest.MonkeyPatch) -> Path:
    """A recording, and a writer of fitted files that writes one line: its own tests are elsewhere."""

    def text_of(fit: Fit, recording: Recording) -> str:
        return f"fitted = {fit.kind!r}\nrows = {recording.rows}\n"

    monkeypatch.setitem(sys.modules, "thenar.fit.written", SimpleNamespace(text_of=text_of))  # type: ignore[arg-type]
    return write(Path(), ["# recorded: 2026-11-03", *lines_of(ESTIMATOR)])


def draws(part: Path) -> None:
    """Stands for a picture."""
    assert part.suffix == ".png"
    part.write_bytes(b"picture")


def test_a_finished_fit_leaves_file_and_picture_and_tells_all(
    recorded: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    chosen = chosen_for(recorded, "--picture", "fit.png", "--repair", "sort-time")
    assert finish(chosen, recording_of(chosen), FOUND, draws) == 0
    assert Path("bench-estimator.toml").read_text("utf-8") == "fitted = 'estimator'\nrows = 1500\n"
    assert Path("fit.png").read_bytes() == b"picture"
    told = capsys.readouterr().out
    for words in (
        "estimator fitted to bench.csv: 1,500 rows, recorded 2026-11-03",
        "60.1 to 64.9",
        "dropouts_per_min: no dropout was seen; record ten minutes",
        "0.3142",
        "warning: the sensor was never let go",
        "repaired: sort-time: asked for, found nothing to do",
        "file: bench-estimator.toml",
        "picture: fit.png",
    ):
        assert words in told
    assert " ".join(SHORT.split()) in " ".join(told.split())
    unknown = next(line for line in told.splitlines() if line.startswith("dropouts_per_min "))
    assert unknown.split() == ["dropouts_per_min", "-", "1/min", "-", "NO"]
    loose = next(line for line in told.splitlines() if line.startswith("reads_N[0] "))
    assert loose.split() == ["reads_N[0]", "1.5", "N", "0.75", "to", "2.25", "loosely"]


def test_json_is_one_object_without_nan(recorded: Path, capsys: pytest.CaptureFixture[str]) -> None:
    chosen = chosen_for(recorded, "--json", "--to", "a/b.toml")
    finish(chosen, recording_of(chosen), FOUND, draws)
    text = capsys.readouterr().out
    told = json.loads(text, parse_constant=lambda word: pytest.fail(f"{word} in JSON"))
    assert told["parameters"][-1]["low"] is None
    assert told["file"] == "a/b.toml"
    assert told["recording"]["begins"] == "2026-11-03"
    assert Path("a/b.toml").exists()


@pytest.mark.parametrize("taken", ["bench-estimator.toml", "fit.png"])
def test_nothing_is_overwritten_and_that_is_told_before_the_fit(recorded: Path, taken: str) -> None:
    Path(taken).write_text("mine", encoding="utf-8")
    chosen = chosen_for(recorded, "--picture", "fit.png")
    with pytest.raises(InputError, match="it is there already"):
        recording_of(chosen)
    assert Path(taken).read_text("utf-8") == "mine"


def test_a_picture_that_fails_leaves_no_file_at_all(recorded: Path) -> None:
    def fails(part: Path) -> None:
        part.write_bytes(b"half")
        raise RuntimeError("no ink")

    chosen = chosen_for(recorded, "--picture", "fit.png")
    recording = recording_of(chosen)
    with pytest.raises(RuntimeError, match="no ink"):
        finish(chosen, recording, FOUND, fails)
    assert sorted(path.name for path in Path().iterdir()) == ["bench.csv"]


def test_a_place_that_cannot_be_written_is_told(recorded: Path) -> None:
    chosen = chosen_for(recorded, "--to", "bench.csv/fit.toml")
    recording = recording_of(chosen)
    with pytest.raises(InputError, match="a place that can be written"):
        finish(chosen, recording, FOUND, draws)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--column", "force_N"], "--column\n    found: 'force_N'\n    allowed: --column OURS=THEIRS"),
        (["--stream", "=Pinch"], "--stream\n    found: '=Pinch'"),
        (["--column", "force_N=a", "--column", "force_N=b"], "found: 'force_N' twice"),
        (["--column", "forc_N=a"], "nearest known name: force_N"),
        (["--picture", "fit.pdf"], "--picture\n    found: 'fit.pdf'\n    allowed: a name that ends in .png"),
        (["--repair", "sort-tim"], "nearest known name: sort-time"),
    ],
)
def test_a_mistyped_option_is_told_on_one_screen(
    recorded: Path, options: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    chosen = chosen_for(recorded, *options)
    with pytest.raises(InputError) as refused:
        recording_of(chosen)
    assert words in str(refused.value)


def test_whatif_reads_a_session() -> None:
    rows = ["t_s,target_N,estimate_N", *(f"{0.04 * at:.2f},4,{3.0 + 0.01 * at:.2f}" for at in range(40))]
    file = write(Path(), rows, "session.csv")
    recording = recording_of(parser().parse_args(["whatif", str(file), "--scenario", "x.toml"]))
    assert recording.kind == "session"
    assert recording.columns["estimate_N"].size == 40
