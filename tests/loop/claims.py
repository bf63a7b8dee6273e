"""Every sentence of the README on help and harm, with what it stands on: a shipped file, a measure, a direction, seeds.

`python -m tests.loop.claims` measures all of them over twenty seeds and prints the README's table.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np

from thenar.engine.trial import plan_trials
from thenar.report.metrics import TargetRow
from thenar.scenarios.changes import with_values
from thenar.scenarios.gallery import gallery_file
from thenar.scenarios.loader import load_scenario
from thenar.study.measured import measured

SEEDS: Final = range(1, 21)
ERROR: Final = "mean_abs_error_N"
CV: Final = "cv_percent"
NO_CUE: Final = (("wearer.cue.trust", 0.0), ("wearer.cue.rate_N_per_s", 0.0))


class Claim(NamedTuple):
    """One direction: `condition` has less of `measure` than `against` (more where `more`), on `least` of 20 seeds.

    `file`: of the gallery; `changes`: key paths and values set in it; `wearer`: one of its people, "" for the mean over
    all; `target_N`: the rung or hold.
    """

    sentence: str
    file: str
    target_N: float
    measure: str = ERROR
    condition: str = "assisted"
    against: str = "unassisted"
    more: bool = False
    least: int = 20
    wearer: str = ""
    changes: tuple[tuple[str, float], ...] = ()

    @property
    def first_seed(self) -> bool:
        """Whether one seed must show it."""
        return self.least == len(SEEDS)


LADDER: Final = "In the ladder of key pinches the error was lower with assistance at every rung, on every seed"
ALONE: Final = (
    "stimulation alone was worse than no help at all, on every seed: a pulse is on for half of any minute at most"
)
HOLD: Final = "An engraver's hold under handling strokes had less error on every seed, though it was no steadier"
NOT_STEADIER: Final = (
    "In the ladder the variation of the steady hold grew at every rung on every seed: assistance trades steadiness for "
    "error"
)
RESISTS: Final = (
    "a wearer who works against the nudges is harmed at both rungs on every seed, one who ignores them is helped a "
    "little"
)
MISREADS: Final = (
    "with an estimator that saturates near 6 N the error fell at 4 N and grew at 8 and 12 N, on every seed"
)
RESEATED: Final = (
    "a sensor that shifts half-way brings its error to the wearer: the steady hold was worse on every seed"
)
TOO_HIGH: Final = "at 25 times the shipped gain the engraver's hold was shaken on every seed"
CUE: Final = (
    "Most of this help is the wearer's own, cued by the felt nudge, which is an assumption: without it (trust and rate "
    "of the cue 0) the ladder's error still falls on every seed, by about a tenth"
)
CLAIMS: Final = (
    *(Claim(LADDER, "key-pinch-ladder", rung_N) for rung_N in (4.0, 7.0, 11.0)),
    *(Claim(ALONE, "key-pinch-ladder", rung_N, condition="stimulation-only", more=True) for rung_N in (4.0, 7.0, 11.0)),
    *(Claim(NOT_STEADIER, "key-pinch-ladder", rung_N, CV, more=True) for rung_N in (4.0, 7.0, 11.0)),
    *(Claim(CUE, "key-pinch-ladder", rung_N, changes=NO_CUE) for rung_N in (4.0, 7.0, 11.0)),
    Claim(HOLD, "graver-hold", 10.0),
    Claim(HOLD, "graver-hold", 10.0, CV, more=True, least=18),
    *(Claim(RESISTS, "wearer-who-resists", rung_N, more=True, wearer="resists") for rung_N in (5.0, 8.0)),
    *(Claim(RESISTS, "wearer-who-resists", rung_N, wearer="ignores") for rung_N in (5.0, 8.0)),
    Claim(MISREADS, "saturating-estimator", 4.0),
    *(Claim(MISREADS, "saturating-estimator", rung_N, more=True) for rung_N in (8.0, 12.0)),
    Claim(RESEATED, "reseated-sensor", 6.5, "steady_error_N", more=True),
    Claim(TOO_HIGH, "graver-hold", 10.0, CV, more=True, changes=(("law.settings.gain_fraction_per_N", 0.5),)),
)


@lru_cache(maxsize=256)
def rows_of(file: str, changes: tuple[tuple[str, float], ...], seed: int) -> tuple[TargetRow, ...]:
    """All rows of a shipped file, changed so, with another seed."""
    loaded = load_scenario(gallery_file(file))
    if changes:
        loaded = with_values(loaded, dict(changes))
    trials = plan_trials(loaded, seed)
    found = dict(measured(trials, moving=False, jobs=os.cpu_count() or 1))
    return tuple(row for place in sorted(found) for row in found[place])


def mean_of(claim: Claim, condition: str, seed: int) -> float:
    """The mean over wearers of their means, at the claim's target."""
    by_wearer: dict[str, list[float]] = {}
    for row in rows_of(claim.file, claim.changes, seed):
        label, value = row.label, row.value(claim.measure)
        if label.condition != condition or abs(row.target_N - claim.target_N) > 1e-9 or math.isnan(value):
            continue
        if claim.wearer in ("", label.wearer_name):
            by_wearer.setdefault(label.wearer_name, []).append(value)
    return float(np.mean([np.mean(values) for values in by_wearer.values()]))


def holds(claim: Claim, seed: int) -> bool:
    """Whether one seed shows the claim."""
    found, other = mean_of(claim, claim.condition, seed), mean_of(claim, claim.against, seed)
    return found > other if claim.more else found < other


def table() -> Iterator[str]:
    """The README's table: ranges over the seeds, and on how many of them the direction held."""
    yield "| file | target | measure | unassisted | with | seeds |"
    yield "|---|---|---|---|---|---|"
    for claim in CLAIMS:
        of: Mapping[str, list[float]] = {
            name: [mean_of(claim, name, seed) for seed in SEEDS] for name in (claim.against, claim.condition)
        }
        unit = " %" if claim.measure == CV else " N"
        ranges = [f"{min(values):.2f}-{max(values):.2f}{unit}" for values in of.values()]
        count = sum(holds(claim, seed) for seed in SEEDS)
        what = {ERROR: "error", CV: "variation"}.get(claim.measure, "steady error")
        who = f", {claim.wearer}" if claim.wearer else ", no cue" if claim.changes == NO_CUE else ""
        who += ", gain x 25" if claim.changes and not who else ""
        with_what = ranges[1] + (" (stimulation only)" if claim.condition != "assisted" else "")
        way = "more" if claim.more else "less"
        yield f"| `{claim.file}`{who} | {claim.target_N:g} N | {what} | {ranges[0]} | {with_what} | {way} on {count} |"


if __name__ == "__main__":
    for line in table():
        print(line, flush=True)
