"""Claims about what the past allows: rises, the ramp to zero, the soft bound, balance (R18 to R22, R31)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tests.proof.values import chosen, either, equal, every, has, higher, implies, lower, opposite
from tests.proof.worlds import Claim, World
from thenar.safety.balance import judge_balance
from thenar.safety.ceilings import Bounded
from thenar.safety.limits import ChannelLimits, LoopLimits
from thenar.safety.memory import BalanceMemory, CommandMemory, TrainMemory
from thenar.safety.reasons import R18, R19, R20, R21, R31
from thenar.safety.step_limits import is_silent, limit_rise, no_further, ramp_top_uA


class Rise:
    """One call of `limit_rise` with anything in it."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.limits, self.loop = world.any(ChannelLimits, "limits"), world.any(LoopLimits, "loop")
        self.command, self.train = world.any(CommandMemory, "command"), world.any(TrainMemory, "train")
        self.given = world.any(Bounded, "given")
        self.armed_us, self.t_us = world.any(int, "armed"), world.any(int, "t")
        world.given(*(one >= 0 for one in self.limits), self.given.current_uA >= 0, self.command.current_uA >= 0)
        self.silent = world.run(is_silent, self.loop, self.train, self.armed_us, self.t_us)

    def under(self, limits: ChannelLimits) -> Bounded:
        """What may flow under these limits."""
        found: Bounded = self.world.run(
            limit_rise, limits, self.loop, self.command, self.train, self.armed_us, self.given, self.t_us
        )
        return found


def _rise(world: World) -> None:
    rise = Rise(world)
    after, limits, command = rise.under(rise.limits), rise.limits, rise.command
    world.show("never more", every(after.current_uA <= rise.given.current_uA, after.width_us <= rise.given.width_us))
    world.show("the period stays", after.period_us == rise.given.period_us)
    world.show("sign", after.current_uA >= 0)
    world.show("a silent channel starts small", implies(rise.silent, after.current_uA <= limits.first_step_uA))
    since_us = higher(rise.t_us - command.risen_us, 0)
    world.show(
        "a rise of the current is earned by time",
        either(
            after.current_uA <= limits.first_step_uA,
            (after.current_uA - command.current_uA) * 1_000_000 <= limits.slew_uA_per_s * since_us,
        ),
    )
    world.show(
        "a rise of the current is at most one period's",
        either(after.current_uA <= limits.first_step_uA, after.current_uA - command.current_uA <= limits.rise_uA),
    )
    started = every(opposite(rise.silent), command.current_uA > limits.first_step_uA, rise.given.current_uA > 0)
    world.show(
        "a rise of the width is earned by time",
        implies(started, (after.width_us - command.width_us) * 1_000_000 <= limits.width_slew_us_per_s * since_us),
    )
    wider = after.width_us - command.width_us <= limits.width_rise_us
    world.show("a rise of the width is at most one period's", implies(started, wider))
    falls = every(opposite(rise.silent), rise.given.current_uA <= command.current_uA)
    world.show("a fall is never held up", implies(falls, after.current_uA == rise.given.current_uA))
    lowered = either(after.current_uA < rise.given.current_uA, after.width_us < rise.given.width_us)
    world.show("said", implies(lowered, either(has(after.reasons, R20), has(after.reasons, R21))))


def _tighter_rise(field: str) -> Callable[[World], None]:
    def state(world: World) -> None:
        rise = Rise(world)
        tight = rise.limits._replace(**{field: world.any(int, "tight")})
        world.given(getattr(tight, field) >= 0, getattr(tight, field) <= getattr(rise.limits, field))
        wide, narrow = rise.under(rise.limits), rise.under(tight)
        world.show("never more current", narrow.current_uA <= wide.current_uA)
        world.show("never more width", narrow.width_us <= wide.width_us)

    return state


def _ramp(world: World) -> None:
    limits = world.any(ChannelLimits, "limits")
    start_uA, sooner_us, later_us = world.any(int, "from"), world.any(int, "sooner"), world.any(int, "later")
    world.given(start_uA >= 0, sooner_us >= 0, sooner_us <= later_us, limits.ramp_us >= 0)
    first, second = (world.run(ramp_top_uA, limits, start_uA, us) for us in (sooner_us, later_us))
    world.show("it never rises", second <= first)
    world.show("it begins at most at where it was", first <= start_uA)
    world.show("it is never negative", second >= 0)
    world.show("it ends at zero", implies(later_us >= limits.ramp_us, second == 0))
    left_us = limits.ramp_us - later_us
    world.show(
        "it lies on or below the straight line", either(left_us <= 0, second * limits.ramp_us <= start_uA * left_us)
    )
    above = start_uA * left_us < (second + 1) * limits.ramp_us
    world.show("and less than 1 uA below it", either(left_us <= 0, above))


def _ramp_tighter(world: World) -> None:
    limits = world.any(ChannelLimits, "limits")
    start_uA, us, ramp_us = world.any(int, "from"), world.any(int, "us"), world.any(int, "shorter")
    world.given(start_uA >= 0, us >= 0, ramp_us >= 0, ramp_us <= limits.ramp_us)
    wide, narrow = (
        world.run(ramp_top_uA, limits, start_uA, us),
        world.run(ramp_top_uA, limits._replace(ramp_us=ramp_us), start_uA, us),
    )
    world.show("a shorter ramp is never above a longer one", narrow <= wide)


def _no_further(world: World) -> None:
    command, given = world.any(CommandMemory, "command"), world.any(Bounded, "given")
    world.given(given.current_uA >= 0, command.current_uA >= 0)
    after = world.run(no_further, command, given)
    flows = after.current_uA > 0
    world.show("never more than delivered", after.current_uA <= command.current_uA)
    world.show("never more than given", after.current_uA <= given.current_uA)
    world.show("width", implies(flows, every(after.width_us <= command.width_us, after.width_us <= given.width_us)))
    slower = every(after.period_us >= command.period_us, after.period_us >= given.period_us)
    world.show("rate", implies(flows, slower))
    world.show("sign", after.current_uA >= 0)
    world.show("said", implies(after.current_uA < given.current_uA, has(after.reasons, R31)))
    less = command._replace(current_uA=world.any(int, "less"))
    world.given(less.current_uA >= 0, less.current_uA <= command.current_uA)
    world.show("less delivered, no more let through", world.run(no_further, less, given).current_uA <= after.current_uA)
    world.show("twice is once", equal(world.run(no_further, command, after)[:3], after[:3]))


def _balance(world: World) -> tuple[ChannelLimits, BalanceMemory, list[Any], BalanceMemory, Any]:
    limits, past = world.any(ChannelLimits, "limits"), world.any(BalanceMemory, "past")
    names = ("total", "net", "cut_short", "window", "t")
    args = [world.any(int, name) for name in names]
    world.given(past.net_now_pC >= 0, past.net_before_pC >= 0, args[3] >= 1, args[4] >= past.since_us)
    now, verdict = world.run(judge_balance, limits, past, *args)
    return limits, past, args, now, verdict


def _cut_short(world: World) -> None:
    _, _, args, _, verdict = _balance(world)
    world.show("a pulse cut short always trips", has(verdict.trip, R19) == (args[2] != 0))


def _uneven(world: World) -> None:
    limits, past, args, now, verdict = _balance(world)
    total_pC, net_pC = args[0], args[1]
    size_pC = higher(net_pC, -net_pC)
    running_pC = now.net_now_pC + now.net_before_pC
    moved_pC = total_pC - past.total_pC
    share = 2_000 * size_pC <= limits.net_per_mille * higher(moved_pC, 0)
    world.show("more than its share of a phase withholds", either(share, has(verdict.withhold, R18)))
    world.show("too much in a window withholds", either(running_pC <= limits.net_pC, has(verdict.withhold, R18)))
    world.show("far too much trips", either(running_pC <= limits.net_trip_pC, has(verdict.trip, R18)))
    inside = every(share, running_pC <= limits.net_pC)
    world.show("nothing else withholds", implies(inside, opposite(has(verdict.withhold, R18))))
    world.show("the sign makes no difference", equal(_mirrored(world, limits, past, args), (now, verdict)))


def _mirrored(world: World, limits: ChannelLimits, past: BalanceMemory, args: list[Any]) -> Any:
    return world.run(judge_balance, limits, past, args[0], -args[1], *args[2:])


def _running(world: World) -> None:
    """One step of an induction. Ghosts: what came since the filling bucket began, and since the one before it did."""
    _, past, args, now, _ = _balance(world)
    net_pC, window_us, t_us = args[1], args[3], args[4]
    filling_pC, both_pC, recent_pC = (world.any(int, name) for name in ("filling", "both", "recent"))
    size_pC = higher(net_pC, -net_pC)
    top_pC = 1_000_000_000_000_000
    world.given(filling_pC >= 0, filling_pC <= both_pC, recent_pC >= 0)
    world.given(past.net_now_pC >= lower(filling_pC, top_pC))
    world.given(past.net_now_pC + past.net_before_pC >= lower(both_pC, top_pC))
    # recent: all in the window that ends now, but for this tick's. Nothing came after the filling bucket's end.
    opens_us = t_us - window_us
    world.given(recent_pC <= both_pC)
    world.given(implies(opens_us >= past.since_us, recent_pC <= filling_pC))
    world.given(implies(opens_us >= past.since_us + window_us, recent_pC == 0))
    held_pC = now.net_now_pC + now.net_before_pC
    world.show("what is held covers the last window", held_pC >= lower(recent_pC + size_pC, top_pC))
    same = now.since_us == past.since_us
    later = every(opposite(same), now.since_us == past.since_us + window_us)
    filled_pC = chosen(every(same, t_us < past.since_us + window_us), filling_pC + size_pC, size_pC)
    spanned_pC = chosen(same, both_pC + size_pC, chosen(later, filling_pC + size_pC, size_pC))
    world.show("the bucket is of now", every(now.since_us <= t_us, t_us < now.since_us + window_us))
    world.show("the filling bucket holds all since it began", now.net_now_pC >= lower(filled_pC, top_pC))
    world.show("both hold all since the one before", held_pC >= lower(spanned_pC, top_pC))


CLAIMS = [
    Claim(
        "R20",
        "a rise of current or width is earned by the time since the last one, at most one period's; a fall is free",
        ("limit_rise", "is_silent"),
        _rise,
        (
            ("limit_rise", "min(limits.rise_uA,", "max(limits.rise_uA,"),
            ("limit_rise", "limits.first_step_uA if silent", "command.current_uA if silent"),
            ("limit_rise", "min(limits.width_rise_us,", "max(limits.width_rise_us,"),
            ("limit_rise", "max(t_us - command.risen_us, 0)", "max(t_us - command.started_us, 0)"),
        ),
        "limits and currents are not negative",
    ),
    *(
        Claim(
            rule,
            f"a lower {field} never lets more through",
            ("limit_rise",),
            _tighter_rise(field),
            (("limit_rise", old, new),),
            "limits and currents are not negative",
        )
        for rule, field, old, new in (
            ("R20", "slew_uA_per_s", "limits.slew_uA_per_s *", "(9 - limits.slew_uA_per_s) *"),
            ("R20", "rise_uA", "min(limits.rise_uA,", "min(9 - limits.rise_uA,"),
            ("R20", "width_slew_us_per_s", "limits.width_slew_us_per_s *", "(9 - limits.width_slew_us_per_s) *"),
            ("R20", "width_rise_us", "min(limits.width_rise_us,", "min(9 - limits.width_rise_us,"),
            ("R21", "first_step_uA", "limits.first_step_uA if silent", "9 - limits.first_step_uA if silent"),
        )
    ),
    Claim(
        "R22",
        "a ramp falls without ever rising, follows the straight line and ends at zero",
        ("ramp_top_uA",),
        _ramp,
        (
            ("ramp_top_uA", "if left <= 0", "if left <= -9"),
            ("ramp_top_uA", "limits.ramp_us - ramping_us", "limits.ramp_us + ramping_us"),
            ("ramp_top_uA", "left // limits.ramp_us", "left // ramping_us"),
        ),
        "the start and the times are not negative",
    ),
    Claim(
        "R22",
        "a shorter ramp never lets more through",
        ("ramp_top_uA",),
        _ramp_tighter,
        (("ramp_top_uA", "limits.ramp_us - ramping_us", "ramping_us - limits.ramp_us"),),
        "the start and the times are not negative",
    ),
    Claim(
        "R31",
        "above the soft force bound nothing goes further than what was delivered, on any axis",
        ("no_further", "cut"),
        _no_further,
        (
            ("no_further", "min(given.width_us, command.width_us)", "max(given.width_us, command.width_us)"),
            ("no_further", "and given.period_us >= command.period_us", ""),
            ("cut", "given.current_uA <= top_uA", "given.current_uA <= top_uA + 1"),
        ),
        "currents are not negative",
    ),
    Claim(
        "R19",
        "a pulse cut short always trips, and nothing else trips this rule",
        ("judge_balance",),
        _cut_short,
        (("judge_balance", "cut_short != 0", "cut_short > 0"),),
        "sums held are not negative, time goes on",
    ),
    Claim(
        "R18",
        "too much net charge withholds, far too much trips, whichever its sign",
        ("judge_balance",),
        _uneven,
        (
            ("judge_balance", "2_000 * size_pC > limits", "2_000 * size_pC >= limits"),
            ("judge_balance", "running_pC > limits.net_pC", "now_pC > limits.net_pC"),
            ("judge_balance", "abs(net_pC)", "max(net_pC, 0)"),
        ),
        "sums held are not negative, time goes on",
    ),
    Claim(
        "R18",
        "the two buckets held cover the net charge of the last whole window",
        ("judge_balance",),
        _running,
        (
            ("judge_balance", "elapsed < 2 * window_us", "elapsed < window_us + 2"),
            ("judge_balance", "past.net_now_pC, past.since_us + window_us", "0, past.since_us + window_us"),
        ),
        "one step of an induction: before it, the filling bucket holds all since it began, both buckets hold all of "
        "the last window; sums saturate at 10^15 pC",
    ),
]
