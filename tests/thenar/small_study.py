"""A short study of three wearers, its run, and made folders of other commands, for tests of the dossier."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from tests.scenarios.texts import ON_FILE, loaded
from thenar.report.folder import seal_folder
from thenar.run import run_scenario

MARKUP = '<script>alert("x")</script> & more'
STUDY = (
    f"""\
schema = 1
title = 'Short hold {MARKUP}'
watch = 'Look <i>here</i>'
seed = 11
duration_s = 3.0
repeats = 2
conditions = ["unassisted", "assisted", "stimulation-only"]

[study]
order = "williams"
preparation_s = 600.0
practice_trials = 1
measures = ["in_band_percent", "agonist_pulses"]
exclusion = ['<img src=x onerror="alert(1)">']
stop = ['The wearer says "stop" <now>']

[[wearers]]
name = "<b>first</b> engraver"

[[wearers]]
name = "second engraver"
max_pinch_N = 70.0

[[wearers]]
name = "third engraver"
max_pinch_N = 55.0

[target]
program = "steps"
levels_N = [4.0, 7.0]
every_s = 1.5
order = "listed"

[law]
name = "proportional"
"""
    + ON_FILE
)
NO_STUDY = STUDY[: STUDY.index("[study]")] + STUDY[STUDY.index("[[wearers]]") :]


def run_of(folder: Path, text: str = STUDY) -> Path:
    """A finished run of `text` in `folder`."""
    run_scenario(loaded(text), folder, jobs=1, command=["thenar", "run"])
    return folder


def made_sentences(folder: Path, name: str, scenario_sha256: str, sentence: str) -> Path:
    """A folder as `thenar breakeven` or `thenar plan` leaves it, with one sentence."""
    folder.mkdir()
    record = {"scenario_sha256": scenario_sha256, "sentences": [sentence], "assumed": ["a <b>"], "caveats": ["a <b>"]}
    (folder / name).write_text(json.dumps(record | {"seed": 1}), encoding="utf-8")
    seal_folder(folder, name.removesuffix(".json"))
    return folder


def made_comparison(folder: Path, scenario_sha256: str, wearers: list[str], sentence: str) -> Path:
    """A folder as `thenar compare` leaves it, with one comparison."""
    folder.mkdir()
    line: dict[str, Any] = {
        "measure": "mean_abs_error_N", "unit": "N", "target": "4 N", "condition": "assisted", "against": "unassisted",
        "wearers": len(wearers), "difference": -0.5, "t_interval_low": -0.9, "t_interval_high": -0.1, "smaller": 3,
        "larger": 0, "p_t_holm": 0.01, "interval_level": 0.95, "sentence": sentence, "doubts": "few <wearers>",
    }  # fmt: skip
    record = {
        "comparisons": [line],
        "excluded": [{"person": wearers[0], "why": "4 trips"}],
        "notes": [],
        "runs": [{"scenario_sha256": scenario_sha256, "seed": 11}],
        "wearers": wearers,
    }
    (folder / "comparison.json").write_text(json.dumps(record), encoding="utf-8")
    seal_folder(folder, "compare")
    return folder


def rows_from(one: list[float], other: list[float], measure: str = "mean_abs_error_N") -> list[dict[str, Any]]:
    """Rows of two conditions, a trial per wearer and condition."""
    labels = {"target": "4 N", "target_N": 4.0}
    return [
        {"wearer_name": f"w{place}", "condition": condition, measure: value} | labels
        for condition, values in (("assisted", one), ("unassisted", other))
        for place, value in enumerate(values)
    ]
