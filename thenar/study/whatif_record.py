"""A what-if as records and tables: totals by channel, stretches, ticks, and the whole as one JSON object."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from thenar.safety.requirements import reason_ids
from thenar.scenarios.loader import LoadedScenario
from thenar.shared.ticks import US_PER_MS, US_PER_S
from thenar.study.session import Session
from thenar.study.whatif import WhatIf
from thenar.study.whatif_differences import Compared, Given, Side, Stretch

_WHERE: Final = {"channel": "channel", "from_s": "from_us", "to_s": "to_us"}
_TIMES: Final = ("from_us", "to_us")
_AROUND: Final = {name: name for name in ("target_N", "estimate_N", "reasons", "recorded_reasons")}
DIFFERENCE_COLUMNS: Final = (
    _WHERE
    | {"difference": "kind"}
    | {name: name for name in ("recorded_mA", "recorded_width_us", "would_mA", "would_width_us", "demanded_mA")}
    | _AROUND
)
"""Columns of the table of differences, and the field of `Stretch` that each holds."""
HELD_BACK_COLUMNS: Final = (
    _WHERE
    | {"held_back": "kind", "demanded_mA": "recorded_mA", "demanded_width_us": "recorded_width_us"}
    | {"admitted_mA": "would_mA", "admitted_width_us": "would_width_us"}
    | _AROUND
)
"""The same for what the interlock held back."""


class Total(NamedTuple):
    """What one of demand, admitted command, pulses or recording amounts to on one channel.

    `on_s`: time with a current, s; `mean_uC`: mean charge of a phase in that time, uC (NaN when there is none).
    """

    on_s: float
    mean_uC: float


class ChannelTotals(NamedTuple):
    """A channel in a few numbers; `recorded` is None when it is not on record, `differs_s`: time it differs, s."""

    channel: str
    demanded: Total
    admitted: Total
    would: Total
    recorded: Total | None
    stretches: int
    differs_s: float


def totals_of(found: WhatIf, compared: Compared) -> list[ChannelTotals]:
    """Totals of both channels, agonist first."""
    step_s = found.trial.clock.control_us / US_PER_S
    rows = []
    for side in compared.sides:
        mine = [stretch for stretch in compared.differences if stretch.channel == side.channel]
        recorded = None if side.recorded is None else _total(side.recorded, step_s)
        demanded, admitted, would = (_total(one, step_s) for one in (side.demand, side.admitted, side.would))
        differs_s = sum(stretch.to_us - stretch.from_us for stretch in mine) / US_PER_S
        rows.append(ChannelTotals(side.channel, demanded, admitted, would, recorded, len(mine), differs_s))
    return rows


def _total(given: Given, step_s: float) -> Total:
    charge_uC = given.charge_uC
    on = charge_uC > 0
    return Total(float(on.sum()) * step_s, float(charge_uC[on].mean()) if on.any() else math.nan)


def stretches_csv(columns: Mapping[str, str], stretches: Iterable[Stretch]) -> str:
    """Stretches as CSV text, a line each; rules of one stretch are parted by a space."""
    return _csv(tuple(columns), ([_text(value) for value in _values(one, columns)] for one in stretches))


def _values(stretch: Stretch, columns: Mapping[str, str]) -> list[Any]:
    """The values of a stretch in the order of `columns`; times in s."""
    fields = stretch._asdict()
    return [fields[name] / US_PER_S if name in _TIMES else fields[name] for name in columns.values()]


def _text(value: object) -> str:
    if isinstance(value, tuple):
        return " ".join(value)
    return _plain(value, 3) if isinstance(value, float) else str(value)


def ticks_csv(found: WhatIf, compared: Compared) -> str:
    """Every control tick as CSV text: what was seen, asked for, admitted, given, recorded, and which rules acted."""
    columns: dict[str, Sequence[object]] = {
        "t_s": [f"{t_us / US_PER_S:.6f}" for t_us in compared.t_us.tolist()],
        "target_N": _texts(found.target_N, 4),
        "estimate_N": _texts(found.estimate_N, 4),
    }
    for side in compared.sides:
        columns |= _of_side(side)
    columns["reasons"] = [" ".join(reason_ids(mask)) for mask in compared.reasons.tolist()]
    if compared.recorded_reasons is not None:
        columns["recorded_reasons"] = [" ".join(reason_ids(mask)) for mask in compared.recorded_reasons.tolist()]
    columns["trip"] = [f"R{trip:02d}" if trip else "" for trip in found.at_ticks("trip").tolist()]
    return _csv(tuple(columns), zip(*columns.values(), strict=True))


def _of_side(side: Side) -> dict[str, Sequence[object]]:
    given = {"demand": side.demand, "admitted": side.admitted, "would": side.would}
    if side.recorded is not None:
        given["recorded"] = side.recorded
    columns: dict[str, Sequence[object]] = {}
    for what, one in given.items():
        columns[f"{side.channel}_{what}_mA"] = _texts(one.current_mA, 3)
        columns[f"{side.channel}_{what}_width_us"] = _texts(one.width_us, 0)
    return columns


def _texts(values: NDArray[np.float64], digits: int) -> list[str]:
    return [_plain(value, digits) for value in values.tolist()]


def _plain(value: float, digits: int) -> str:
    return f"{value:.{digits}f}" if math.isfinite(value) else ""


def _csv(header: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return text.getvalue()


def whatif_record(session: Session, loaded: LoadedScenario, found: WhatIf, compared: Compared) -> dict[str, Any]:
    """The whole answer but its ticks, for JSON. Times in s since the session began."""
    apart = compared.commands_apart
    parts_us = compared.parts_us
    return {
        "recording": session.source,
        "begins_at_recorded_s": session.begins_s,
        "duration_s": session.duration_us / US_PER_S,
        "scenario": str(loaded.path),
        "scenario_sha256": loaded.sha256,
        "title": loaded.scenario.title,
        "law": loaded.scenario.law.model_dump(by_alias=True, exclude_none=True),
        "law_ran": loaded.law_ran,
        "limits": {
            "profile": loaded.scenario.limits.profile,
            "fingerprint": loaded.profile.fingerprint(),
            "deviations": [deviation._asdict() for deviation in loaded.profile.deviations()],
        },
        "wearer": found.trial.wearer.name,
        "condition": found.trial.label.condition,
        "control_period_ms": found.trial.clock.control_us / US_PER_MS,
        "refused_to_arm": found.trial.arming_objections(),
        "delivery_on_record": session.delivery_on_record,
        "first_parting_s": None if parts_us is None else parts_us / US_PER_S,
        "channels": [_totals_record(totals) for totals in totals_of(found, compared)],
        "commands_of_the_run": None if apart is None else {
            "ticks": apart[2], "demand_differs": apart[0], "admitted_differs": apart[1],
        },
        "trips": [{"t_s": t_us / US_PER_S, "cause": cause} for t_us, cause in found.trips],
        "recorded_trips": None if session.run is None else [
            {"t_s": t_us / US_PER_S, "cause": cause} for t_us, cause in session.run.trips
        ],
        "reason_ticks": found.reason_ticks,
        "differences": [_stretch_record(stretch, DIFFERENCE_COLUMNS) for stretch in compared.differences],
        "held_back": [_stretch_record(stretch, HELD_BACK_COLUMNS) for stretch in compared.held_back],
        "events": [dict(event) for event in found.events if event["kind"] != "target"],
        "notes": list(found.notes),
    }  # fmt: skip


def _totals_record(totals: ChannelTotals) -> dict[str, Any]:
    given = {name: getattr(totals, name) for name in ("demanded", "admitted", "would", "recorded")}
    return {
        "channel": totals.channel,
        **{name: None if one is None else one._asdict() for name, one in given.items()},
        "stretches": totals.stretches,
        "differs_s": totals.differs_s,
    }


def _stretch_record(stretch: Stretch, columns: Mapping[str, str]) -> dict[str, Any]:
    return dict(zip(columns, _values(stretch, columns), strict=True))
