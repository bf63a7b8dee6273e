"""A whole campaign: attacks through the interlock, judged by the auditor, and every check taken out in turn."""

from __future__ import annotations

import multiprocessing
import os
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from contextlib import contextmanager
from typing import Final, NamedTuple

import thenar
from thenar.report.manifest import made_here, now_utc
from thenar.safety.attack.directed import directed
from thenar.safety.attack.removals import MUST_DIE, MUST_SURVIVE, REMOVALS
from thenar.safety.invented import CLEAR, ENGRAVER
from thenar.safety.limits import Limits
from thenar.safety.profile import LimitProfile, load_profile, shipped_profiles
from thenar.safety.requirements import REQUIREMENTS
from thenar.shared.worker_process import WorkerContext
from thenar.study.families import Outcome, pieces, played_piece
from thenar.study.hunt import Found, Hunt, hunted
from thenar.study.judged import Judged, engraver_bounds, limits_that_differ, together

FORMAT: Final = 1
CONTROL_PERIOD_US: Final = 20_000
WITHOUT_BIT: Final = (29, 38)
TRIPS: Final = (1, 2, 3, 4, 13, 14, 15, 17, 18, 19, 24, 28, 30, 31, 32, 33, 35, 37, 39)
"""Every cause that can latch: a campaign must reach them all."""
NO_JIT: Final = "NUMBA_DISABLE_JIT"


class Asked(NamedTuple):
    """What was asked for. `profile_name`: as it was typed; `jobs`: processes; `shrink`: keep counterexamples."""

    profile: LimitProfile
    profile_name: str
    commands: int
    seed: int
    jobs: int
    shrink: bool


class Campaign(NamedTuple):
    """The record of a campaign (challenge.json as it is written) and what the hunts found."""

    record: dict[str, object]
    found: tuple[Found, ...]
    limits: Limits

    @property
    def passed(self) -> bool:
        """Whether nothing failed, everything was reached, and every removed check was missed."""
        return bool(self.record["passed"])


def planned_steps(asked: Asked) -> int:
    """How many steps of progress a campaign makes."""
    limits = _limits(asked.profile)
    return len(pieces(asked.commands, asked.seed, len(directed(limits)))) + len(REMOVALS) + 2


def run_campaign(asked: Asked, on_step: Callable[[object], None]) -> Campaign:
    """Play everything. Results don't depend on `jobs`. Raises LostWorkerError's cause when a process dies."""
    begun, started_utc, steps = time.monotonic(), now_utc(), made_here().steps
    limits = _limits(asked.profile)
    outcomes = sorted(_outcomes(asked, limits, on_step), key=lambda one: (one.piece.family, one.piece.number))
    bounds = engraver_bounds(asked.profile, CONTROL_PERIOD_US)
    hunts = [Hunt(removal, limits, bounds, asked.seed, asked.shrink) for removal in (*REMOVALS, MUST_SURVIVE, MUST_DIE)]
    found = {one.rule: one for one in _hunts(hunts, asked.jobs, on_step)}
    on = together([one.on for one in outcomes])
    twin_trips = frozenset().union(*(one.twin_trips for one in found.values()))
    seconds = time.monotonic() - begun
    record = _record(asked, outcomes, on, found, on.trips | twin_trips)
    record |= {"started_utc": started_utc, "seconds": round(seconds, 1), "steps": steps}
    return Campaign(record, tuple(found[rule] for rule in sorted(found)), limits)


def _limits(profile: LimitProfile) -> Limits:
    return profile.limits_for(ENGRAVER, CONTROL_PERIOD_US, CLEAR)


def _outcomes(asked: Asked, limits: Limits, on_step: Callable[[object], None]) -> Iterator[Outcome]:
    planned = pieces(asked.commands, asked.seed, len(directed(limits)))
    if asked.jobs == 1:
        for piece in planned:
            yield _told(played_piece(limits, asked.profile_name, piece), on_step)
        return
    # The first piece compiles whatever isn't in the cache yet, once for all processes.
    yield _told(played_piece(limits, asked.profile_name, planned[0]), on_step)
    with _pool(asked.jobs, compiled=True) as pool:
        waiting = [pool.submit(played_piece, limits, asked.profile_name, piece) for piece in planned[1:]]
        for done in as_completed(waiting):
            yield _told(done.result(), on_step)


def _hunts(hunts: list[Hunt], jobs: int, on_step: Callable[[object], None]) -> Iterator[Found]:
    with _pool(jobs, compiled=False) as pool:
        waiting: list[Future[Found]] = [pool.submit(hunted, hunt) for hunt in hunts]
        for done in as_completed(waiting):
            on_step(done)
            yield done.result()


def _told(outcome: Outcome, on_step: Callable[[object], None]) -> Outcome:
    on_step(outcome.piece)
    return outcome


@contextmanager
def _pool(jobs: int, *, compiled: bool) -> Iterator[ProcessPoolExecutor]:
    """Fresh processes, with the compiler or without; work that nobody waits for any more is dropped."""
    before = os.environ.get(NO_JIT)
    if not compiled:
        os.environ[NO_JIT] = "1"
    pool = ProcessPoolExecutor(jobs, WorkerContext())
    try:
        yield pool
    except BaseException:
        for child in multiprocessing.active_children():
            child.terminate()
        raise
    finally:
        pool.shutdown(cancel_futures=True)
        if not compiled:
            os.environ.pop(NO_JIT)
            os.environ.update({} if before is None else {NO_JIT: before})


def _record(
    asked: Asked, outcomes: list[Outcome], on: Judged, found: dict[str, Found], trips: frozenset[int]
) -> dict[str, object]:
    pairs = [(one.on, one.off) for one in outcomes if one.off is not None]
    off, same = together([b for _, b in pairs]), together([a for a, _ in pairs])
    rows = [_row(number, on, off, same, found) for number in range(1, len(REQUIREMENTS) + 1)]
    families: dict[str, int] = {}
    for one in outcomes:
        families[one.piece.family] = families.get(one.piece.family, 0) + one.commands
    never = _never_reached(on, trips)
    survivor, dead = found[MUST_SURVIVE.rule], found[MUST_DIE.rule]
    controls = {"must_survive": survivor.state, "must_die": dead.state}
    caught = all(found[removal.rule].state == "caught" for removal in REMOVALS)
    checked = not any(r.planted and int(r.rule[1:]) not in found[r.rule].twin_trips for r in REMOVALS)
    unlike = limits_that_differ([asked.profile, *(load_profile(name) for name in shipped_profiles())])
    fine = not on.audit.broken and caught and checked and controls == {"must_survive": "survived", "must_die": "caught"}
    return {
        "format": FORMAT,
        "profile": asked.profile_name,
        "fingerprint": asked.profile.fingerprint(),
        "limits": asked.profile.model_dump(mode="json", exclude_none=True),
        "deviations": [deviation._asdict() for deviation in asked.profile.deviations()],
        "seed": asked.seed,
        "commands": sum(families.values()),
        "pulses": on.audit.pulses,
        "decisions": on.audit.decisions,
        "thenar": thenar.__version__,
        "families": dict(sorted(families.items())),
        "interlock_on": {"fails": len(on.audit.broken), "broken": list(on.audit.broken)},
        "same_attacks": {
            "off": sum(row.failed for row in off.audit.rows),
            "on": sum(row.failed for row in same.audit.rows),
            "rules_broken_off": len(off.audit.broken),
            "rules_broken_on": len(same.audit.broken),
        },
        "rows": rows,
        "controls": controls,
        "trips_reached": [f"R{number:02d}" for number in sorted(trips)],
        "never_reached": never,
        "limits_that_differ": list(dict.fromkeys(unlike)),
        "passed": fine and not never and not unlike,
    }


def _never_reached(on: Judged, trips: frozenset[int]) -> list[str]:
    """Rules that had nothing to say, and trip causes that never latched, in words."""
    silent = [row.rule for row in on.audit.rows if row.exercised == 0]
    unmoved = [
        f"R{number:02d} never acted"
        for number in range(1, len(REQUIREMENTS) + 1)
        if on.acted[number] == 0 and number not in (*WITHOUT_BIT, 37) and number not in _AT_THE_GATE_ONLY
    ]
    causes = [f"R{number:02d} never latched" for number in TRIPS if number not in trips]
    return [f"{rule} never exercised" for rule in silent] + unmoved + causes


_AT_THE_GATE_ONLY: Final = (15, 26, 40)
"""Rules that act at the gate between two decisions: their bits stand in no decision, their effect is in the pulses."""


def _row(number: int, on: Judged, off: Judged, same: Judged, found: dict[str, Found]) -> dict[str, object]:
    row = on.audit.rows[number - 1]
    hunt = found[row.rule]
    removal = next(removal for removal in REMOVALS if removal.rule == row.rule)
    closest = row.closest
    return {
        "id": row.rule,
        "title": row.title,
        "verdict": row.verdict.value,
        "challenged": row.exercised,
        "acted": int(on.acted[number]),
        "trips": number in on.trips or number in hunt.twin_trips,
        "closest": None
        if closest is None
        else {
            "value": closest.value,
            "bound": closest.bound,
            "unit": closest.unit,
            "share": round(closest.closeness, 6),
        },
        "offences": [offence._asdict() for offence in row.offences[:3]],
        "violations_off": off.audit.rows[number - 1].failed,
        "violations_on": same.audit.rows[number - 1].failed,
        "removal": {
            "where": ", ".join(sorted({f"safety/{edit.module}.py" for edit in removal.edits})),
            "state": hunt.state,
            "caught_after": hunt.caught_after,
            "caught_by": list(hunt.caught_by),
            "what": hunt.what,
        },
    }
