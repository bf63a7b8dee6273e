"""`thenar template KIND`: a CSV with the columns, units and example rows that a recording of a kind must have."""

from __future__ import annotations

import argparse
from pathlib import Path

from thenar.caution import SHORT
from thenar.cli.fit_show import leave
from thenar.cli.show import show_json
from thenar.fit.kinds import KINDS
from thenar.fit.template import template_text


def command(chosen: argparse.Namespace) -> int:
    """Write the file whole, never over another one. Returns 0; raises InputError when the name is taken."""
    if chosen.kind == "comparison":
        return _comparison(chosen)
    kind = KINDS[chosen.kind]
    file = Path(chosen.to or f"{kind.name}.csv")
    text = template_text(kind)
    leave({file: lambda part: _write(part, text)})
    if chosen.json:
        columns = [one._asdict() for one in kind.columns]
        show_json({"kind": kind.name, "file": str(file), "columns": columns, "caution": SHORT})
        return 0
    print(f"wrote {file}: put your rows in place of the three examples")
    print(f"then: {_then(kind.name, file)}")
    print(SHORT)
    return 0


def _comparison(chosen: argparse.Namespace) -> int:
    """The table of a lab's own results, for `thenar compare --data`."""
    from thenar.study.compare_data import LABELS, MEASURES, template_csv

    file = Path(chosen.to or "comparison.csv")
    leave({file: lambda part: _write(part, template_csv())})
    if chosen.json:
        show_json(
            {"kind": "comparison", "file": str(file), "columns": [*LABELS], "measures": [*MEASURES], "caution": SHORT}
        )
        return 0
    print(f"wrote {file}: put your rows in place of the three examples")
    print(f"then: thenar compare --data {file}")
    print(SHORT)
    return 0


def _write(part: Path, text: str) -> None:
    part.write_text(text, encoding="utf-8", newline="\n")


def _then(kind: str, file: Path) -> str:
    return f"thenar whatif {file} --scenario FILE" if kind == "session" else f"thenar fit {kind} {file}"
