"""Runs that hold the two agency-aware laws beside the plain ones: the wearers and targets of `key-pinch-ladder`.

`python -m tests.loop.agency_runs WEARERS SEED` prints the table: means over wearers with 95 % intervals (bootstrap),
and each law less the proportional one, wearer by wearer.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Mapping

from thenar.engine.trial import plan_trials
from thenar.report.metrics import METRICS
from thenar.scenarios.changes import with_values
from thenar.scenarios.gallery import gallery_file
from thenar.scenarios.loader import LoadedScenario, load_scenario, parse_scenario
from thenar.study.measured import measured
from thenar.study.resampled import Interval, difference_of, interval_of
from thenar.study.scores import Wearers, wearer_scores
from thenar.workers import cores

PLAIN = "proportional"
LAWS: dict[str, str] = {
    PLAIN: "deadband_N = 0.5\ngain_fraction_per_N = 0.02",
    "bang-bang": "deadband_N = 0.5\nagonist.share = 0.1\nantagonist.share = 0.1",
    "confident": "deadband_N = 0.5\ngain_fraction_per_N = 0.02",
    "yielding": "deadband_N = 0.5\ngain_fraction_per_N = 0.02",
}
"""The gallery's own settings, all else at the defaults; the relay at a level with about the same error."""
MEASURES = (
    "mean_abs_error_N", "in_band_percent", *[metric.name for metric in METRICS[-5:]], "charge_uC_per_min",
)  # fmt: skip


def ladder(law: str, wearers: int) -> LoadedScenario:
    """The ladder under another law, without stimulation and assisted."""
    file = gallery_file("key-pinch-ladder")
    head, _, rest = file.read_text("utf-8").partition("[law]")
    limits = rest[rest.index("[limits]") :]
    text = f'{head}[law]\nname = "{law}"\n[law.settings]\n{LAWS[law]}\n{limits}'
    loaded = parse_scenario(text, str(file), load_scenario(file).base)
    return with_values(loaded, {"population.count": wearers})


def scores_of(law: str, wearers: int, seed: int, condition: str = "assisted") -> Wearers:
    """Scores by wearer. Equal seeds mean the same wearers, targets and noise under every law."""
    planned = plan_trials(ladder(law, wearers), seed)
    trials = [trial for trial in planned if trial.label.condition == condition]
    rows = dict(measured(trials, moving=False, jobs=cores()))
    return wearer_scores(rows[place] for place in range(len(trials)))


def mean_of(wearers: Wearers, name: str) -> tuple[Interval, int]:
    """The mean over the wearers who have such a number, and how many do."""
    values = [scores[name] for scores in wearers.values() if not math.isnan(scores[name])]
    return interval_of(values, "mean", 0) if values else Interval(math.nan, math.nan, math.nan), len(values)


def less_plain(wearers: Wearers, plain: Wearers, name: str) -> tuple[Interval, int]:
    """A law less the proportional one, wearer by wearer, over those who have the number under both."""
    pairs = [(scores[name], plain[wearer][name]) for wearer, scores in wearers.items()]
    own, other = zip(*[pair for pair in pairs if not any(map(math.isnan, pair))], strict=True)
    return difference_of(own, other, "mean", 0), len(own)


def _line(name: str, found: Mapping[str, tuple[Interval, int]]) -> str:
    cells = (f"{one.value:.2f} [{one.low:.2f}, {one.high:.2f}] n={count}" for one, count in found.values())
    return f"| {name} | {' | '.join(cells)} |"


if __name__ == "__main__":
    count, drawn = int(sys.argv[1]), int(sys.argv[2])
    print(f"| law | {' | '.join(MEASURES)} |")
    alone = scores_of(PLAIN, count, drawn, "unassisted")
    print(_line("unassisted", {measure: mean_of(alone, measure) for measure in MEASURES}))
    all_scores = {law: scores_of(law, count, drawn) for law in LAWS}
    for law, scores in all_scores.items():
        print(_line(law, {measure: mean_of(scores, measure) for measure in MEASURES}))
    for law in ("bang-bang", "confident", "yielding"):
        found = {measure: less_plain(all_scores[law], all_scores[PLAIN], measure) for measure in MEASURES}
        print(_line(f"{law} less {PLAIN}", found))
