"""Finished runs of the interlock with a limit read from the wrong place, and what an audit of their folders says.

Each is a run under the asymmetric profile with all bounds at their hard range but those that make the limit, and with a
law that drives it: the demands of `DRIVERS`, tick by tick, and faults of the scenario for what is sensed there.
`python -m tests.thenar.swapped_runs [BOUND ...]` prints the table.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from contextlib import nullcontext
from functools import cache
from itertools import groupby
from pathlib import Path
from typing import Final, NamedTuple

from tests.scenarios.texts import SCREENED
from tests.thenar.swap_planted import planted
from tests.thenar.swapped_limits import DRIVERS, FIELDS, LIMITS, PERIOD_US, PROFILE, Swap, asked, pushes, swaps
from thenar.report.auditing import Terms, audit_folder
from thenar.report.folder import open_finished
from thenar.run import run_scenario
from thenar.safety.bounds import CHANNEL, LOOP, Row
from thenar.safety.invented import CLEAR, JEWELLER, UNEQUAL
from thenar.scenarios.loader import load_scenario

TOGETHER: Final = frozenset({"rms_density_mA_per_cm2", "pad_area_cm2", "contact_assumed"})
"""Keys that only bind with one another: what drives one leaves the others in force."""
KEPT_WITH: Final[Mapping[str, frozenset[str]]] = {
    **dict.fromkeys(("density_rms_uA_per_cm2", "area_mm2", "contact_assumed_per_mille"), TOGETHER),
    "intensity_width_us": frozenset({"intensity_slew_uC_per_s2"}),
}
"""Keys that stay in force beside those that make a limit."""
UNREACHED: Final = {
    "density_trip_uA_per_cm2": "the clamp of R13 lies below it",
    "power_rms_uA": "R13 binds before it on this pad, whatever its value in its hard range",
    "net_trip_pC": "at their hard ranges the two other bounds of R18 act before it",
}
"""Bounds that no finished run can drive, and why."""
DRIVES: Final = {
    "net_pC": pushes(250, asked(20_000, 250, PERIOD_US)),
    "ramp_us": pushes(160, asked(20_000, 250, PERIOD_US)),
}
"""In place of those of a rehearsal: bounds stay in force that no profile can lift, and no operator disarms."""
LIFTED_LOOP: Final = (
    "session_min", "summed_share", "pulse_gap_ms", "changeover_ms", "saturated_pulses", "estimate_undershoot_N",
    "estimate_max_N", "estimate_slope_N_per_s", "estimate_frozen_ms", "force_soft_share", "force_hard_share",
    "force_rise_N_per_s",
)  # fmt: skip
WHY: Final = ', reason = "lifted so that another bound binds"'
LIFTED_CEILING_MA: Final = 100.0
_UNBALANCED: Final = 'kind = "unbalanced-pulses"\nchannel = "antagonist"\nat_s = {}\nfor_s = 1.5\nmissing_share = {}'
_HALF_LIFTED: Final = 'kind = "electrode-lift"\nchannel = "antagonist"\nat_s = 1.22\nfor_s = 0.8\ncontact_share = 0.54'
FAULTS: Final[Mapping[str, str]] = {
    "net_per_mille": _UNBALANCED.format(1.22, 0.017),
    "net_pC": _UNBALANCED.format(3.02, 0.035),
    "ohm_jump_percent": _HALF_LIFTED,
    "ramp_us": 'kind = "dropout"\nat_s = 1.22\nfor_s = 0.9',
    "motor_uA": 'kind = "stuck"\nat_s = 1.22\nfor_s = 2.4',
}
"""What is sensed while a bound is driven, as faults of a scenario: between the antagonist's bound and the agonist's."""
SERIES_OHM: Final = {"ohm_min": 130.0, "ohm_max": 9_250.0, "ohm_jump_percent": 500.0}
"""As FAULTS: the resistance of the antagonist's pads, all of it in series."""

LAW: Final = '''\
"""Demands on the antagonist, tick by tick."""

from thenar import Demand, Stimulus

RUNS = {runs!r}


class Scripted:
    """Each demand (mA, us, Hz) for so many ticks, then nothing."""

    def __init__(self, settings, calibration):
        self.left = [demand for count, demand in reversed(RUNS) for _ in range(count)]

    def decide(self, observation):
        """The next one."""
        return Demand(Stimulus(0.0, 0.0, 0.0), Stimulus(*(self.left.pop() if self.left else (0.0, 0.0, 0.0))))
'''
SCENARIO: Final = """\
schema = 1
title = "A jeweller's key pinch, every demand scripted"
seed = 3
duration_s = {seconds}
conditions = ["assisted"]

[wearer]
name = "jeweller"
{pads}

[target]
program = "constant"
level_N = 5.0

[law]
file = "scripted.py"
class = "Scripted"

[limits]
profile = "lifted.toml"

{faults}
[calibration]
source = "on-file"
invented = true
max_pinch_N = {top_N}
agonist = {{ {agonist} }}
antagonist = {{ {antagonist} }}
"""


class Recorder:
    """Takes the place of a rehearsal: keeps what a driver asks for."""

    def __init__(self) -> None:
        self.demands: list[tuple[float, float, float]] = [(0.0, 0.0, 0.0)]

    def step(self, demand: tuple[int, ...], **_senses: int) -> None:
        """Keep the demand on the antagonist; what is sensed with it is FAULTS' business."""
        current_uA, width_us, period_us = demand[4:]
        self.demands.append((current_uA / 1_000, float(width_us), 1e6 / period_us))


def _end(row: Row) -> float:
    return row.low if row.looser == "lower" else row.high


@cache
def keys_of(field: str) -> frozenset[str]:
    """The keys of a channel that make a limit: those whose change changes it."""
    found = set()
    for key, row in CHANNEL.items():
        bounds = getattr(PROFILE.antagonist, key)
        value = (row.low + row.high) / 2 if row.looser == "either" else _end(row)
        table = PROFILE.antagonist.model_copy(update={key: bounds.model_copy(update={"value": value})})
        limits = PROFILE.model_copy(update={"antagonist": table}).limits_for(JEWELLER, PERIOD_US, CLEAR)
        if getattr(limits.antagonist, field) != getattr(LIMITS.antagonist, field):
            found.add(key)
    return frozenset(found)


def lifted_text(field: str) -> str:
    """The asymmetric profile with every bound at its hard range but those that make a limit or belong to it."""
    kept = keys_of(field) | KEPT_WITH.get(field, frozenset())
    rows = {key: row for key, row in CHANNEL.items() if key not in kept and row.looser != "either"}
    rows |= {key: LOOP[key] for key in LIFTED_LOOP if (field, key) != ("motor_uA", "estimate_frozen_ms")}
    text = PROFILE.text.replace(f'name = "{PROFILE.name}"', 'name = "lifted"', 1)
    for key, row in rows.items():
        line = re.compile(rf"(?m)^({key} = \{{ value = )[^,]+(, .*?)(, reason = \"[^\"]*\")?( \}})$")
        text, count = line.subn(lambda found, row=row: f"{found[1]}{_end(row):g}{found[2]}{WHY}{found[4]}", text)
        assert count, key
    return text


def write_run(folder: Path, field: str) -> Path:
    """Scenario, law and profile of the run that drives a bound."""
    recorder = Recorder()
    DRIVES.get(field, DRIVERS[field].drive)(recorder)  # type: ignore[arg-type]
    runs = [(len(list(same)), demand) for demand, same in groupby(recorder.demands)]
    (folder / "scripted.py").write_text(LAW.format(runs=runs), "utf-8")
    (folder / "lifted.toml").write_text(lifted_text(field), "utf-8")
    faults = f"[[faults]]\n{FAULTS[field]}\n" if field in FAULTS else ""
    pads = (
        f"[wearer.antagonist.electrode]\nseries_ohm = {SERIES_OHM[field]}\nparallel_ohm = 0.01\ncompliance_V = 500.0\n"
        if field in SERIES_OHM
        else ""
    )
    ceiling = {} if field == "ceiling_uA" else {"ceiling_mA": LIFTED_CEILING_MA}
    agonist, antagonist = (
        ", ".join(f"{key} = {value!r}" for key, value in (channel._asdict() | ceiling).items())
        for channel in (JEWELLER.agonist, JEWELLER.antagonist)
    )
    seconds = len(recorder.demands) * PERIOD_US / 1e6 + 1
    text = SCENARIO.format(
        seconds=seconds, pads=pads, faults=faults, top_N=JEWELLER.max_pinch_N, agonist=agonist, antagonist=antagonist
    )
    (folder / "run.toml").write_text(text + SCREENED, "utf-8")
    return folder / "run.toml"


class Found(NamedTuple):
    """Rules that fail in the audit of a folder: by pulses and decisions alone, and whether R35's numbers differ."""

    in_the_log: tuple[str, ...]
    by_number: bool


def audited(field: str, swap: Swap | None = None) -> Found:
    """What an audit finds in the folder of the run that drives a bound, with or without a swap in the conversion."""
    with tempfile.TemporaryDirectory() as place:
        scenario = write_run(Path(place), field)
        out = Path(place) / "run"
        with planted(swap.name, swap.read) if swap else nullcontext():
            run_scenario(load_scenario(scenario), out)
        audit = audit_folder(open_finished(out, "run"), Terms(None, None, None), lambda _: None).audit
    return Found(tuple(rule for rule in audit.broken if rule != "R35"), "R35" in audit.broken)


class Noticed(NamedTuple):
    """Who noticed a swap: `pytest tests/safety`, a challenge, an audit of a run (None: can't be driven)."""

    by_pytest: bool
    by_challenge: bool
    by_audit: Found | None

    @property
    def missed(self) -> bool:
        """Whether one of them that should have noticed it didn't; a tightened limit needn't show in pulses."""
        return not (self.by_pytest and self.by_challenge and (self.by_audit is None or self.by_audit.by_number))


PYTEST: Final = ["pytest", "-q", "-x", "-p", "no:cacheprovider", "tests/safety/test_conversion_expected.py"]
CHALLENGE: Final = f"thenar challenge {UNEQUAL} --commands 20000 --jobs 1".split()


def fails(swap: Swap, command: list[str]) -> bool:
    """Whether a command says no (code 1) with the swap planted; an error of another kind is one of this table."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.thenar.swap_planted", swap.name, swap.source, *command],
        check=False, capture_output=True, text=True,
    )  # fmt: skip
    if done.returncode not in (0, 1):
        raise RuntimeError(done.stdout[-2_000:] + done.stderr[-2_000:])
    return done.returncode == 1


def noticed(swap: Swap) -> Noticed:
    """Who notices this swap. The tests are those of the conversion, which are some of `tests/safety`."""
    by_audit = None if swap.name in UNREACHED else audited(swap.name, swap)
    return Noticed(fails(swap, PYTEST), fails(swap, CHALLENGE), by_audit)


def line_of(swap: Swap, found: Noticed) -> str:
    """A line of the table."""
    way = "looser" if swap.looser else "tighter"
    tests, attack = ("noticed" if one else "MISSED" for one in (found.by_pytest, found.by_challenge))
    if found.by_audit is None:
        audit = f"not driven: {UNREACHED[swap.name]}"
    else:
        numbers = "R35" if found.by_audit.by_number else "MISSED"
        audit = f"{numbers:8} {' '.join(found.by_audit.in_the_log) or '-'}"
    return f"{swap.name:26} {swap.source:26} {way:8} {tests:8} {attack:9} {audit}"


HEAD: Final = (
    f"{'bound of the antagonist':26} {'read from':26} {'is':8} {'pytest':8} {'challenge':9} {'audit':8} "
    "and in the log alone"
)


if __name__ == "__main__":
    print(HEAD)
    for one in swaps():
        if one.name in (sys.argv[1:] or FIELDS):
            print(line_of(one, noticed(one)), flush=True)
