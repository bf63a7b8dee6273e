"""`thenar limits PROFILE`: every limit of a profile, which bounds can bind, and the figures a bench test lists."""

from __future__ import annotations

import argparse
import shutil
import textwrap
from collections.abc import Iterator
from typing import Any, Final, NamedTuple

from thenar.caution import SHORT
from thenar.cli.show import Table, show_json, show_table
from thenar.safety.binding import Stretch, first_met
from thenar.safety.bounds import Row
from thenar.safety.derived import Figures, Standing, standings, worst_figures
from thenar.safety.deviation import Deviation, amount
from thenar.safety.limits import ChannelLimits, Limits
from thenar.safety.profile import Bound, LimitProfile, load_profile, shipped_profiles
from thenar.safety.requirements import REQUIREMENTS
from thenar.shared.sources import cited

WIDEST: Final = 99
CHANNELS: Final = ("agonist", "antagonist")
FOLLOWED: Final = {"seen": "seen", "memory": "from memory", "own": "ours", "derived": "derived"}


class Listed(NamedTuple):
    """One bound to print: where it holds, the bound, its row of the table, and how it deviates (None: not)."""

    where: str
    bound: Bound
    row: Row
    deviation: Deviation | None


class Analysis(NamedTuple):
    """What was reckoned for one channel, or for both where they are alike."""

    where: str
    standings: tuple[Standing, ...]
    first_met: tuple[Stretch, ...]
    rate_Hz: float
    contact_assumed: float
    figures: tuple[Figures, ...]


def command(chosen: argparse.Namespace) -> int:
    """Print one profile, or the names of those that are shipped. Returns 0."""
    if chosen.profile is None:
        return _list(chosen.json)
    profile = load_profile(chosen.profile)
    limits = profile.limits_for(None)
    analyses = [_analysis(profile, limits, where) for where in _channels(profile)]
    if chosen.json:
        show_json(_record(chosen.profile, profile, analyses))
    else:
        _tell(chosen.profile, profile, analyses)
    return 0


def _list(as_json: bool) -> int:
    shipped = [(name, load_profile(name).about) for name in shipped_profiles()]
    if as_json:
        show_json({"shipped": [{"name": name, "about": about} for name, about in shipped]})
        return 0
    show_table(Table("Shipped limit profiles (`thenar limits NAME` prints one)", ("name", "about"), shipped))
    print()
    _say(SHORT)
    return 0


def _channels(profile: LimitProfile) -> tuple[str, ...]:
    """The channels to tell apart: one name for both where every bound, source and reason is the same."""
    return ("both channels",) if profile.agonist == profile.antagonist else CHANNELS


def _analysis(profile: LimitProfile, limits: Limits, where: str) -> Analysis:
    channel: ChannelLimits = limits.antagonist if where == "antagonist" else limits.agonist
    bounds = profile.antagonist if where == "antagonist" else profile.agonist
    return Analysis(
        where=where,
        standings=standings(bounds, channel, limits.loop),
        first_met=first_met(channel, limits.loop),
        rate_Hz=1e6 / channel.period_min_us,
        contact_assumed=channel.contact_assumed_per_mille / 1_000,
        figures=worst_figures(channel, limits.loop),
    )


def _tell(typed: str, profile: LimitProfile, analyses: list[Analysis]) -> None:
    _say(f"Limit profile {typed}: {profile.about}")
    print(f"fingerprint {profile.fingerprint()}")
    for found in profile.deviations():
        _say(f"deviates from {profile.based_on}: {found}", "    ")
    for line in _listing(profile):
        print(line)
    for analysis in analyses:
        _tell_analysis(analysis)
    print()
    _say(
        "Worst: the largest RMS current that the limits admit, at the highest rate; all its power is laid on one pad. "
        "R14 and R15 are bounds into 500 ohm alone. A person's own ceiling (R07) can only lower all this. R12, R13, "
        "R15 and R16 are reckoned as the interlock does, with every pulse that its window can hold: one bucket more "
        "than a second. A request outside the allowed widths and rates is weighed as it was asked, so one of them may "
        "hold it first."
    )
    _say(
        "Tags: [seen] its source was read, [from memory] recalled and not read again, [ours] our own choice, [derived] "
        "reckoned from other values."
    )
    for line in _sources(profile):
        print(line)
    print()
    _say(SHORT)


def _cited(profile: LimitProfile) -> list[dict[str, Any]]:
    """The sources that the bounds of a profile name, in the order of the listing."""
    rules = [row.name for row in REQUIREMENTS]
    rows = sorted(profile.bounds(), key=lambda row: rules.index(row[2].rule))
    return cited(bound.source for _, bound, _ in rows)


def _sources(profile: LimitProfile) -> Iterator[str]:
    """Every source that the profile names, once: its citation, and what of it is from memory."""
    found = _cited(profile)
    if not found:
        return
    yield ""
    yield "Sources named above (docs/sources.md says of each what was read)"
    for source in found:
        yield f"     [@{source['key']}] {source['tag']}"
        told = [source["citation"]] + [
            f"From memory: {what}" for words, what in source["followed"] if words == "from memory"
        ]
        for words in told:
            yield from _wrapped(words, " " * 9, " " * 9)


def _say(text: str, indent: str = "") -> None:
    print("\n".join(_wrapped(text, "", indent)))


def _wrapped(text: str, first: str, later: str) -> list[str]:
    """`text` in lines of at most WIDEST characters, and no wider than the terminal. Keys and addresses stay whole."""
    width = max(40, min(WIDEST, shutil.get_terminal_size((WIDEST + 1, 24)).columns - 1))
    return textwrap.wrap(text, width, initial_indent=first, subsequent_indent=later, break_on_hyphens=False)


def _rows(profile: LimitProfile) -> list[Listed]:
    """The bounds to print, channels told apart only where they differ."""
    alike = _channels(profile) != CHANNELS
    deviations = {found.key: found for found in profile.deviations()}
    rows = []
    for dotted, bound, row in profile.bounds():
        where = dotted.partition(".")[0]
        if alike and where == "antagonist":
            continue
        told = "loop" if where == "loop" else "both channels" if alike else where
        rows.append(Listed(told, bound, row, deviations.get(dotted)))
    return rows


def _listing(profile: LimitProfile) -> Iterator[str]:
    """Every bound under its requirement."""
    rows = _rows(profile)
    silent = []
    for requirement in REQUIREMENTS:
        mine = [listed for listed in rows if listed.row.rule == requirement.name]
        if not mine:
            silent.append(requirement.name)
            continue
        yield ""
        yield from _wrapped(f"{requirement.name}  {requirement.title}", "", "     ")
        for listed in mine:
            yield from _bound_lines(listed)
    yield ""
    yield from _wrapped(f"Rules without a number in a profile: {', '.join(silent)}.", "", "")


def _bound_lines(listed: Listed) -> Iterator[str]:
    row, bound = listed.row, listed.bound
    value, hard = amount(bound.value, row.unit), f"{row.low:g} to {amount(row.high, row.unit)}"
    yield from _wrapped(f"{row.key:<28}{value:<20}hard {hard:<25}{listed.where}", "     ", " " * 9)
    yield from _wrapped(row.means, " " * 9, " " * 9)
    yield from _wrapped(f"source: {bound.source} [{FOLLOWED[bound.tag]}]", " " * 9, " " * 9)
    if listed.deviation is not None:
        default = amount(listed.deviation.default, row.unit)
        yield from _wrapped(f"DEVIATES from {default}; stated reason: {listed.deviation.reason}", " " * 9, " " * 9)


def _tell_analysis(analysis: Analysis) -> None:
    title = f"First bound met as the current rises, {analysis.where}, at {analysis.rate_Hz:.4g} Hz"
    titles = {row.name: row.title for row in REQUIREMENTS}
    rows = [
        (_span(s.from_us, s.to_us, "us"), s.rule, titles[s.rule], _span(s.current_from_uA, s.current_to_uA, "mA", 1e-3))
        for s in analysis.first_met
    ]
    show_table(Table(title, ("width", "rule", "what it holds", "current"), rows))
    title = f"Bounds on a steady command, {analysis.where}: largest value reachable while all the others hold"
    headers = ("rule", "bound on", "reachable", "bound", "can it bind", "held by")
    show_table(Table(title, headers, [_standing_row(found) for found in analysis.standings], frozenset({2, 3})))
    for found in analysis.standings:
        if not found.binds and found.condition:
            print(f"{found.rule} binds {found.condition}.")
    show_table(_figures_table(analysis))


def _span(low: float, high: float, unit: str, scale: float = 1) -> str:
    ends = [f"{scale * end:.4g}" for end in (low, high)]
    return f"{' to '.join(dict.fromkeys(ends))} {unit}"


def _standing_row(found: Standing) -> tuple[str, ...]:
    verdict = f"binds {found.condition}".rstrip() if found.binds else "backstop: can't bind"
    reach, bound = f"{found.reach:.3g}", f"{found.bound:.4g}"
    return found.rule, found.key, reach, bound, verdict, ", ".join(found.held_by)


def _figures_table(analysis: Analysis) -> Table:
    """Figures down, loads across."""
    share = f"{100 * analysis.contact_assumed:g} % touching"
    lines = (
        ("peak current reachable", "mA", "reachable_mA"),
        ("worst allowed command: current", "mA", "current_mA"),
        ("    width", "us", "width_us"),
        ("    rate", "Hz", "rate_Hz"),
        ("charge per phase", "uC", "charge_uC"),
        ("charge density, whole pad", "uC/cm2", "charge_density_uC_per_cm2"),
        (f"charge density, {share}", "uC/cm2", "charge_density_at_contact_uC_per_cm2"),
        ("RMS current", "mA", "rms_mA"),
        ("average rectified current", "mA", "rectified_mA"),
        ("RMS current density, whole pad", "mA/cm2", "rms_density_mA_per_cm2"),
        (f"RMS current density, {share}", "mA/cm2", "rms_density_at_contact_mA_per_cm2"),
        ("power density, whole pad", "W/cm2", "power_density_W_per_cm2"),
        (f"power density, {share}", "W/cm2", "power_density_at_contact_W_per_cm2"),
        ("energy of a pulse", "mJ", "energy_mJ"),
        ("voltage needed", "V", "voltage_V"),
        ("Shannon's k (logged only, not validated for skin)", "1", "shannon_k"),
    )
    rows = [(name, unit, *(f"{getattr(f, field):.3g}" for f in analysis.figures)) for name, unit, field in lines]
    rows.append(("load accepted by R28", "", *("yes" if f.load_accepted else "no" for f in analysis.figures)))
    headers = ("figure", "unit", *(f"{f.load_ohm:,} ohm" for f in analysis.figures))
    return Table(f"Worst allowed command into a test load, {analysis.where}", headers, rows, frozenset({2, 3, 4}))


def _record(typed: str, profile: LimitProfile, analyses: list[Analysis]) -> dict[str, object]:
    titles = {row.name: row.title for row in REQUIREMENTS}
    deviations = {found.key: found for found in profile.deviations()}
    return {
        "profile": typed,
        "about": profile.about,
        "based_on": profile.based_on,
        "fingerprint": profile.fingerprint(),
        "deviations": [found._asdict() for found in deviations.values()],
        "limits": [
            {
                "rule": row.rule,
                "title": titles[row.rule],
                "key": key,
                "means": row.means,
                "value": bound.value,
                "unit": row.unit,
                "hard_low": row.low,
                "hard_high": row.high,
                "looser": row.looser,
                "source": bound.source,
                "tag": bound.tag,
                "deviates": key in deviations,
                "reason": bound.reason,
            }
            for key, bound, row in profile.bounds()
        ],
        "channels": [
            {
                "channel": analysis.where,
                "first_met": {"rate_Hz": analysis.rate_Hz, "widths": [s._asdict() for s in analysis.first_met]},
                "bounds": [found._asdict() for found in analysis.standings],
                "worst_into_loads": [f._asdict() for f in analysis.figures],
            }
            for analysis in analyses
        ],
        "sources": _cited(profile),
        "caution": SHORT,
    }
