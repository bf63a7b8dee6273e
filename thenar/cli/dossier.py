"""`thenar dossier DIR`: what an ethics board asks for of a study, as one printable page."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any, Final

from thenar.caution import SHORT
from thenar.cli.show import progress, show_json
from thenar.report.dossier_page import MARK, page
from thenar.report.folder import TEMPORARY
from thenar.report.manifest import read_manifest
from thenar.shared.errors import InputError, Problem
from thenar.study.dossier import Attached, dossier_of

HEAD_BYTES: Final = 400


def command(chosen: argparse.Namespace) -> int:
    """Write the page. Returns 0; bad input raises InputError."""
    folder = Path(chosen.folder)
    resolved = folder.resolve()
    out = Path(chosen.out) if chosen.out else folder.parent / f"{resolved.name}-dossier.html"
    _refuse_unless_ours(out, resolved)
    attached = Attached(
        *(None if given is None else Path(given)
          for given in (chosen.evidence, chosen.compare, chosen.breakeven, chosen.plan))
    )  # fmt: skip
    trials = len(read_manifest(folder).trials)
    with progress(trials, "auditing what left", quiet=chosen.json) as advance:
        dossier = dossier_of(folder, attached, out, advance)
    _write(out, page(dossier.record, dossier.pictures))
    if chosen.json:
        show_json({"page": str(out), **dossier.record})
    else:
        _tell(dossier.record, out)
    return 0


def _refuse_unless_ours(out: Path, folder: Path) -> None:
    """An earlier dossier may be written anew; any other file, and the run's own folder, stay as they are."""
    if out.resolve().is_relative_to(folder):
        found = "inside the run folder, which stays as the run left it"
        raise InputError([Problem(str(out), "--out", found, "a file elsewhere")])
    if out.is_dir() or (out.exists() and not _is_ours(out)):
        found = "a folder" if out.is_dir() else "a file that is no dossier"
        raise InputError([Problem(str(out), "--out", found, "a new file, or an earlier dossier to replace")])


def _is_ours(file: Path) -> bool:
    with file.open("rb") as handle:
        return MARK.encode() in handle.read(HEAD_BYTES)


def _write(out: Path, text: str) -> None:
    """The page, whole or not at all."""
    part = out.with_name(out.name + TEMPORARY)
    try:
        part.write_text(text, encoding="utf-8", newline="\n")
        part.replace(out)
    except OSError as error:
        raise InputError(
            [Problem(str(out), "--out", error.strerror or str(error), "a file that can be written")]
        ) from None
    finally:
        part.unlink(missing_ok=True)


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
