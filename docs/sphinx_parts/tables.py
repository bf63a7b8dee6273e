"""Tables that are made from the code while the pages are built, so that they can't go stale.

```{columns} trace            the columns of a table that a run leaves behind
```{settings} Muscle          the keys of a settings model: default, bounds, unit and source
```{record} Manifest          the fields of what the code writes
```{facts} instants           see FACTS below
"""

from __future__ import annotations

import contextlib
import re
import sqlite3
import tempfile
import typing
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Final, Literal

from docutils import nodes
from pydantic import BaseModel
from sphinx.application import Sphinx
from sphinx.util.docutils import SphinxDirective

from thenar import caution
from thenar.controller.bang_bang import BangBangSettings, Level
from thenar.controller.confident import ConfidentSettings
from thenar.controller.proportional import ProportionalSettings
from thenar.controller.registry import LawSettings
from thenar.controller.yielding import YieldingSettings
from thenar.fit.kinds import KINDS
from thenar.plant_models import settings
from thenar.report.manifest import Manifest, TrialRecord
from thenar.report.metrics import METRICS
from thenar.safety.bounds import BOUNDS, MADE, Part
from thenar.safety.deviation import amount
from thenar.safety.profile import load_profile, shipped_profiles
from thenar.safety.requirements import REQUIREMENTS
from thenar.safety.screening import Contraindications, Placement
from thenar.scenarios import faults, person, targets
from thenar.scenarios.clock import Clock
from thenar.scenarios.fitted import CameFrom
from thenar.scenarios.schema import LimitChoice, Scenario, Session
from thenar.scenarios.study import Exclude, Study
from thenar.shared.columns import DECISIONS, PULSES, TRACE
from thenar.shared.ticks import Phase
from thenar.study.ledger import Ledger

Rows = Sequence[Sequence[str]]

COLUMNS: Final = {"trace": TRACE, "pulses": PULSES, "decisions": DECISIONS}
MODELS: Final[dict[str, type[BaseModel]]] = {
    model.__name__: model
    for model in (
        settings.Channel, settings.Muscle, settings.Recruitment, settings.Electrode, settings.Noise,
        settings.Production, settings.Cue, settings.Wearer, settings.Population, settings.Estimator, settings.Handling,
        LawSettings, ProportionalSettings, BangBangSettings, Level, ConfidentSettings, YieldingSettings, Scenario,
        Session, LimitChoice, Study, Exclude, Clock, CameFrom, Manifest, TrialRecord, person.ScreeningOnFile,
        Placement, Contraindications, person.SimulatedCalibration, person.CalibrationOnFile, person.ChannelOnFile,
        *targets.PROGRAMS.values(),
    )
}  # fmt: skip
"""Settings models whose keys a page may list."""

INSTANTS: Final = {
    Phase.TARGET: "the target program changes, a scheduled fault begins or ends, the operator acts",
    Phase.WEARER: "the wearer updates the own drive",
    Phase.SAMPLE: "the estimator takes a sample of the true force",
    Phase.ARRIVAL: "an estimate sampled earlier reaches the controller",
    Phase.STRIKE: "a pulse given earlier reaches its muscle, after the electromechanical delay",
    Phase.CONTROL: "the law is asked, then the interlock answers with what it admits",
    Phase.PULSE: "a channel whose admitted command is still alive gives one pulse (the agonist first)",
    Phase.TRACE: "a row is written",
}


_PLAIN: Final[dict[object, str]] = {
    int: "a whole number", float: "a number", str: "text", bool: "true or false", tuple: "a list", dict: "a table",
}  # fmt: skip
"""What a reader calls the types of a record."""


def table(head: Sequence[str], rows: Rows) -> nodes.table:
    """A table node. The first cell of a row is set as code, in the others what stands in quotes or backticks.

    A source's key leads to its entry. Pages with tables stand beside the page of sources.
    """
    group = nodes.tgroup(cols=len(head))
    group += [nodes.colspec(colwidth=1) for _ in head]
    group += nodes.thead("", _row(head, first_is_code=False))
    group += nodes.tbody("", *(_row(row, first_is_code=True) for row in rows))
    return nodes.table("", group, classes=["made"])


def _row(cells: Sequence[str], *, first_is_code: bool) -> nodes.row:
    row = nodes.row()
    for place, text in enumerate(cells):
        inside = [nodes.literal(text, text)] if first_is_code and place == 0 else _words_and_code(text)
        row += nodes.entry("", nodes.paragraph("", "", *inside))
    return row


def _words_and_code(text: str) -> list[nodes.Node]:
    pieces = re.split(r'("[^"]*"|`[^`]+`|\[@[^\]]+\])', text)
    return [_piece(piece) for piece in filter(None, pieces)]


def _piece(piece: str) -> nodes.Node:
    if piece.startswith("[@"):
        return nodes.reference("", piece, refuri=f"sources.html#{piece[2:-1]}", internal=True)
    return nodes.literal(piece, piece.strip("`")) if piece[0] in '"`' else nodes.Text(piece)


def key_rows(model: type[BaseModel]) -> list[tuple[str, str, str, str]]:
    """One row per key of a settings model: name, default, bounds, meaning with unit and source."""
    rows = []
    for name, field in model.model_fields.items():
        only = typing.get_args(field.annotation) if typing.get_origin(field.annotation) is Literal else ()
        if field.is_required():
            default = _shown(only[0]) if len(only) == 1 else "needed"
        elif field.default_factory is not None:
            default = "a table"
        else:
            default = _shown(field.default)
        allowed = " or ".join(map(_shown, only)) if len(only) > 1 else _bounds(field.metadata)
        rows.append((field.alias or name, default, allowed, field.description or _words(field.annotation)))
    return rows


def _shown(value: object) -> str:
    if value is None:
        return "none"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, BaseModel):
        given = {key: each for key, each in value.model_dump().items() if each is not None}
        return ", ".join(f"{key} = {_shown(each)}" for key, each in given.items())
    if isinstance(value, tuple):
        return f"[{', '.join(_shown(each) for each in value)}]"
    return f'"{value}"' if isinstance(value, str) else f"{value!r}"


def _bounds(metadata: Sequence[Any]) -> str:
    words = (("gt", "above {}"), ("ge", "from {}"), ("lt", "below {}"), ("le", "up to {}"))
    found = [
        text.format(_number(getattr(bound, name)))
        for bound in metadata
        for name, text in words
        if isinstance(getattr(bound, name, None), int | float)
    ]
    return " ".join(found)


def _number(value: float) -> str:
    if isinstance(value, int):
        return "2^63 - 1" if value == 2**63 - 1 else f"{value:,}"
    return f"{value:,g}"


def _words(annotation: object) -> str:
    """What stands in for a description where a model of the code's own (a record) has none."""
    inner = [each for each in typing.get_args(annotation) if isinstance(each, type) and issubclass(each, BaseModel)]
    model = annotation if isinstance(annotation, type) and issubclass(annotation, BaseModel) else None
    for found in (*([model] if model else []), *inner):
        return (found.__doc__ or "").strip().splitlines()[0].replace("`", "")
    if typing.get_origin(annotation) is Literal:
        return " or ".join(map(_shown, typing.get_args(annotation)))
    plain = annotation if isinstance(annotation, type) else typing.get_origin(annotation)
    return _PLAIN.get(plain, "")


def _requirements() -> nodes.table:
    rows = [(each.name, each.title, ", ".join(each.action), each.default, each.hard) for each in REQUIREMENTS]
    return table(("rule", "what it holds", "answers, the mildest first", "default", "hard ceiling"), rows)


def _profile_bounds(part: Part) -> nodes.table:
    shipped = [(name, load_profile(name)) for name in shipped_profiles()]
    rows = []
    for row in (each for each in BOUNDS if each.part == part):
        tables = ("agonist", "antagonist") if part == "channel" else ("loop",)
        values = [dict.fromkeys(getattr(getattr(own, name), row.key).value for name in tables) for _, own in shipped]
        defaults = [", ".join(f"{value:g}" for value in each) for each in values]
        hard = f"{row.low:g} to {amount(row.high, row.unit)}" + (", whole" if row.whole else "")
        rows.append((row.key, row.rule, row.means, *defaults, hard, row.looser, row.field or "see below"))
    return table(("key", "rule", "what it is", *(name for name, _ in shipped), "hard range", "looser", "becomes"), rows)


def _made_limits() -> nodes.table:
    rows = [(each.field, each.part, ", ".join(each.of)) for each in MADE]
    return table(("limit", "of", "made of"), rows)


def _recordings() -> nodes.table:
    rows = [
        (kind.name, column.name, column.unit, "yes" if column.needed else "", column.words)
        for kind in KINDS.values()
        for column in kind.columns
    ]
    return table(("kind", "column", "unit", "needed", "meaning"), rows)


def _faults() -> nodes.table:
    kinds = (
        faults.Dropout, faults.Stuck, faults.Jump, faults.ElectrodeLift, faults.UnbalancedPulses,
        faults.ControllerStall, faults.EmergencyStop, faults.ReArm,
    )  # fmt: skip
    rows = []
    for model in kinds:
        fields = model.model_fields
        (name,) = typing.get_args(fields["kind"].annotation)
        keys = [f"{key}: {field.description}" for key, field in fields.items() if key not in ("kind", "conditions")]
        rows.append((name, fields["kind"].description or "", "; ".join(keys)))
    return table(("kind", "what happens", "keys"), rows)


def _ledger() -> nodes.table:
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "ledger.sqlite"
        with Ledger(file) as ledger:
            ledger.settle({}, [])
        with contextlib.closing(sqlite3.connect(file)) as base:
            names = [name for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
            columns = {
                name: [column for (column,) in base.execute("SELECT name FROM pragma_table_info(?)", (name,))]
                for name in names
            }
    return table(("table", "columns"), [(name, ", ".join(found)) for name, found in columns.items()])


def _topics(topics: Sequence[str]) -> nodes.bullet_list:
    return nodes.bullet_list("", *(nodes.list_item("", nodes.paragraph("", topic)) for topic in topics))


FACTS: Final[dict[str, Callable[[], nodes.Element]]] = {
    "instants": lambda: table(
        ("phase", "order", "what happens"), [(phase.name, str(phase.value), INSTANTS[phase]) for phase in Phase]
    ),
    "measures": lambda: table(("column", "unit", "meaning"), [tuple(metric) for metric in METRICS]),
    "requirements": _requirements,
    "channel-bounds": lambda: _profile_bounds("channel"),
    "loop-bounds": lambda: _profile_bounds("loop"),
    "made-limits": _made_limits,
    "recordings": _recordings,
    "faults": _faults,
    "ledger": _ledger,
    "contraindications": lambda: _topics(caution.CONTRAINDICATIONS),
    "stop-criteria": lambda: _topics(caution.STOP_CRITERIA),
    "caution": lambda: nodes.paragraph("", caution.SHORT),
}
"""What `{facts} NAME` sets: made from the code, never written on a page."""


class ColumnsOf(SphinxDirective):
    """`{columns} NAME`: the columns of a stored table."""

    required_arguments = 1

    def run(self) -> list[nodes.Node]:
        """The table."""
        rows = [(each.name, each.kind, each.unit, each.meaning) for each in COLUMNS[self.arguments[0]]]
        return [table(("column", "type", "unit", "meaning"), rows)]


class SettingsOf(SphinxDirective):
    """`{settings} MODEL`: the keys of a settings model."""

    required_arguments = 1

    def run(self) -> list[nodes.Node]:
        """The table."""
        return [table(("key", "default", "range", "meaning"), key_rows(MODELS[self.arguments[0]]))]


class RecordOf(SphinxDirective):
    """`{record} MODEL`: what a model says of itself, and its fields. For records that the code writes."""

    required_arguments = 1

    def run(self) -> list[nodes.Node]:
        """A paragraph and the table."""
        model = MODELS[self.arguments[0]]
        said = " ".join((model.__doc__ or "").split()).replace("`", "")
        return [nodes.paragraph("", said), table(("key", "holds"), [(row[0], row[3]) for row in key_rows(model)])]


class FactsOf(SphinxDirective):
    """`{facts} NAME`: one of FACTS."""

    required_arguments = 1

    def run(self) -> list[nodes.Node]:
        """The node."""
        return [FACTS[self.arguments[0]]()]


def setup(app: Sphinx) -> dict[str, Any]:
    """Register the directives."""
    app.add_directive("columns", ColumnsOf)
    app.add_directive("settings", SettingsOf)
    app.add_directive("record", RecordOf)
    app.add_directive("facts", FactsOf)
    return {"version": "1", "parallel_read_safe": True, "parallel_write_safe": True}
