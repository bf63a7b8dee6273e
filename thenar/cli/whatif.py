"""`thenar whatif RECORDING --scenario FILE`: what would this law and these limits have done with that session."""

from __future__ import annotations

import argparse
import json
import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from thenar.caution import SHORT
from thenar.cli.scenario_file import load_typed
from thenar.cli.show import deviation_lines, note_compiling, show_json, show_table
from thenar.cli.whatif_tables import TITLES, channel_table, rule_table, stretch_table
from thenar.report.folder import plain, refuse_if_taken, whole_folder
from thenar.report.ink import Loosened
from thenar.report.tables import TABLES, TableWriter
from thenar.report.whatif_picture import whatif_picture
from thenar.report.whatif_view import ChannelView, WhatIfView
from thenar.scenarios.loader import LoadedScenario
from thenar.shared.errors import InputError, Problem
from thenar.shared.ticks import US_PER_S
from thenar.study.session import Session, session_of
from thenar.study.session_run import session_of_run, trial_in
from thenar.study.whatif import Person, WhatIf, whatif
from thenar.study.whatif_differences import Compared, compared
from thenar.study.whatif_record import (
    DIFFERENCE_COLUMNS,
    HELD_BACK_COLUMNS,
    stretches_csv,
    ticks_csv,
    totals_of,
    whatif_record,
)

PICTURE_FILE: Final = "whatif.png"
MOMENT_FILE: Final = "moment.png"
MOMENT_S: Final = (2.0, 6.0)
"""What the second picture shows before and after the first difference, s."""
RECORD_FILE: Final = "whatif.json"
TRIPS_SHOWN: Final = 6
TEXT_WIDTH: Final = 112


def command(chosen: argparse.Namespace) -> int:
    """Feed a recording to a scenario's law and interlock. Returns 0; raises InputError for what can't be used."""
    loaded = load_typed(chosen.scenario, chosen.trust_law)
    out = Path(chosen.out) if chosen.out else None
    if out is not None:
        refuse_if_taken(out)
    session, person = _recorded(chosen, loaded)
    note_compiling(chosen.json)
    found = whatif(session, loaded, person)
    beside = compared(session, found)
    record = whatif_record(session, loaded, found, beside) | {"caution": SHORT}
    if out is not None:
        _leave(out, loaded, session, found, beside, record)
    if chosen.json:
        show_json(record)
    else:
        _tell(loaded, session, found, beside, out)
    return 0


def _recorded(chosen: argparse.Namespace, loaded: LoadedScenario) -> tuple[Session, Person]:
    """The session in a file or a run folder, and whose calibration the loop gets."""
    file = Path(chosen.file)
    if file.is_dir():
        for option in ("column", "stream", "repair"):
            if getattr(chosen, option):
                allowed = "no such option for a run folder: its tables are read as they are"
                raise InputError([Problem(str(file), f"--{option}", str(getattr(chosen, option)[0]), allowed)])
        trial = trial_in(file, chosen.trial)
        record = trial.record
        return (
            session_of_run(trial),
            Person(record.wearer, record.repeat, record.condition, trial.seed),
        )
    if chosen.trial is not None and file.exists():
        raise InputError([Problem(str(file), "--trial", str(chosen.trial), "a trial of a run folder, not of a file")])
    from thenar.cli.fit_show import recording_of

    recording = recording_of(chosen)
    return session_of(recording, loaded.scenario.estimator), Person()


def _tell(loaded: LoadedScenario, session: Session, found: WhatIf, beside: Compared, out: Path | None) -> None:
    print(f"{loaded.scenario.title}\n{_headline(loaded, session, found)}")
    for line in deviation_lines(loaded):
        print(line)
    for line in _refusals(found):
        print(line)
    for line in _verdict(session, found, beside):
        _wrapped(line)
    show_table(channel_table(totals_of(found, beside)))
    if beside.differences:
        show_table(stretch_table(beside.differences, "differences.csv"))
    if found.reason_ticks:
        show_table(rule_table(found, beside))
    print()
    for note in found.notes:
        _wrapped(f"note: {note}")
    if out is not None:
        print(f"folder: {out}\npicture: {out / PICTURE_FILE}")
        if (out / MOMENT_FILE).exists():
            print(f"picture of the first difference: {out / MOMENT_FILE}")
    print(SHORT)


def _wrapped(text: str) -> None:
    print(textwrap.fill(text, TEXT_WIDTH, subsequent_indent="  ", break_on_hyphens=False, break_long_words=False))


def _headline(loaded: LoadedScenario, session: Session, found: WhatIf) -> str:
    law = loaded.scenario.law
    named = law.name or f"{law.class_name} in {law.file}"
    return (
        f"{session.source}, {session.duration_us / US_PER_S:.1f} s, fed to {named} under {loaded.profile.name} "
        f"for {found.trial.wearer.name}"
    )


def _refusals(found: WhatIf) -> list[str]:
    """Why nothing could leave at all, when it is so."""
    objections = found.trial.arming_objections()
    if objections:
        return [f"REFUSED TO ARM, so no pulse would have left: {rule}, {why}" for rule, why in objections.items()]
    if found.trial.arm_us > found.trial.duration_us:
        return [f"NEVER ARMED: the scenario arms at {found.trial.arm_us / US_PER_S:g} s, after the session's end"]
    return []


def _verdict(session: Session, found: WhatIf, beside: Compared) -> list[str]:
    """What a person asked for, in a few sentences."""
    lines = [f"tripped here: {_trips(found.trips)}"]
    if session.run is not None:
        lines[0] += f"; on record: {_trips(session.run.trips)}"
    if beside.commands_apart is not None:
        demand, admitted, ticks = beside.commands_apart
        lines.append(
            f"of {ticks} control ticks that both loops have, the demand differs at {demand}, the admitted command at "
            f"{admitted}"
        )
    if not session.delivery_on_record:
        lines.append("what was delivered is not on record, so there are no differences to tell")
    elif beside.parts_us is None:
        lines.append("NO DIFFERENCE: this law and these limits would have delivered what the recording says")
    else:
        longest_s = sum(stretch.to_us - stretch.from_us for stretch in beside.differences) / US_PER_S
        lines.append(
            f"THEY PART at {beside.parts_us / US_PER_S:.2f} s; {len(beside.differences)} stretches differ, "
            f"{longest_s:.1f} s over both channels"
        )
    if session.begins_s != 0.0:
        lines.append(f"0 s here is t_s = {session.begins_s:.3f} in the recording, its first target")
    return lines


def _trips(trips: Sequence[tuple[int, str]]) -> str:
    shown = ", ".join(f"{cause} at {t_us / US_PER_S:.2f} s" for t_us, cause in trips[:TRIPS_SHOWN])
    more = f" and {len(trips) - TRIPS_SHOWN} more" if len(trips) > TRIPS_SHOWN else ""
    return shown + more if trips else "nothing"


def _view(session: Session, found: WhatIf, beside: Compared) -> WhatIfView:
    channels = []
    for side in beside.sides:
        recorded = None if side.recorded is None else side.recorded.charge_uC
        differences = [
            (one.from_us / US_PER_S, one.to_us / US_PER_S, one.kind)
            for one in beside.differences
            if one.channel == side.channel
        ]
        channels.append(
            ChannelView(side.channel, side.demand.charge_uC, side.admitted.charge_uC, recorded, differences)
        )
    trips = () if session.run is None else session.run.trips
    return WhatIfView(
        0.0,
        session.duration_us / US_PER_S,
        beside.t_us / US_PER_S,
        found.target_N,
        found.estimate_N,
        session.force_us / US_PER_S,
        session.force_N,
        channels,
        beside.reasons,
        beside.recorded_reasons,
        found.at_ticks("trip") != 0,
        [(t_us / US_PER_S, cause) for t_us, cause in found.trips],
        [(t_us / US_PER_S, cause) for t_us, cause in trips],
    )


def _leave(
    out: Path, loaded: LoadedScenario, session: Session, found: WhatIf, beside: Compared, record: dict[str, Any]
) -> None:
    """The folder, whole or not at all: record, tables of ticks and stretches, the loop's own logs, the picture."""
    texts = {
        RECORD_FILE: json.dumps(plain(record), indent=2, allow_nan=False, ensure_ascii=False) + "\n",
        "ticks.csv": ticks_csv(found, beside),
        "differences.csv": stretches_csv(DIFFERENCE_COLUMNS, beside.differences),
        "held-back.csv": stretches_csv(HELD_BACK_COLUMNS, beside.held_back),
    }
    deviations = loaded.profile.deviations()
    with whole_folder(out, "whatif") as working:
        for name, text in texts.items():
            (working / name).write_text(text, encoding="utf-8", newline="\n")
        for name, table in {"decisions": found.decisions, "pulses": found.pulses}.items():
            with TableWriter(working / f"{name}.parquet", TABLES[name], loaded.sha256, deviations) as writer:
                writer.add(0, table)
        _draw(working, loaded, _headline(loaded, session, found), _view(session, found, beside), beside.parts_us)


def _draw(folder: Path, loaded: LoadedScenario, line: str, view: WhatIfView, parts_us: int | None) -> None:
    """The whole session, and a closer look at where loop and recording part."""
    title = f"What if: {loaded.scenario.title}"
    loosened = Loosened(loaded.profile.based_on or "", loaded.profile.deviations())
    whatif_picture(folder / PICTURE_FILE, title, line, view, TITLES, loosened)
    if parts_us is not None and view.end_s > sum(MOMENT_S):
        parts_s = parts_us / US_PER_S
        closer = view.between(parts_s - MOMENT_S[0], parts_s + MOMENT_S[1])
        whatif_picture(folder / MOMENT_FILE, f"{title}, where they first part", line, closer, TITLES, loosened)
