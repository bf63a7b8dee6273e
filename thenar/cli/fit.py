"""`thenar fit KIND FILE`: hands over to the command module of the kind."""

from __future__ import annotations

import argparse
import importlib


def command(chosen: argparse.Namespace) -> int:
    """Fit one kind. Returns 0; raises InputError for a recording that can't be used."""
    code: int = importlib.import_module(f"thenar.cli.fit_{chosen.kind}").command(chosen)
    return code
