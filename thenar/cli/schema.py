"""`thenar schema`: the JSON Schema of scenario files, for editors."""

from __future__ import annotations

import argparse
import json
import secrets
from pathlib import Path

from thenar.scenarios.schema_json import json_schema


def command(chosen: argparse.Namespace) -> int:
    """Print the schema, or write it whole to the file asked for. Returns 0."""
    text = json.dumps(json_schema(), indent=2, ensure_ascii=False) + "\n"
    if chosen.out is None:
        print(text, end="")
        return 0
    file = Path(chosen.out)
    part = file.with_name(f"{file.name}.{secrets.token_hex(4)}.part")
    try:
        part.write_text(text, encoding="utf-8", newline="\n")
        part.replace(file)
    finally:
        part.unlink(missing_ok=True)
    print(f"wrote {file}")
    return 0
