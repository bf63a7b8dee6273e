"""What a session says of itself before anything else: controls, faults, columns, limits, rules."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final, get_args

from thenar.caution import SHORT
from thenar.controller.registry import stated_bounds
from thenar.engine.trial import Trial, wearer_in
from thenar.live.session_controls import Control, unit_of
from thenar.live.session_lane import Said
from thenar.live.session_loop import Beginning
from thenar.live.session_messages import FASTEST, LIVE_FAULTS, SLOWEST
from thenar.safety.requirements import REQUIREMENTS, rearming_needs
from thenar.scenarios.faults import KINDS
from thenar.shared.columns import TRACE

_USUAL: Final[dict[str, Any]] = {
    "for_s": 1.0, "channel": "agonist", "contact_share": 0.4, "missing_share": 0.1, "offset_N": 2.0, "gain": 1.0,
}  # fmt: skip
"""What a fault's fields show before anybody touches them (those of the scenario `bad-day`, mostly)."""
MOST_NAMED: Final = 200
_LONGEST_S: Final = 10.0
"""How far a slider for a fault's length goes; a message may ask for more."""


def about(beginning: Beginning, trial: Trial, controls: tuple[Control, ...], folder: Path) -> Said:
    """The message "about" of a session; its shape stands at the head of `session.py`."""
    loaded = beginning.loaded
    scenario, law = loaded.scenario, loaded.scenario.law
    return {
        "is": "about",
        "title": scenario.title,
        "name": loaded.path.name,
        "watch": scenario.watch,
        "wearers": _names(beginning),
        "wearer": beginning.wearer,
        "condition": beginning.condition,
        "law": law.name or law.class_name,
        "seed": beginning.seed,
        "duration_s": scenario.duration_s,
        "control_rate_Hz": scenario.clock.control_rate_Hz,
        "trace_rate_Hz": scenario.clock.trace_rate_Hz,
        "pace": {"low": SLOWEST, "high": FASTEST, "value": beginning.factor},
        "controls": [control._asdict() for control in controls],
        "faults": [_fault(kind) for kind in LIVE_FAULTS],
        "columns": [
            {"name": column.name, "unit": column.unit, "meaning": column.meaning}
            for column in TRACE
            if column.name != "trial"
        ],
        "limits": {
            "profile": scenario.limits.profile,
            "deviations": [f"{found.key} = {found.value:g} {found.unit}" for found in loaded.profile.deviations()],
            "values": _limits(trial),
        },
        "rules": [{"id": row.name, "title": row.title, "needs": rearming_needs(row.number)} for row in REQUIREMENTS],
        "folder": str(folder),
        "caution": SHORT,
    }


def _names(beginning: Beginning) -> list[str]:
    """Names of the wearers, of the first MOST_NAMED where there are more; drawing thousands takes long."""
    loaded = beginning.loaded
    count = min(MOST_NAMED, loaded.scenario.wearer_count)
    return [wearer_in(loaded, beginning.seed, number).name for number in range(count)]


def _fault(kind: str) -> Said:
    model = KINDS[kind]
    fields = [_field(name, field) for name, field in model.model_fields.items() if name in _USUAL]
    return {"kind": kind, "label": str(model.model_fields["kind"].description), "fields": fields}


def _field(name: str, field: Any) -> Said:
    label = str(field.description)
    choices = get_args(field.annotation)
    if choices:
        return {"name": name, "label": label, "choices": list(choices), "value": _USUAL[name]}
    low, high, _, _ = stated_bounds(field)
    if name == "for_s":
        low, high = 0.1, _LONGEST_S
    elif name == "missing_share":
        low = 0.01
    elif name == "contact_share":
        high = 0.99
    elif name == "offset_N":
        low, high = -10.0, 10.0
    return {"name": name, "label": label, "unit": unit_of(name), "low": low, "high": high, "value": _USUAL[name]}


def _limits(trial: Trial) -> list[Said]:
    """A few of the bounds that the interlock holds in this trial; `thenar limits` prints them all."""
    limits = trial.limits()
    named = []
    for name in ("agonist", "antagonist"):
        channel = getattr(limits, name)
        most_mA = min(channel.peak_uA, channel.ceiling_uA) / 1e3
        named += [
            (f"{name}_ceiling_mA", f"{name}: most current (R06, R07)", most_mA, "mA"),
            (f"{name}_width_us", f"{name}: widest pulse (R08)", float(channel.width_max_us), "us"),
            (f"{name}_charge_uC", f"{name}: most charge of a phase (R09)", channel.charge_pC / 1e6, "uC"),
            (f"{name}_rate_Hz", f"{name}: fastest pulses (R11)", 1e6 / channel.period_min_us, "Hz"),
        ]
    return [{"name": name, "label": label, "value": value, "unit": unit} for name, label, value, unit in named]
