"""The command line: quick to start, clear when it refuses, quiet when nobody listens."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

import thenar
import thenar.cli
from tests.thenar.small_runs import SMALL, thenar_process, write_scenario
from tests.waiting import LONG_S
from thenar.caution import SHORT
from thenar.cli import main
from thenar.cli.show import Table, aligned, columns_that_fit

HEAVY = ("numpy", "numba", "pydantic", "scipy", "matplotlib", "pyarrow", "simpy", "rich", "thenar.scenarios.loader")
ESCAPE = "\x1b"


def _loaded_after(code: str) -> list[str]:
    """Which heavy packages a fresh interpreter has imported after running `code`."""
    script = (
        f"import sys\ntry:\n    {code}\nexcept SystemExit:\n    pass\nprint([n for n in {HEAVY!r} if n in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    found: list[str] = json.loads(done.stdout.splitlines()[-1].replace("'", '"'))
    return found


@pytest.mark.parametrize("arguments", [["--help"], ["--version"], ["run", "--help"], ["check", "--help"]])
def test_help_and_version_import_nothing_heavy(arguments: list[str]) -> None:
    assert _loaded_after(f"from thenar.cli import main; main({arguments!r})") == []


def test_importing_thenar_imports_nothing_heavy() -> None:
    assert _loaded_after("import thenar") == []


def test_the_probe_for_heavy_imports_finds_one() -> None:
    assert _loaded_after("import numpy") == ["numpy"]


def test_every_public_name_can_be_had() -> None:
    assert thenar.__all__ == sorted(thenar.__all__)
    for name in thenar.__all__:
        assert getattr(thenar, name) is not None
        assert name in dir(thenar)
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        _ = thenar.nonsense  # type: ignore[attr-defined]


def test_help_says_that_this_is_no_medical_device(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit, match="0"):
        main(["--help"])
    assert "not a medical device" in capsys.readouterr().out


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["fly"],
        ["run"],
        ["run", "x.toml", "--seed", "-1"],
        ["run", "x.toml", "--jobs", "0"],
        ["run", "x", "--sed", "1"],
    ],
)
def test_wrong_usage_leaves_with_2(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit, match="2"):
        main(arguments)
    told = capsys.readouterr()
    assert told.out == ""
    assert "usage: thenar" in told.err


def test_an_unknown_name_is_told_with_the_nearest_one(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "graver-hodl"]) == 2
    told = capsys.readouterr().err
    assert "nearest known name: graver-hold" in told
    assert "Traceback" not in told


def test_check_without_a_file_says_what_is_missing(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check"]) == 2
    assert "--list" in capsys.readouterr().err


def test_check_says_what_would_run(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(write_scenario(tmp_path))]) == 0
    told = capsys.readouterr().out
    for words in (
        "Short graver hold",
        "2 wearers x 2 conditions x 1 repeat = 4 trials of 3 s",
        "first engraver, second engraver",
        "70.0 to 90.0 N",
        "levels_N = 4 7",
        "proportional",
        "forearm-25cm2",
        "peak current, R06",
    ):
        assert words in told, words
    assert ESCAPE not in told


def test_check_goes_on_after_a_bad_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bad = write_scenario(tmp_path, SMALL.replace("seed = 5", "sede = 5"), "bad.toml")
    assert main(["check", str(bad), str(write_scenario(tmp_path))]) == 2
    told = capsys.readouterr()
    assert "bad.toml: sede" in told.err
    assert "nearest known name: seed" in told.err
    assert "short-hold.toml: fine" in told.out


@pytest.mark.parametrize("arguments", [["--json", "check"], ["check", "--json"]])
def test_check_speaks_json_with_the_option_in_either_place(
    arguments: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bad = write_scenario(tmp_path, SMALL.replace("3.0", '"long"'), "bad.toml")
    assert main([*arguments, str(write_scenario(tmp_path)), str(bad)]) == 2
    first, second = json.loads(capsys.readouterr().out)["files"]
    assert (first["fine"], first["trials"], len(first["limits"])) == (True, 4, 2)
    assert first["limits"][0]["agonist"]["peak_uA"] == 40_000
    assert second["fine"] is False
    assert second["problems"][0]["key"] == "duration_s"


def test_check_lists_what_is_shipped_and_takes_a_name_for_a_file(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--list"]) == 0
    assert "key-pinch-ladder" in capsys.readouterr().out
    assert main(["check", "key-pinch-ladder"]) == 0
    assert "Key-pinch training ladder" in capsys.readouterr().out


def test_a_fault_timeline_is_told_in_order(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    faults = '[[faults]]\nkind = "stuck"\nat_s = 2.0\nfor_s = 0.5\n[[faults]]\nkind = "emergency-stop"\nat_s = 1.0\n'
    main(["check", str(write_scenario(tmp_path, SMALL + faults))])
    told = capsys.readouterr().out
    assert told.index("emergency-stop") < told.index("stuck ")


def test_a_law_file_that_fails_is_told_at_check(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "my_law.py").write_text("class Mine:\n    pass\n")
    text = SMALL.replace('name = "proportional"', 'file = "my_law.py"\nclass = "Mine"')
    assert main(["check", str(write_scenario(tmp_path, text))]) == 2
    assert "decide" in capsys.readouterr().err


SLIPPING_LAW = """
from thenar import SteppedLaw


class Slips(SteppedLaw):
    def __init__(self, settings, calibration):
        super().__init__(numbers=(), memory=(0.0,))

    @staticmethod
    def step(numbers, memory, seen, asked):
        memory[0] += 1.0
        for place in range(6 if memory[0] < 20.0 else 8):
            asked[place] = 0.0
"""


def test_a_compiled_law_that_slips_is_told_at_check_with_the_index(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "my_law.py").write_text(SLIPPING_LAW, "utf-8")
    file = write_scenario(tmp_path, SMALL.replace('name = "proportional"', 'file = "my_law.py"\nclass = "Slips"'))
    assert main(["check", str(file)]) == 2
    told = capsys.readouterr().err
    assert "at 0.38 s of a rehearsal the law failed: SlipError: index 6 of asked, which has the places 0 to 5" in told
    assert "in line 13" in told
    assert main(["check", str(file), "--no-rehearsal"]) == 0


def test_laws_are_listed_with_units_and_without_colour_codes(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["laws"]) == 0
    told = capsys.readouterr().out
    assert "gain_mA_per_N" in told
    assert "mA/N" in told
    assert ESCAPE not in told
    assert main(["laws", "--json"]) == 0
    laws = json.loads(capsys.readouterr().out)["laws"]
    assert {law["name"] for law in laws} >= {"proportional", "bang-bang"}


def test_the_schema_goes_to_a_file_or_to_the_terminal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["schema"]) == 0
    printed = json.loads(capsys.readouterr().out)
    assert main(["schema", "--out", str(tmp_path / "schema.json")]) == 0
    assert json.loads((tmp_path / "schema.json").read_text("utf-8")) == printed
    assert [path.name for path in tmp_path.iterdir()] == ["schema.json"]
    assert "duration_s" in printed["properties"]


def test_a_file_that_can_not_be_written_is_no_internal_fault(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["schema", "--out", str(tmp_path / "none" / "schema.json")]) == 74
    told = capsys.readouterr().err
    assert "No such file or directory" in told
    assert "Traceback" not in told


def _raises(error: BaseException) -> Any:
    def command(_: object) -> int:
        raise error

    return type("Module", (), {"command": staticmethod(command)})


def test_a_fault_of_ours_is_one_line_without_a_traceback(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delenv("THENAR_DEBUG", raising=False)
    monkeypatch.setattr(thenar.cli.importlib, "import_module", lambda _: _raises(ZeroDivisionError("too small")))
    assert main(["laws"]) == 70
    told = capsys.readouterr().err
    assert told.startswith("internal fault, ZeroDivisionError: too small")
    assert "THENAR_DEBUG=1" in told
    assert "Traceback" not in told


def test_a_fault_of_ours_raises_when_debugging(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("THENAR_DEBUG", "1")
    monkeypatch.setattr(thenar.cli.importlib, "import_module", lambda _: _raises(ZeroDivisionError("too small")))
    with pytest.raises(ZeroDivisionError):
        main(["laws"])


def test_an_interrupt_leaves_with_130(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setattr(thenar.cli.importlib, "import_module", lambda _: _raises(KeyboardInterrupt()))
    assert main(["laws"]) == 130
    assert "interrupted" in capsys.readouterr().err


def test_a_reader_that_goes_away_is_no_fault(tmp_path: Path) -> None:
    process = thenar_process(["schema"], tmp_path)
    assert process.stdout is not None
    assert process.stderr is not None
    process.stdout.close()
    assert process.wait(LONG_S) == 0
    assert process.stderr.read() == ""
    process.stderr.close()


WIDE = Table("t", ("name", "two\nlines", "1", "2"), [("a", "10", "[red]", "4")], frozenset({1}), droppable=2)


def test_a_piped_table_is_aligned_text() -> None:
    assert aligned(WIDE).splitlines() == [
        "t",
        "        two",
        "name  lines  1      2",
        "----  -----  -----  -",
        "a        10  [red]  4",
    ]


def test_a_narrow_terminal_drops_only_what_may_be_dropped() -> None:
    assert [columns_that_fit(WIDE, width) for width in (80, 23, 22, 20, 19, 3)] == [4, 4, 3, 3, 2, 2]


def test_the_caution_defers_to_those_who_decide() -> None:
    assert "ethics board" in SHORT
    assert "licensed practice" in SHORT
