"""`thenar challenge PROFILE`: attack the interlock under a limit profile, and take every check out in turn."""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from thenar.caution import SHORT
from thenar.cli.show import Table, progress, show_json, show_table
from thenar.report.evidence import write_evidence
from thenar.report.folder import name_held, whole_folder
from thenar.safety.profile import load_profile, shipped_profiles
from thenar.study.challenge import Asked, Campaign, planned_steps, run_campaign
from thenar.study.counterexample import written_counterexamples
from thenar.workers import cores

NOT_PASSED: Final = 1
FILE: Final = "challenge.json"
MOST_LINES: Final = 20


def command(chosen: argparse.Namespace) -> int:
    """Run a campaign. Returns 0 when it passed, 1 when something failed, was missed, or was never reached."""
    profile = load_profile(chosen.profile)
    out = Path(chosen.out) if chosen.out else None
    # A scenario of a counterexample lies in a folder of its own: it names a profile file by its full path.
    name = chosen.profile if chosen.profile in shipped_profiles() else str(Path(chosen.profile).resolve())
    asked = Asked(profile, name, chosen.commands, chosen.seed, chosen.jobs or cores(), out is not None)
    with name_held(out):
        with progress(planned_steps(asked), "attacking", quiet=chosen.json) as advance:
            campaign = run_campaign(asked, advance)
        if out is not None:
            _leave(out, asked, campaign)
    if chosen.json:
        show_json(campaign.record)
    else:
        _tell(campaign.record, out)
    return 0 if campaign.passed else NOT_PASSED


def _leave(out: Path, asked: Asked, campaign: Campaign) -> None:
    """The folder, whole or not at all."""
    with whole_folder(out, "challenge") as working:
        rules = written_counterexamples(working, asked.profile_name, asked.seed, campaign.found)
        campaign.record["counterexamples"] = rules
        (working / FILE).write_text(json.dumps(campaign.record, indent=2), encoding="utf-8")
        write_evidence(working, campaign.record)


def _tell(record: Mapping[str, Any], out: Path | None) -> None:
    same = record["same_attacks"]
    print(f"Challenge of {record['profile']}, seed {record['seed']}", end=": ")
    print(f"{record['commands']} commands, {record['pulses']} pulses")
    print(", ".join(f"{family} {commands}" for family, commands in record["families"].items()))
    for found in record["deviations"]:
        print(f"deviates: {found['key']} = {found['value']:g} {found['unit']} ({found['reason']})")
    show_table(_table(record["rows"]))
    print(
        f"\nThe same attacks, interlock off: {same['off']} offences, {same['rules_broken_off']} rules broken", end="; "
    )
    print(f"on: {same['on']}, {same['rules_broken_on']} rules.")
    controls = record["controls"]
    print(f"Controls: an edit that changes nothing {controls['must_survive']}", end=", ")
    print(f"every ceiling turned round {controls['must_die']}.")
    for line in record["never_reached"]:
        print(f"NEVER REACHED: {line}")
    differ = record["limits_that_differ"]
    for line in differ[:MOST_LINES]:
        print(f"LIMIT DIFFERS: {line}")
    if len(differ) > MOST_LINES:
        print(f"LIMITS THAT DIFFER: {len(differ)}, of which the first {MOST_LINES} are shown")
    if record["interlock_on"]["broken"]:
        print(f"BROKEN with the interlock on: {', '.join(record['interlock_on']['broken'])}")
    print("PASSED" if record["passed"] else "NOT PASSED", f"after {record['seconds']:g} s")
    if out is not None:
        print(f"folder: {out}\nevidence: {out / 'evidence.html'}")
    print(f"Tested, not proven, and no certification of anything. {SHORT}")


def _table(rows: list[Mapping[str, Any]]) -> Table:
    headers = (
        "rule", "verdict", "met", "acted", "closest\nto bound", "offences\noff", "offences\non",
        "without it\nnoticed after", "by",
    )  # fmt: skip
    lines = [
        (
            row["id"],
            row["verdict"],
            str(row["challenged"]),
            str(row["acted"]),
            "-" if row["closest"] is None else f"{row['closest']['share']:.4f}",
            str(row["violations_off"]),
            str(row["violations_on"]),
            _noticed(row["removal"]),
            ", ".join(row["removal"]["caught_by"]),
        )
        for row in rows
    ]
    return Table("Every requirement under attack", headers, lines, frozenset({2, 3, 4, 5, 6, 7}))


def _noticed(removal: Mapping[str, Any]) -> str:
    return str(removal["caught_after"]) if removal["state"] == "caught" else removal["state"].upper()
