"""The parts of a dossier about what each person is given and what stands between: exposure, audit, evidence."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from thenar.report.dossier_words import NO_EVIDENCE, TAGS, TAGS_SAY
from thenar.report.evidence_html import cited, listed, sources_listed, table, tagged, text, verdict

Record = Mapping[str, Any]


def exposure_part(record: Record) -> str:
    """A table per channel: median and highest over wearers beside the limit in force, its source and tag."""
    exposure = record["exposure"]
    told = (
        "<p>Reckoned from every pulse that left in the counted trials of this run, per person and channel; then the "
        f"median and the highest of the {record['people']['wearers']} simulated wearers. Limits in force: profile "
        f"{text(exposure['profile'])} ({text(exposure['about'])}). {text(TAGS_SAY)}</p>"
    )
    for found in exposure["deviations"]:
        told += (
            f'<p class="warn">Looser than {text(exposure["based_on"])}: {text(found["key"])} = {found["value"]:g} '
            f"{text(found['unit'])} instead of {found['default']:g}; stated reason: {text(found['reason'])}</p>"
        )
    for number, channel in enumerate(dict.fromkeys(line["channel"] for line in exposure["lines"])):
        mine = [line for line in exposure["lines"] if line["channel"] == channel]
        area, share = exposure["pad_area_cm2"][number], exposure["contact_assumed"][number]
        caption = (
            f"Exposure through the {channel} channel; pad {area:g} cm2, {100 * share:g} % of it counts as touching"
        )
        headers = ("What", "Median", "Highest", "Unit", "Limit in force", "Rule", "Source of the limit", "Followed")
        told += table(caption, headers, [_line(line, exposure["sources"]) for line in mine])
    return told + listed(_notes(exposure)) + "<h3>Sources of the limits</h3>" + sources_listed(exposure["sources"])


def _line(line: Record, known: Sequence[Record]) -> list[str]:
    limit = "no limit" if line["limit"] is None else f"{'at least ' if line['lowest'] else ''}{three(line['limit'])}"
    over = line["limit"] is not None and line["highest"] is not None and _beyond(line)
    highest = "none" if line["highest"] is None else f"{three(line['highest'])} ({text(line['highest_wearer'])})"
    return [
        text(line["words"]), f'<span class="n">{three(line["median"])}</span>',
        f'<b class="fails">{highest} OVER</b>' if over else highest + _at(line), text(line["unit"]), limit,
        text(line["rule"]),
        cited(line["source"], known), tagged(line["tag"], TAGS[line["tag"]]) if line["tag"] else "",
    ]  # fmt: skip


def _beyond(line: Record) -> bool:
    """Beyond the limit by more than rounding."""
    share = line["highest"] / line["limit"] if line["limit"] else 0.0
    return share < 1 - 1e-9 if line["lowest"] else share > 1 + 1e-9


def _at(line: Record) -> str:
    """Says that a value has come up to its limit, to one in a thousand."""
    if not line["limit"] or line["highest"] is None:
        return ""
    share = line["limit"] / line["highest"] if line["lowest"] else line["highest"] / line["limit"]
    return " <b>at its limit</b>" if share > 0.999 else ""


def three(value: float | None) -> str:
    """A number with three figures, no fewer than its whole part; "none" where there is none."""
    if value is None:
        return "none"
    return f"{value:.0f}" if abs(value) >= 100 else f"{value:.3g}"


def _notes(exposure: Record) -> list[str]:
    notes = [
        (
            "Whole visit: the counted trials of all conditions added up. In the simulation each trial is a session of "
            "its own for the interlock; the limit on a session's charge (R24) stands here beside the sum of the visit."
        ),
        "Seconds are sliding; the interlock itself counts a little more strictly, with one bucket more than a second.",
        f"On-window: {exposure['on_window_s']:g} s; the limit is the share of it that stimulation may take.",
    ]
    if exposure["practice_trials"]:
        charges = [line for line in exposure["lines"] if line["key"] == "session_charge_C"]
        sums = [
            f"{one['channel']}: {three((one['highest'] or 0.0) * exposure['practice_factor'])} mC" for one in charges
        ]
        notes.append(
            f"Practice comes on top ({exposure['practice_trials']} more of each condition), in no table of a run. "
            f"In proportion the highest rectified charge of a whole visit is then {', '.join(sums)}; thenar check "
            "simulates it trial by trial."
        )
    return notes


def in_this_run_part(record: Record) -> str:
    """What the interlock did in the study's own run, and what separate code says of it."""
    run = record["in_this_run"]
    counts = ", ".join(f"{count} {word}" for word, count in run["audit"].items())
    tripped = ", ".join(f"{name}: {count:g}" for name, count in run["tripped_wearers"].items())
    judged = "Judged by separate code that has the limits in common with the interlock and nothing else"
    lines = [
        f"Of the requirements: {counts}. {judged}, on {run['pulses']} pulses and {run['decisions']} decisions.",
        f"Latched trips: {run['trips']:g} in {run['trials']} trials{f' ({tripped})' if tripped else ''}.",
    ]
    lines += [f"FAILED: {one}" for one in run["audit_failed"]]
    if run["audit_cant"]:
        lines.append(f"Can't be judged from a run's tables: {', '.join(run['audit_cant'])}.")
    lines += run["audit_notes"]
    for refusal in run["refused"]:
        why = ", ".join(f"{rule} {words}" for rule, words in refusal["why"].items())
        lines.append(f"REFUSED TO ARM in {len(refusal['trials'])} trials ({', '.join(refusal['wearers'])}): {why}")
    told = "<h3>In this study's own run</h3>" + listed(lines)
    if not run["acted"]:
        return told + "<p>No rule had to act.</p>"
    conditions = list(run["acted"][0]["by_condition"])
    rows = [
        [text(one["rule"]), text(one["title"]), *(text(one["by_condition"][name]) for name in conditions)]
        for one in run["acted"]
    ]
    caption = "Rules that acted: control ticks and pulses, all trials"
    return told + table(caption, ("Rule", "What it holds", *conditions), rows)


def evidence_part(record: Record) -> str:
    """What a campaign of attacks found, or that there is none attached."""
    found = record["evidence"]
    told = "<h3>Under attack</h3>"
    if found is None:
        command = f"thenar challenge {record['exposure']['profile']} --out DIR"
        return (
            f'{told}<p class="warn">{NO_EVIDENCE} <code>{text(command)}</code>, then give its folder with '
            "<code>--evidence DIR</code>.</p>"
        )
    told += "".join(f'<p class="warn">{text(note)}</p>' for note in found["notes"])
    campaign, same = found["campaign"], found["campaign"]["same_attacks"]
    tally = ", ".join(f"{count} {word}" for word, count in found["counts"].items())
    passed = "passed" if campaign["passed"] else "did NOT pass"
    played = f"{campaign['commands']} commands were played against the interlock under {found['profile']}"
    lines = [
        f"{played}, seed {campaign['seed']}; the campaign {passed}.",
        f"Requirements: {tally}.",
        f"The same attacks with the interlock off: {same['off']} offences. On: {same['on']}.",
    ]
    told += listed(lines)
    if found["open"]:
        rows = [
            [text(one["id"]), verdict(one["verdict"]), text(one["title"]), text(one["why"])] for one in found["open"]
        ]
        told += table("Rows that are open", ("Id", "Verdict", "What it holds", "Why"), rows)
    else:
        told += "<p>No row is open.</p>"
    if found["page"]:
        told += f'<p>In full: <a href="{text(found["page"])}">the evidence page</a>, which lies beside this one.</p>'
    return told
