"""`thenar audit LOG`: what left the loop, judged by code that shares nothing with the interlock."""

from __future__ import annotations

import argparse
import json
import sys
import textwrap
from pathlib import Path
from typing import Final

from thenar.caution import SHORT
from thenar.cli.replay import replay_record, tell_replay
from thenar.cli.show import Table, progress, show_json, show_table
from thenar.replay import Replayed, replay_run
from thenar.report.auditing import Audited, Terms, audit_file, audit_folder, chosen_offences
from thenar.report.closest_words import in_words
from thenar.report.folder import FinishedFolder, open_finished, plain
from thenar.report.manifest import manifest_of
from thenar.report.signature import verified_by
from thenar.safety.audit.verdicts import Closest, Row, Verdict
from thenar.safety.profile import load_profile
from thenar.shared.compiled import compiled_before
from thenar.shared.errors import InputError, Problem
from thenar.workers import cores

FAILED: Final = 1
UNJUDGED: Final = 3
"""A requirement that the log doesn't let anyone judge, and nobody said that this is fine."""
TITLE_WIDTH: Final = 46
NO_CERTIFICATE: Final = "A verdict on this log alone, by limits that somebody chose: no certification of anything."


def command(chosen: argparse.Namespace) -> int:
    """Audit a log, or prove the auditor on planted faults.

    Returns 0, 1 when a requirement failed (or a replay differs), or 3 when nothing failed but one can't be judged.
    """
    if sys.stderr.isatty() and not chosen.json and not compiled_before():
        print("note: the auditor is compiled first, once (up to a minute)", file=sys.stderr)
    if chosen.self_test:
        from thenar.cli.audit_self_test import self_test

        return self_test(as_json=chosen.json)
    if chosen.log is None:
        raise InputError([Problem("thenar audit", "LOG", "no log", "a run folder or a file of pulses, or --self-test")])
    log = Path(chosen.log)
    if chosen.replay and not log.is_dir():
        raise InputError([Problem("thenar audit", "--replay", chosen.log, "a run folder")])
    audited = _audited(log, chosen)
    replayed = _replayed(log, chosen) if chosen.replay else None
    record = _record(audited) | ({} if replayed is None else {"replay": replay_record(replayed)})
    if chosen.out:
        _write(Path(chosen.out), record)
    if chosen.json:
        show_json(record)
    else:
        _tell(audited)
        if replayed is not None:
            tell_replay(replayed)
    return _code(audited, replayed, chosen)


def _code(audited: Audited, replayed: Replayed | None, chosen: argparse.Namespace) -> int:
    if audited.audit.broken or (replayed is not None and not replayed.identical):
        return FAILED
    unjudged = audited.audit.named(Verdict.CANT_JUDGE)
    if not unjudged or chosen.accept_unjudged:
        return 0
    print(f"can't judge {', '.join(unjudged)}; --accept-unjudged says that this is fine", file=sys.stderr)
    return UNJUDGED


def _replayed(folder: Path, chosen: argparse.Namespace) -> Replayed:
    run = open_finished(folder, "run")
    with progress(len(manifest_of(run).trials), "replaying", quiet=chosen.json) as advance:
        return replay_run(run, jobs=cores(), run_law=chosen.run_law, on_finished=advance)


def _audited(log: Path, chosen: argparse.Namespace) -> Audited:
    profile = None if chosen.limits is None else load_profile(chosen.limits)
    period_us = None if chosen.control_period_ms is None else round(1_000 * chosen.control_period_ms)
    ceilings = None if chosen.ceilings_mA is None else (chosen.ceilings_mA[0], chosen.ceilings_mA[1])
    terms = Terms(profile, ceilings, period_us)
    if log.is_dir():
        if chosen.decisions:
            allowed = "no such option for a run folder: its own decisions are read"
            raise InputError([Problem("thenar audit", "--decisions", chosen.decisions, allowed)])
        folder = open_finished(log, "run")
        signed = _signed(folder, chosen.verify)
        with progress(len(manifest_of(folder).trials), "auditing", quiet=chosen.json) as advance:
            audited = audit_folder(folder, terms, advance)
        return audited._replace(notes=(*audited.notes, *signed))
    if chosen.verify:
        allowed = "no such option for a file of its own: run folders are signed"
        raise InputError([Problem("thenar audit", "--verify", chosen.verify, allowed)])
    if not log.exists():
        raise InputError([Problem(str(log), "", "no such file or folder", "a run folder, or a file of pulses")])
    with progress(1, "auditing", quiet=chosen.json) as advance:
        found = audit_file(log, Path(chosen.decisions) if chosen.decisions else None, terms, lambda _: None)
        advance(log)
        return found


def _signed(folder: FinishedFolder, key: str | None) -> list[str]:
    """Who signed a run, in words. Raises InputError where it isn't signed by the key that is asked for."""
    if key is not None:
        return [f"signed by {verified_by(folder, Path(key))}, verified with {key}"]
    said = manifest_of(folder).signed_by
    return [] if said is None else [f"signed by {said}, it says: not verified (--verify KEY)"]


def _tell(audited: Audited) -> None:
    audit = audited.audit
    headers = ("rule", "what it holds", "verdict", "exercised", "closest value to its bound", "note")
    rows = [
        (
            row.rule,
            textwrap.shorten(row.title, TITLE_WIDTH, placeholder=" ..."),
            row.verdict.upper() if row.verdict == Verdict.FAIL else str(row.verdict),
            str(row.exercised) if row.verdict != Verdict.CANT_JUDGE else "-",
            "-" if row.closest is None else _closest(row.closest),
            row.note,
        )
        for row in audit.rows
    ]
    show_table(Table("Audit of every requirement", headers, rows, frozenset({3})))
    print()
    for line in chosen_offences(audit):
        print(line)
    for note in audited.notes:
        print(f"note: {note}")
    print(f"{_counts(audit.rows)}. Judged: {_what(audited)}.")
    print(f"{NO_CERTIFICATE} {SHORT}")


def _counts(rows: tuple[Row, ...]) -> str:
    return ", ".join(f"{sum(row.verdict == verdict for row in rows)} {verdict}" for verdict in Verdict)


def _what(audited: Audited) -> str:
    audit = audited.audit
    log = f"{audit.decisions} decisions" if audit.decisions else "no log of decisions"
    return (
        f"{audit.trials} trials, {audit.pulses} pulses, {log}, limits {audited.limits} "
        f"(fingerprint {audited.fingerprint[:12]})"
    )


def _closest(closest: Closest) -> str:
    return in_words(closest.value, closest.bound, closest.unit, closest.closeness)


def _record(audited: Audited) -> dict[str, object]:
    audit = audited.audit
    return {
        "rows": [_row_record(row) for row in audit.rows],
        "trials": audit.trials,
        "pulses": audit.pulses,
        "decisions": audit.decisions,
        "limits": {"profile": audited.limits, "fingerprint": audited.fingerprint},
        "notes": list(audited.notes),
        "failed": list(audit.broken),
        "caution": f"{NO_CERTIFICATE} {SHORT}",
    }


def _row_record(row: Row) -> dict[str, object]:
    return row._asdict() | {
        "closest": None if row.closest is None else row.closest._asdict(),
        "offences": [offence._asdict() for offence in row.offences],
    }


def _write(file: Path, record: dict[str, object]) -> None:
    """Write the verdicts whole or not at all."""
    part = file.with_name(file.name + ".part")
    try:
        part.write_text(json.dumps(plain(record), indent=2, allow_nan=False, ensure_ascii=False) + "\n", "utf-8")
        part.replace(file)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise InputError(
            [Problem(str(file), "--out", error.strerror or str(error), "a file that can be written")]
        ) from None
    print(f"written: {file}", file=sys.stderr)
