"""The tables that `thenar whatif` prints: channels, differences, rules."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from thenar.cli.show import Table, number
from thenar.safety.requirements import REQUIREMENTS, reason_ids
from thenar.shared.ticks import US_PER_S
from thenar.study.whatif import WhatIf
from thenar.study.whatif_differences import Compared, Stretch
from thenar.study.whatif_record import ChannelTotals, Total

STRETCHES_SHOWN: Final = 15
TITLES: Final = {row.name: row.title for row in REQUIREMENTS}


def channel_table(rows: Sequence[ChannelTotals]) -> Table:
    """Both channels in a line each: demanded, admitted, given in pulses, on record."""
    headers = ("channel", "demanded", "admitted", "with pulses", "on record", "stretches\ndiffer", "span\ns")
    lines = [
        (
            row.channel,
            *(_total_words(total) for total in (row.demanded, row.admitted, row.would, row.recorded)),
            str(row.stretches) if row.recorded is not None else "-",
            number(row.differs_s, 1) if row.recorded is not None else "-",
        )
        for row in rows
    ]
    title = "Channels: how long a current flowed, and the mean charge of a phase meanwhile"
    return Table(title, headers, lines, frozenset(range(1, len(headers))))


def _total_words(total: Total | None) -> str:
    if total is None:
        return "-"
    return f"{total.on_s:.1f} s, {total.mean_uC:.2f} uC" if total.on_s else "never"


def stretch_table(stretches: Sequence[Stretch], file: str) -> Table:
    """The first stretch and those that weigh most (charge that differs, times how long), in order of time.

    `file`: which file of the folder has all of them.
    """
    heaviest = [stretches[0], *sorted(stretches[1:], key=_weight, reverse=True)[: STRETCHES_SHOWN - 1]]
    headers: tuple[str, ...] = (
        "from\ns",
        "to\ns",
        "channel",
        "here",
        "recorded\nmA, us",
        "would\nmA, us",
        "asked\nmA",
        "rules here",
        "on record",
    )
    rows: list[tuple[str, ...]] = [
        (
            f"{stretch.from_us / US_PER_S:.2f}",
            f"{stretch.to_us / US_PER_S:.2f}",
            stretch.channel,
            stretch.kind,
            f"{stretch.recorded_mA:.2f}, {stretch.recorded_width_us:.0f}",
            f"{stretch.would_mA:.2f}, {stretch.would_width_us:.0f}",
            f"{stretch.demanded_mA:.2f}",
            " ".join(stretch.reasons) or "-",
            " ".join(stretch.recorded_reasons) or "-",
        )
        for stretch in sorted(heaviest, key=lambda one: (one.from_us, one.channel))
    ]
    left = len(stretches) - len(heaviest)
    more = f"; the first and those that weigh most, {left} more in {file} (--out)" if left else ""
    title = f"Differences: what was delivered, means over each stretch; rules of either channel{more}"
    if not any(stretch.recorded_reasons for stretch in stretches):  # a file knows none
        headers, rows = headers[:-1], [row[:-1] for row in rows]
    return Table(title, headers, rows, frozenset({0, 1, 4, 5, 6}))


def _weight(stretch: Stretch) -> float:
    recorded = stretch.recorded_mA * stretch.recorded_width_us
    would = stretch.would_mA * stretch.would_width_us
    return abs(recorded - would) * (stretch.to_us - stretch.from_us)


def rule_table(found: WhatIf, beside: Compared) -> Table:
    """How often each rule acted, here and on record: control ticks with or without pulses up to the next."""
    here = _counts(beside.reasons.tolist())
    there = None if beside.recorded_reasons is None else _counts(beside.recorded_reasons.tolist())
    rules = sorted({*here, *(there or {})})
    headers = ("rule", "what it holds", "here") + (() if there is None else ("on record",))
    rows = []
    for rule in rules:
        recorded = () if there is None else (str(there.get(rule, 0)),)
        rows.append((rule, TITLES.get(rule, ""), str(here.get(rule, 0)), *recorded))
    title = f"Interlock: control ticks at which a rule acted, of {len(found.ticks)}"
    return Table(title, headers, rows, frozenset(range(2, len(headers))))


def _counts(masks: Sequence[int]) -> dict[str, int]:
    counts: dict[str, int] = {}
    for mask in masks:
        for rule in reason_ids(mask):
            counts[rule] = counts.get(rule, 0) + 1
    return counts
