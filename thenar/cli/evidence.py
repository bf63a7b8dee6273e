"""`thenar evidence DIR`: renew the evidence page of a finished challenge, with whatever else has been run since."""

from __future__ import annotations

import argparse
from pathlib import Path

from thenar.caution import SHORT
from thenar.cli.show import show_json
from thenar.report.evidence import PAGE, TWIN, write_evidence
from thenar.report.evidence_parts import read_challenge, read_mutation, read_proofs, read_vectors
from thenar.report.evidence_tests import proofs_in, read_junits
from thenar.report.folder import open_finished, seal_folder


def command(chosen: argparse.Namespace) -> int:
    """Write evidence.html and evidence.json into the folder. Returns 0; bad input raises InputError."""
    folder = open_finished(chosen.folder, "challenge", anew=(PAGE, TWIN))
    challenge = read_challenge(folder)
    tests = read_junits([Path(file) for file in chosen.tests]) if chosen.tests else None
    # Proofs run as tests too, so a JUnit file may hold them.
    proofs = read_proofs(Path(chosen.proofs)) if chosen.proofs else proofs_in(tests["cases"]) if tests else None
    record = write_evidence(
        folder.path,
        challenge,
        proofs=proofs,
        tests=tests,
        mutation=read_mutation(Path(chosen.mutation)) if chosen.mutation else None,
        vectors=read_vectors(Path(chosen.vectors)) if chosen.vectors else None,
    )
    seal_folder(folder.path, "challenge", folder.files)
    if chosen.json:
        show_json(record)
        return 0
    print(", ".join(f"{number} {word}" for word, number in record["counts"].items()))
    for name, part in record["parts"].items():
        print(f"{name}: {part if isinstance(part, str) else 'in the page'}")
    for note in record["notes"]:
        print(f"note: {note}")
    print(f"written: {folder.file(PAGE)}\n{SHORT}")
    return 0
