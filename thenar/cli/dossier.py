"""`thenar dossier DIR`: what an ethics board asks for of a study, as one printable page."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

from thenar.caution import SHORT
from thenar.cli.page_file import refuse_unless_ours, write_page
from thenar.cli.show import progress, show_json
from thenar.report.dossier_page import MARK, page
from thenar.report.folder import open_finished
from thenar.report.manifest import manifest_of
from thenar.study.dossier import Attached, dossier_of


def command(chosen: argparse.Namespace) -> int:
    """Write the page. Returns 0; bad input raises InputError."""
    folder = Path(chosen.folder)
    resolved = folder.resolve()
    out = Path(chosen.out) if chosen.out else folder.parent / f"{resolved.name}-dossier.html"
    refuse_unless_ours(out, [resolved], "dossier", MARK)
    attached = Attached(
        *(None if given is None else Path(given)
          for given in (chosen.evidence, chosen.compare, chosen.breakeven, chosen.plan))
    )  # fmt: skip
    run = open_finished(folder, "run")
    with progress(len(manifest_of(run).trials), "auditing what left", quiet=chosen.json) as advance:
        dossier = dossier_of(run, attached, out, advance)
    write_page(out, page(dossier.record, dossier.pictures))
    if chosen.json:
        show_json({"page": str(out), **dossier.record})
    else:
        _tell(dossier.record, out)
    return 0


def _tell(record: dict[str, Any], out: Path) -> None:
    people, audit = record["people"], record["in_this_run"]["audit"]
    print(f"{record['title']}: {people['wearers']} simulated wearers, {record['in_this_run']['trials']} trials")
    lines = record["compare"]["lines"] if record["compare"] else record["benefit"]["lines"]
    for line in lines:
        if line["measure"] == record["benefit"]["primary"]:
            print(line["sentence"])
    print("audit of what left: " + ", ".join(f"{count} {verdict}" for verdict, count in audit.items()))
    for key, made_by in (
        ("evidence", f"thenar challenge {json.dumps(record['exposure']['profile'])} --out DIR"),
        ("compare", f"thenar compare {record['run']} --out DIR"),
        ("breakeven", "thenar breakeven FILE --out DIR"),
        ("plan", "thenar plan FILE --out DIR"),
    ):
        if record[key] is None:
            print(f"not attached: {key} (--{key} takes the folder of: {made_by})")
        else:
            for note in record[key].get("notes", []):
                print(f"note on {key}: {note}")
    print(f"page: {out}\n{SHORT}")
