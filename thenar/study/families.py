"""The families of attacks of a campaign, cut into pieces that any process can play and judge by itself."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from thenar.safety.attack.directed import directed
from thenar.safety.attack.grounds import grounds
from thenar.safety.attack.ops import Ops
from thenar.safety.attack.player import play, play_open
from thenar.safety.attack.random_ops import Drawer, mutated
from thenar.safety.audit.bounds import Bounds
from thenar.safety.limits import Limits, limits_mark
from thenar.safety.profile import load_profile
from thenar.study.judged import Judged, engraver_bounds, judged, logs_of, logs_of_trial, moved, together
from thenar.study.real_loop import hostile_trial

SCHEDULE: Final = 4_000
"""Operations of one drawn schedule."""
WILDNESS: Final = {"random": 0.3, "faults": 0.85}
BOUNDARY, SEARCH, LOOP = "boundary", "search", "real loop"
_SEARCH_ROUNDS: Final = 12


class Piece(NamedTuple):
    """A part of a campaign: everything that it draws follows from these."""

    family: str
    number: int
    seed: int


class Outcome(NamedTuple):
    """What a piece came to. `open_loop`: the same attacks with the interlock off, where that was played."""

    piece: Piece
    commands: int
    on: Judged
    off: Judged | None


def pieces(commands: int, seed: int, attacks: int) -> list[Piece]:
    """The pieces of a campaign of about `commands` operations; `attacks`: how many directed ones there are."""
    drawn = max(commands - 10_000, 3 * SCHEDULE)
    search = max(1, drawn // 4 // (attacks * _SEARCH_ROUNDS * 250))
    rest = max(3, (drawn - search * attacks * _SEARCH_ROUNDS * 250) // SCHEDULE)
    planned = [Piece(BOUNDARY, index, seed) for index in range(attacks)]
    planned += [Piece(LOOP, index, seed) for index in range(2 if commands < 1_000_000 else 12)]
    planned += [Piece(SEARCH, index, seed) for index in range(search * attacks)]
    return planned + [Piece("faults" if index % 2 else "random", index, seed) for index in range(rest)]


def played_piece(limits: Limits, profile: str, piece: Piece) -> Outcome:
    """Play and judge one piece. `limits`: one person's under the profile that is challenged (a name or a file)."""
    if piece.family == LOOP:
        bounds, result = hostile_trial(piece.seed, piece.number, profile)
        on = judged(bounds, *logs_of_trial(result))
        return Outcome(piece, on.audit.decisions, on, None)
    own = engraver_bounds(load_profile(profile), limits.loop.control_period_us)
    if piece.family == BOUNDARY:
        attack = directed(limits)[piece.number]
        return _both_ways(moved(own, limits, attack.limits), attack.limits, attack.ops, piece)
    if piece.family == SEARCH:
        return _searched(own, limits, piece)
    rng = np.random.default_rng([piece.seed, 1, piece.number])
    places = list(grounds(limits).values())
    under = places[piece.number // 2 % len(places)]
    ops = Drawer(rng, under).schedule(SCHEDULE, WILDNESS[piece.family])
    if piece.number < 2 * len(places):
        return _both_ways(moved(own, limits, under), under, ops, piece)
    return Outcome(piece, len(ops), judged(moved(own, limits, under), *logs_of(play(ops, under))), None)


def _both_ways(bounds: Bounds, limits: Limits, ops: Ops, piece: Piece) -> Outcome:
    on = judged(bounds, *logs_of(play(ops, limits)))
    off = judged(bounds, *logs_of(play_open(ops, limits, int(limits_mark(limits)))))
    return Outcome(piece, len(ops), on, off)


def _searched(own: Bounds, limits: Limits, piece: Piece) -> Outcome:
    """Drive a directed attack towards its bound: mutate, and go on from what came closest by the auditor's word."""
    attacks = directed(limits)
    attack = attacks[piece.number % len(attacks)]
    bounds = moved(own, limits, attack.limits)
    rng = np.random.default_rng([piece.seed, 2, piece.number])
    best, reached, found, commands = attack.ops, -1.0, [], 0
    for _ in range(_SEARCH_ROUNDS):
        ops = mutated(best, rng)
        one = judged(bounds, *logs_of(play(ops, attack.limits)))
        found.append(one)
        commands += len(ops)
        closest = one.audit.row(attack.rule).closest
        nearness = closest.closeness if closest is not None else 0.0
        if nearness >= reached:
            best, reached = ops, nearness
    return Outcome(piece, commands, together(found), None)
