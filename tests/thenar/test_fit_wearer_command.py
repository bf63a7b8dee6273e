"""`thenar fit wearer` as a person runs it: from a CSV file to a fitted file that a scenario stands on."""

from __future__ import annotations

import io
import json
import tomllib
from contextlib import redirect_stdout
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest

from tests.thenar.fit_wearer_trials import Part, recorded, wearer_of
from tests.thenar.small_runs import SMALL, write_scenario
from thenar import load_scenario, plan_trials
from thenar.cli import main
from thenar.shared.errors import InputError

STRONG_N = 80.0
WORK = (Part(6.0, 12.0, False), Part(20.0, 12.0, False), Part(20.0, 12.0, True), Part(6.0, 12.0, False))


class Fitted(NamedTuple):
    """A folder with `hold.csv`, `target.csv` (no word on sight), `hold.toml`, `hold.png`, and what JSON said."""

    folder: Path
    record: dict[str, Any]


@pytest.fixture(scope="module")
def fitted(tmp_path_factory: pytest.TempPathFactory) -> Fitted:
    """An engraver's holds through the command, once."""
    folder = tmp_path_factory.mktemp("engraver")
    parts = [one for part in WORK for one in (Part(0.0, 3.0, part.shown), part)]
    columns = recorded(wearer_of({}, STRONG_N), parts, 11).columns
    for name, chosen in (("hold", list(columns)), ("target", ["t_s", "target_N", "force_N"])):
        table = np.column_stack([columns[column] for column in chosen])
        file = folder / f"{name}.csv"
        np.savetxt(file, table, fmt="%.6g", delimiter=",", header=",".join(chosen), comments="")
    options = ["--max-pinch-N", f"{STRONG_N:g}", "--to", str(folder / "hold.toml")]
    said = io.StringIO()
    with redirect_stdout(said):
        picture = ["--picture", str(folder / "hold.png")]
        assert main(["fit", "wearer", str(folder / "hold.csv"), *options, *picture, "--json"]) == 0
    return Fitted(folder, json.loads(said.getvalue()))


def test_the_written_file_holds_what_json_says_and_the_picture_is_there(fitted: Fitted) -> None:
    written = tomllib.loads((fitted.folder / "hold.toml").read_text(encoding="utf-8"))
    assert (written["part_of"], written["fitted"]) == ("wearer", "wearer")
    assert written["values"] == fitted.record["table"]
    assert written["came_from"]["sha256"] == fitted.record["recording"]["sha256"]
    assert written["values"]["max_pinch_N"] == STRONG_N
    assert (fitted.folder / "hold.png").read_bytes().startswith(b"\x89PNG")


def test_a_scenario_stands_on_the_written_file_is_checked_and_runs(fitted: Fitted, tmp_path: Path) -> None:
    before, _, after = SMALL.partition("[[wearers]]")
    text = before + '[wearer]\nfiles = ["hold.toml"]\n\n[target]' + after.partition("[target]")[2]
    with pytest.raises(InputError, match="6 to 20 N"):
        load_scenario(write_scenario(fitted.folder, text))
    file = write_scenario(fitted.folder, text.replace("[4.0, 7.0]", "[6.0, 9.0]"))
    for trial in plan_trials(load_scenario(file)):
        assert trial.wearer.noise.linear == fitted.record["table"]["noise"]["linear"]
        assert trial.wearer.max_pinch_N == STRONG_N
    assert main(["check", str(file)]) == 0
    assert main(["run", str(file), "--out", str(tmp_path / "run"), "--jobs", "1"]) == 0


def test_the_screen_tells_what_is_missing_and_leaves_nothing(
    fitted: Fitted, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    refused = {
        ("target.csv",): "--own-force",
        ("target.csv", "--own-force", "hidden", "--max-pinch-N", "10"): "max_pinch_N",
        ("hold.csv", "--column", "force_N=nothing"): "nothing",
        ("absent.csv",): "absent.csv",
    }
    for (name, *options), words in refused.items():
        command = ["fit", "wearer", str(fitted.folder / name), *options, "--to", str(tmp_path / "left.toml")]
        assert main(command) == 2, name
        said = capsys.readouterr()
        assert words in said.err + said.out
        assert "Traceback" not in said.err
        assert not list(tmp_path.iterdir())


def test_a_file_that_is_there_already_is_not_written_over(fitted: Fitted, capsys: pytest.CaptureFixture[str]) -> None:
    before = (fitted.folder / "hold.toml").read_bytes()
    assert main(["fit", "wearer", str(fitted.folder / "hold.csv"), "--to", str(fitted.folder / "hold.toml")]) == 2
    assert "there already" in capsys.readouterr().err
    assert (fitted.folder / "hold.toml").read_bytes() == before
