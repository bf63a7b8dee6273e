"""The batch engine: against the same model by hand in C, against the event engine, over threads, and how cost grows."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace

from benchmarks.c_twin import compiler, twin_ms
from benchmarks.event_engine import demo_trial
from thenar.engine.batch import law_step_of, put_back, state_of
from thenar.engine.desk import lay_desk
from thenar.engine.events import EventTrial
from thenar.engine.loop import course, room_for_law, run_loop, timetable
from thenar.engine.trial import Trial
from thenar.study.measured import measured
from thenar.workers import cores

ROUNDS = 5
REPEATS = 20
SETTINGS = 64


def loop_ms(trial: Trial, repeats: int = REPEATS) -> float:
    """Best processor time of the compiled loop alone for one trial, ms.

    As in the C twin, one desk serves all repeats: memory is touched before the clock starts.
    """
    law, desk = law_step_of(trial), lay_desk(trial)
    laid, table = state_of(desk), timetable(trial, desk)
    best = float("inf")
    for _ in range(1 + repeats):
        put_back(desk, laid)
        ask, going = room_for_law(law.step, law.numbers, law.memory.copy()), course(desk)
        begun = time.thread_time()
        run_loop(desk, table, ask, going)
        best = min(best, 1e3 * (time.thread_time() - begun))
    return best


def family(trial: Trial, count: int) -> list[Trial]:
    """`count` trials that differ in the law's gain alone."""
    return [
        replace(trial, law=trial.law.model_copy(update={"settings": {"gain_fraction_per_N": 0.0005 * (1 + number)}}))
        for number in range(count)
    ]


def wall_s(trials: list[Trial], jobs: int) -> float:
    """Real time to run and measure trials on `jobs` threads, s."""
    begun = time.perf_counter()
    ran = sum(1 for _ in measured(trials, moving=False, jobs=jobs))
    taken = time.perf_counter() - begun
    if ran != len(trials):
        raise AssertionError(f"{ran} of {len(trials)} trials were measured")
    return taken


def against_c(trial: Trial) -> str:
    """The loop and its C twin, alternating."""
    if compiler() is None:
        return f"batch engine, one assisted 120 s trial: {loop_ms(trial):.2f} ms; no C compiler to compare with"
    ours, theirs = [], []
    for _ in range(ROUNDS):
        ours.append(loop_ms(trial))
        theirs.append(twin_ms(trial, REPEATS))
    return (
        f"batch engine, one assisted 120 s trial on one core: {min(ours):.2f} ms; the same model by hand in C "
        f"(without the list of events): {min(theirs):.2f} ms; ratio {min(ours) / min(theirs):.2f} (bar: at most 1)"
    )


def against_events(trial: Trial) -> str:
    """The loop and the event engine, alternating."""
    batch, events = [], []
    for _ in range(ROUNDS):
        running = EventTrial(trial)
        begun = time.process_time()
        running.run()
        events.append(1e3 * (time.process_time() - begun))
        batch.append(loop_ms(trial, 3))
    return f"event engine {min(events):.0f} ms for the same trial; ratio {min(events) / min(batch):.0f}"


def over_threads(trial: Trial) -> str:
    """Trials run and measured per second on one thread and on two."""
    if cores() < 2:
        return "threads: one core, nothing to compare"
    trials = [part for number in range(8) for part in family(_of_wearer(trial, number), SETTINGS)]
    one, two = [], []
    for _ in range(3):
        one.append(wall_s(trials, 1))
        two.append(wall_s(trials, 2))
    return (
        f"run and measured, {len(trials)} trials of 120 s: {1e3 * min(one) / len(trials):.2f} ms each on one thread, "
        f"{1e3 * min(two) / len(trials):.2f} ms on two; ratio {min(one) / min(two):.2f} (bar: at least 1.8)"
    )


def _of_wearer(trial: Trial, number: int) -> Trial:
    return replace(trial, label=trial.label._replace(wearer=number))


def growth(trial: Trial) -> str:
    """Cost per trial over three decades of trials, and per simulated second over three decades of length."""
    short = replace(trial, duration_us=2_000_000)
    counts = _each((10, 100, 1_000, 10_000), lambda count: 1e3 * wall_s(family(short, count), 1) / count)
    lengths = _each((1, 10, 100, 1_000), lambda seconds: 1e3 * _per_second(trial, seconds))
    return f"ms per trial of 2 s, by trials: {counts}; us per simulated s, by length in s: {lengths}"


def _per_second(trial: Trial, seconds: int) -> float:
    return loop_ms(replace(trial, duration_us=seconds * 1_000_000), 5) / seconds


def _each(sizes: tuple[int, ...], measure_one: Callable[[int], float]) -> str:
    return ", ".join(f"{size}: {measure_one(size):.2f}" for size in sizes)


def measure() -> str:
    """One line for each comparison."""
    trial = demo_trial()
    loop_ms(trial, 1)
    return "\n".join([against_c(trial), against_events(trial), over_threads(trial), growth(trial)])
