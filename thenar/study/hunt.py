"""Is the loss of a check noticed? The campaign's attacks against a copy of the interlock without it.

Runs in processes of their own, without the compiler: plain and compiled steps agree bit for bit, and a copy needs
no compiling. A copy that crashes or takes too long is counted apart, never as noticed.
"""

from __future__ import annotations

import shutil
import tempfile
import time
from pathlib import Path
from types import ModuleType
from typing import Final, Literal, NamedTuple

import numpy as np

from thenar.safety.attack.directed import Attack, directed
from thenar.safety.attack.ops import CALM, FIELD, KIND, SENSED, TICK, Ops
from thenar.safety.attack.random_ops import Drawer
from thenar.safety.attack.removals import Removal
from thenar.safety.attack.variant import EditError, load_variant
from thenar.safety.audit.bounds import Bounds
from thenar.safety.audit.judge import Audit, judge_log
from thenar.safety.limits import Limits
from thenar.study.judged import logs_of, moved

State = Literal["caught", "survived", "crashed", "timeout"]
RANDOM_SCHEDULES: Final = 2
RANDOM_OPS: Final = 800
LONGEST_S: Final = 1_800.0
"""Far beyond what a hunt takes on a busy machine: a copy that loops for ever is what this is for."""
_SHRINK_TRIES: Final = 24
_SHRINK_S: Final = 20.0


class Hunt(NamedTuple):
    """One removal to be hunted, the auditor's own bounds for `limits`, and whether to shrink what finds it."""

    removal: Removal
    limits: Limits
    bounds: Bounds
    seed: int
    shrink: bool


class Found(NamedTuple):
    """What came of a hunt. `caught_after`: commands until the first offence; `ops`: the shrunk attack, None without."""

    rule: str
    state: State
    caught_after: int | None
    caught_by: tuple[str, ...]
    commands: int
    twin_trips: frozenset[int]
    attack: Attack | None
    what: str


def hunted(hunt: Hunt) -> Found:
    """Play the attacks at a copy without the check until the auditor finds one of the rules that must break."""
    folder = Path(tempfile.mkdtemp(prefix="thenar-variant-"))
    rule = hunt.removal.rule
    try:
        twin = _twin_trips(folder, hunt)
        player = load_variant(folder, f"without_{rule.lower()}", (*hunt.removal.planted, *hunt.removal.edits))
        return _search(player, hunt)._replace(twin_trips=twin)
    except EditError as error:
        return Found(rule, "crashed", None, (), 0, frozenset(), None, str(error))
    except Exception as error:  # noqa: BLE001 - whatever a broken copy raises is a crash of the copy, not of ours
        return Found(rule, "crashed", None, (), 0, frozenset(), None, f"{type(error).__name__}: {error}")
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _twin_trips(folder: Path, hunt: Hunt) -> frozenset[int]:
    """Where an excess is planted: what latches in the copy that still has the check. It must be the check's rule."""
    if not hunt.removal.planted:
        return frozenset()
    player = load_variant(folder, f"planted_{hunt.removal.rule.lower()}", hunt.removal.planted)
    attack = _own_first(hunt)[0]
    return frozenset(np.unique(player.play(attack.ops, attack.limits).decisions[:, -2]).tolist()) - {0}


def _own_first(hunt: Hunt) -> list[Attack]:
    """The directed attacks, those on the removed rule first, then a few drawn schedules."""
    attacks = sorted(directed(hunt.limits), key=lambda attack: attack.rule not in hunt.removal.caught_by[:1])
    drawn = [
        Attack(
            "drawn",
            hunt.limits,
            Drawer(np.random.default_rng([hunt.seed, 4, i]), hunt.limits).schedule(RANDOM_OPS, 0.5),
        )
        for i in range(RANDOM_SCHEDULES)
    ]
    return attacks + drawn


def _search(player: ModuleType, hunt: Hunt) -> Found:
    removal, commands, begun = hunt.removal, 0, time.monotonic()
    expected = set(removal.caught_by)
    for attack in _own_first(hunt):
        audit, at = _judged(player, attack, hunt)
        caught = tuple(name for name in audit.broken if name in expected or not expected)
        if caught:
            first = min(at[name] for name in caught)
            shrunk = _shrunk(player, attack, first, expected, hunt) if hunt.shrink else None
            return Found(removal.rule, "caught", commands + first, caught, commands + first, frozenset(), shrunk, "")
        commands += len(attack.ops)
        if time.monotonic() - begun > LONGEST_S:
            return Found(removal.rule, "timeout", None, (), commands, frozenset(), None, f"after {LONGEST_S:g} s")
    return Found(removal.rule, "survived", None, (), commands, frozenset(), None, "")


def _judged(player: ModuleType, attack: Attack, hunt: Hunt) -> tuple[Audit, dict[str, int]]:
    """The audit, and by broken rule the number of decisions until its first offence."""
    pulses, decisions = logs_of(player.play(attack.ops, attack.limits))
    audit = judge_log(moved(hunt.bounds, hunt.limits, attack.limits), pulses, decisions)
    first = {}
    for name in audit.broken:
        offence = audit.row(name).offences[0]
        before = (decisions.trial < offence.trial) | (
            (decisions.trial == offence.trial) & (decisions.t_us <= offence.t_us)
        )
        first[name] = max(int(before.sum()), 1)
    return audit, first


def _shrunk(player: ModuleType, attack: Attack, first: int, expected: set[str], hunt: Hunt) -> Attack:
    """The attack with everything dropped that isn't needed for the auditor to find the break, as far as time allows."""
    begun, tries = time.monotonic(), 0
    ops: Ops = attack.ops[: min(first + 3, len(attack.ops))]
    if not expected & set(_judged(player, attack._replace(ops=ops), hunt)[0].broken):
        return attack
    size = max(len(ops) // 2, 1)
    while size >= 1 and tries < _SHRINK_TRIES and time.monotonic() - begun < _SHRINK_S:
        start = 1
        while start < len(ops) and tries < _SHRINK_TRIES:
            shorter = np.concatenate([ops[:start], ops[start + size :]])
            tries += 1
            if expected & set(_judged(player, attack._replace(ops=shorter), hunt)[0].broken):
                ops = shorter
            else:
                start += size
        size //= 2
    return attack._replace(ops=ops)


def only_demands(ops: Ops) -> bool:
    """Whether an attack works through demands alone, so that a law in a scenario can play it."""
    sensed = [column for name, column in FIELD.items() if name != "estimate_mN"]
    calm = (ops[:, sensed] == CALM[[column - SENSED for column in sensed]]).all()
    return bool((ops[:, KIND] == TICK).all() and calm)
