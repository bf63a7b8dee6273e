"""The outside checker itself: it finds what is planted, and imports nothing of thenar."""

from __future__ import annotations

import ast
import json
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from tests.outside import pulses_against_profile
from tests.outside.pulses_against_profile import violations

PROFILE = Path(__file__).parents[2] / "safety" / "profiles" / "forearm-25cm2.toml"
FAIR = {"trial": 0, "current_mA": 0.8, "width_us": 200, "gap_us": 100}


def a_folder(folder: Path, pulses: list[dict[str, object]]) -> Path:
    """A run folder as far as the checker reads it: one trial, armed at 0, own ceilings of 35 mA."""
    side = {"ceiling_mA": 35.0}
    trial = {"trial": 0, "control_period_us": 20_000, "calibration": {"agonist": side, "antagonist": side}}
    (folder / "manifest.json").write_text(json.dumps({"trials": [trial]}), "utf-8")
    (folder / "events.jsonl").write_text(json.dumps({"trial": 0, "kind": "armed", "t_us": 0}) + "\n", "utf-8")
    pq.write_table(pa.Table.from_pylist(pulses), folder / "pulses.parquet")
    return folder


def rules(folder: Path, *pulses: dict[str, object]) -> set[str]:
    """Rules that the checker finds broken by pulses that differ from a fair one as said."""
    rows = [{**FAIR, "channel": 0, **pulse} for pulse in pulses]
    return {line.partition(": ")[2][:3] for line in violations(a_folder(folder, rows), PROFILE)}


def test_fair_pulses_break_nothing(tmp_path: Path) -> None:
    assert rules(tmp_path, *({"t_us": 20_000 * place} for place in range(1, 200))) == set()


@pytest.mark.parametrize(
    ("rule", "pulses"),
    [
        ("R06", [{"t_us": 0, "current_mA": 40.1}]),
        ("R07", [{"t_us": 0, "current_mA": 35.1}]),
        ("R08", [{"t_us": 0, "width_us": 401}]),
        ("R08", [{"t_us": 0, "width_us": 49}]),
        ("R09", [{"t_us": 0, "current_mA": 34.0, "width_us": 400}]),
        ("R10", [{"t_us": 0, "current_mA": 80.0, "width_us": 400}]),
        ("R11", [{"t_us": 0}, {"t_us": 19_999}]),
        ("R12", [{"t_us": 5_000 * place, "current_mA": 39.0, "width_us": 400} for place in range(200)]),
        ("R16", [{"t_us": 5_000 * place, "current_mA": 34.0, "width_us": 400} for place in range(200)]),
        ("R20", [{"t_us": 20_000}, {"t_us": 40_000, "current_mA": 1.3}]),
        ("R20", [{"t_us": 20_000}, {"t_us": 2_040_000, "current_mA": 0.9}]),
        ("R26", [{"t_us": 20_000}, {"t_us": 21_000, "channel": 1}]),
    ],
)
def test_what_is_planted_is_found(tmp_path: Path, rule: str, pulses: list[dict[str, object]]) -> None:
    assert rule in rules(tmp_path, *pulses)


def test_it_imports_nothing_of_thenar() -> None:
    tree = ast.parse(Path(pulses_against_profile.__file__).read_text("utf-8"))
    names = {alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names}
    names |= {str(node.module) for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    assert names == {"__future__", "fractions", "json", "pathlib", "pyarrow.parquet", "sys", "tomllib", "typing"}
