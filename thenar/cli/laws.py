"""`thenar laws`: every control law that a scenario can name, and its settings."""

from __future__ import annotations

import argparse

from thenar.cli.show import Table, show_json, show_table
from thenar.controller.describe import LawDescription, SettingDescription, describe_laws


def command(chosen: argparse.Namespace) -> int:
    """Print each law with its settings. Returns 0."""
    laws = describe_laws()
    if chosen.json:
        show_json({"laws": [_record(law) for law in laws]})
        return 0
    print("Name a law in a scenario file: [law] name = ... Its settings go into [law.settings].")
    for law in laws:
        show_table(_table(law))
        if law.problem:
            print(law.problem)
    print('\nA law of your own: [law] file = "my_law.py", class = "MyLaw". A law sees only the observation.')
    return 0


def _record(law: LawDescription) -> dict[str, object]:
    return law._asdict() | {"settings": [setting._asdict() for setting in law.settings]}


def _table(law: LawDescription) -> Table:
    origin = "" if law.built_in else " (installed)"
    headers = ("setting", "unit", "default", "allowed", "meaning")
    rows = [(s.name, s.unit, _default(s), s.allowed, s.meaning) for s in law.settings]
    return Table(f"{law.name}{origin}: {law.summary}", headers, rows)


def _default(setting: SettingDescription) -> str:
    if setting.required:
        return "needed"
    return "-" if setting.default is None else str(setting.default)
