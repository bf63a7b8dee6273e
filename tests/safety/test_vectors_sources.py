"""Where vectors come from: what a schedule with meddling leaves, and states in which a bound can't be moved onto."""

from __future__ import annotations

import numpy as np
import pytest

from tests.safety.interlock_bench import limits_for
from thenar.safety.attack.ops import HALT, OVERWRITE, RESTART, RESTORE, Script, push
from thenar.safety.attack.player import play
from thenar.safety.decision_log import FIELDS
from thenar.safety.inputs import Senses
from thenar.safety.interlock import start_admitted
from thenar.safety.memory import start_memory
from thenar.safety.vectors.bounds import on_bounds
from thenar.safety.vectors.exact import on_exact_bounds
from thenar.safety.vectors.recorder import Recorder, Vector
from thenar.safety.vectors.sources import _Player
from thenar.shared.compiled import flat_integers

LIMITS = limits_for()
PLACE = 5
MOST = 2**63 - 1
COUNT = Senses._fields.index("estimate_count")


def pen() -> Recorder:
    """A recorder at power-on."""
    return Recorder(flat_integers(LIMITS), start_memory(), start_admitted(), "written by hand", "boundary", 9)


def after_a_tick(count: int) -> Vector:
    """One tick at rest, armed, with the estimate's running number."""
    senses = [3_000, 1, 30_000, count, 0, 0, 1, 0, -1, -1, -1, -1, 0, 0, 0, 0]
    recorder = pen()
    recorder.tick(np.zeros(7, dtype=np.int64), np.array(senses, dtype=np.int64), 0)
    recorder.close()
    return recorder.vectors[0]


def test_limits_overwritten_before_arming_count_for_nothing_and_afterwards_trip() -> None:
    script = Script(20_000)
    script.event(OVERWRITE, channel=PLACE, change=7)
    script.ticks(1)
    script.ticks(3, push(6_000))
    script.event(OVERWRITE, channel=PLACE, change=7)
    script.ticks(2, push(6_000))
    script.event(RESTORE)
    script.ticks(1)
    vectors = _Player(LIMITS, "meddled with", "random").play(script.ops())
    kept = tuple(int(value) for value in flat_integers(LIMITS))
    spoilt = (*kept[:PLACE], kept[PLACE] + 7, *kept[PLACE + 1 :])
    assert {vector.limits for vector in vectors} == {kept, spoilt}
    assert vectors[0].limits == vectors[-1].limits == kept
    # The attacks' own player, which is written apart from this one, decides the same.
    ticks = [call for vector in vectors for call in vector.calls if "tick_us" in call]
    decisions = play(script.ops(), LIMITS).decisions[:, 1:]
    assert [call["reasons"] for call in ticks] == decisions[:, FIELDS.index("reasons")].tolist()
    assert any(call["reasons"] >> 34 & 1 for vector in vectors for call in vector.calls if "gate_us" in call)


def test_a_restart_and_a_halt_are_played_as_the_attacks_play_them() -> None:
    script = Script(20_000)
    script.ticks(1)
    script.ticks(3, push(6_000))
    script.event(RESTART)
    script.event(HALT)
    script.ticks(2)
    vectors = _Player(LIMITS, "restarted", "random").play(script.ops())
    ticks = [call for vector in vectors for call in vector.calls if "tick_us" in call]
    decisions = play(script.ops(), LIMITS).decisions[:, 1:]
    played = decisions[decisions[:, FIELDS.index("kind")] == 0]
    assert [call["reasons"] for call in ticks] == played[:, FIELDS.index("reasons")].tolist()
    assert sum("halt_us" in call for vector in vectors for call in vector.calls) == 1


@pytest.mark.parametrize(("count", "next_count"), [(41, 42), (MOST - 1, MOST), (MOST, MOST)])
def test_an_estimate_s_running_number_at_the_end_of_its_type_stays_there(count: int, next_count: int) -> None:
    vector = after_a_tick(count)
    found = [one for seed in range(8) for one in on_bounds(vector, np.random.default_rng(seed))]
    whole = [one for one in found if "at an end of its type" not in one.comment]
    calm = [call for one in whole for call in one.calls if "tick_us" in call]
    assert len(calm) > 8
    assert {call["senses"][COUNT] for call in calm} == {next_count}


def test_before_the_first_tick_no_moment_lies_on_a_bound() -> None:
    recorder = pen()
    recorder.halt(0)
    recorder.close()
    rng = np.random.default_rng(1)
    assert list(on_exact_bounds(recorder.vectors[0], rng)) == []
    assert len(list(on_exact_bounds(after_a_tick(1), rng))) == 39


def test_a_command_that_expires_before_it_may_fire_is_put_onto_no_bound_of_the_gate() -> None:
    asks = {}
    for period_us in (25_000, 1_000_000):
        script = Script(20_000)
        script.ticks(1)
        script.ticks(3, push(600, period_us=period_us))
        vector = _Player(LIMITS, "pushed", "random").play(script.ops())[-1]
        assert vector.admitted_after[2] == 600
        found = [one for seed in range(6) for one in on_exact_bounds(vector, np.random.default_rng(seed))]
        assert any("tick_us" in call for one in found for call in one.calls)
        asks[period_us] = sum("gate_us" in call for one in found for call in one.calls)
    # One pulse a second: the next is due long after the command's life, whichever channel is drawn.
    assert asks[25_000] > 0
    assert asks[1_000_000] == 0
