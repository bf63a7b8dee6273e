"""Asking a control law, whatever it does: a law that raises, returns nonsense or never returns is a finding.

A law is measured against the wall clock. One in a process of its own is waited for no longer than that, and then
given up. One in this process that overruns is interrupted where the system has timers (not on Windows, and only in a
main thread); elsewhere it is found out once it returns.
"""

from __future__ import annotations

import time
from typing import Any, Final, NamedTuple

from thenar.controller.law import AT_REST, Law
from thenar.controller.law_process import AwayLaw, GoneError, LateError, LawRaisedError
from thenar.safety.inputs import LAW_FINE, LAW_LATE, LAW_RAISED
from thenar.shared.foreign import OverrunError, said, start_timer, stop_timer
from thenar.shared.signals import Observation

WALL_LIMIT_S: Final = 0.5
"""In a trial that keeps to the wall clock, a law that needs longer than this for one answer has stalled (own choice:
the heartbeat trip of R32)."""
GIVEN_UP_AFTER_S: Final = 10.0
"""In any other trial simulated time waits for the law, up to this long (own choice)."""


class Answer(NamedTuple):
    """What came back: any object at all, one of the LAW constants, and what went wrong ("" if nothing).

    `last`: the law can't be asked again in this trial.
    """

    demand: Any
    fault: int
    what: str
    last: bool = False


def answer_of(law: Law, observation: Observation, limit_s: float = WALL_LIMIT_S) -> Answer:
    """The law's answer to `observation`, late beyond `limit_s` s. Lets nothing out but KeyboardInterrupt."""
    if isinstance(law, AwayLaw):
        return _answer_from_away(law, observation, limit_s)
    begun = time.monotonic()
    try:
        demand = law.decide(observation)
    except KeyboardInterrupt:
        raise
    except OverrunError:
        stop_timer()
        return _late(limit_s)
    except BaseException as error:  # noqa: BLE001 - a user's law may raise anything, SystemExit included
        return Answer(AT_REST, LAW_RAISED, said(error))
    if time.monotonic() - begun > limit_s:
        return _late(limit_s)
    return Answer(demand, LAW_FINE, "")


def _answer_from_away(law: AwayLaw, observation: Observation, limit_s: float) -> Answer:
    try:
        return Answer(law.answer(observation, limit_s), LAW_FINE, "")
    except LawRaisedError as error:
        return Answer(AT_REST, LAW_RAISED, str(error))
    except LateError:
        return _late(limit_s)
    except GoneError as error:
        return Answer(AT_REST, LAW_RAISED, f"{error}; the law is not asked again in this trial", last=True)


def _late(limit_s: float) -> Answer:
    return Answer(AT_REST, LAW_LATE, f"no answer within {limit_s:g} s")


def watched_answer(law: Law, observation: Observation, limit_s: float = WALL_LIMIT_S) -> Answer:
    """As `answer_of`, with the timer of an open `overrun_watch` running."""
    try:
        start_timer(limit_s)
        answer = answer_of(law, observation, limit_s)
        stop_timer()
    except OverrunError:  # the timer fired just as the law returned
        stop_timer()
        return _late(limit_s)
    return answer
