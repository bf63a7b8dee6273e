"""A shrunk attack as a scenario with a law beside it, so that anyone can run it and see what the interlock does."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from thenar.safety.attack.ops import ASKED, DELAY_US, Ops
from thenar.shared.ticks import US_PER_S
from thenar.study.hunt import Found, only_demands
from thenar.study.real_loop import SCREENED

FOLDER: Final = "counterexamples"
SHORTEST_S: Final = 1.0
LAW: Final = "asked.py"

_LAW_TEXT: Final = '''"""Asks for what an attack asked for, tick by tick, then for nothing."""

from thenar.shared.signals import REST, Demand, Stimulus

# (current in mA, width in us, rate in Hz) of agonist, then antagonist; one row per control tick
ASKED = [
{rows}]


class Asked:
    def __init__(self, settings, calibration):
        self.tick = -1

    def decide(self, observation):
        self.tick += 1
        if self.tick >= len(ASKED):
            return Demand(REST, REST)
        agonist, antagonist = ASKED[self.tick]
        return Demand(Stimulus(*agonist), Stimulus(*antagonist))
'''


def written_counterexamples(folder: Path, profile: str, seed: int, found: tuple[Found, ...]) -> list[str]:
    """Write a scenario for each shrunk attack that works through demands alone. Returns the rules that have one.

    `folder`: where challenge.json goes. `profile`: a shipped profile's name, or the absolute path of a file.
    """
    rules = []
    for one in found:
        if one.attack is None or not only_demands(one.attack.ops):
            continue
        place = folder / FOLDER / one.rule
        place.mkdir(parents=True)
        (place / LAW).write_text(_LAW_TEXT.format(rows=_rows(one.attack.ops)), encoding="utf-8")
        seconds = max(SHORTEST_S, int(one.attack.ops[:, DELAY_US].clip(0).sum()) / US_PER_S + 0.5)
        (place / f"{one.rule}.toml").write_text(_scenario(one, profile, seed, seconds), encoding="utf-8")
        rules.append(one.rule)
    return rules


def _rows(ops: Ops) -> str:
    lines = []
    for op in ops:
        fault, *numbers = (int(number) for number in op[ASKED : ASKED + 7])
        channels = [_stimulus(*numbers[:3]), _stimulus(*numbers[3:])]
        lines.append("    " + ("(None, None)" if fault else f"({channels[0]}, {channels[1]})") + ",\n")
    return "".join(lines)


def _stimulus(current_uA: int, width_us: int, period_us: int) -> str:
    rate_Hz = US_PER_S / period_us if period_us > 0 else 0.0
    return f"({current_uA / 1_000!r}, {float(width_us)!r}, {rate_Hz!r})"


def _scenario(one: Found, profile: str, seed: int, seconds: float) -> str:
    return f"""# What found the loss of the check {one.rule}, shrunk. The interlock as shipped holds it.
# Found with other bounds lifted: under the profile below, whichever rule is tightest answers.
# Written by `thenar challenge`. Simulation only; the person is invented.
schema = 1
title = "The attack that found {one.rule} missing"
seed = {seed % 2**31}
duration_s = {seconds:.2f}
conditions = ["stimulation-only"]
[target]
program = "constant"
level_N = 5.0
[law]
file = "{LAW}"
class = "Asked"
[limits]
profile = {_quoted(profile)}
{SCREENED}"""


def _quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'
