"""A checker of a run folder that knows nothing of thenar: pulses against the text of a limit profile.

It reads the Parquet table of pulses with pyarrow, the profile with the standard library's TOML reader, and people's
comfort ceilings and arming from the folder's JSON. What it judges is written from the requirements' titles: R06 peak
current, R07 a person's own ceiling, R08 pulse width, R09 charge per phase, R10 charge density, R11 rate and spacing,
R12 root-mean-square and R16 mean rectified current over a sliding second, R20 rise of current, R26 one channel at a
time. As a program: `python pulses_against_profile.py FOLDER PROFILE`, exit 1 when a pulse breaks a rule.
"""

from __future__ import annotations

import json
import sys
import tomllib
from fractions import Fraction
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq

SECOND_US = 1_000_000
CHANNELS = ("agonist", "antagonist")
LONG_AGO_US = -(10**12)


def violations(folder: Path, profile: Path) -> list[str]:
    """Every broken rule of a run folder, one line each."""
    limits = tomllib.loads(profile.read_text("utf-8"))
    manifest = json.loads((folder / "manifest.json").read_text("utf-8"))
    rows = pq.read_table(folder / "pulses.parquet").to_pylist()
    events = [json.loads(line) for line in (folder / "events.jsonl").read_text("utf-8").splitlines()]
    found: list[str] = []
    for trial in manifest["trials"]:
        number = trial["trial"]
        pulses = sorted((row for row in rows if row["trial"] == number), key=lambda row: row["t_us"])
        armed_us = [one["t_us"] for one in events if one["trial"] == number and one["kind"] == "armed"]
        told: list[str] = []
        for channel, name in enumerate(CHANNELS):
            own = [row for row in pulses if row["channel"] in (channel, name)]
            bounds = {key: exact(entry["value"]) for key, entry in limits[name].items()}
            told += one_channel(own, bounds, exact(trial["calibration"][name]["ceiling_mA"]))
            told += rises(own, bounds, limits["loop"], armed_us, trial["control_period_us"])
        told += between_channels(pulses, exact(limits["loop"]["pulse_gap_ms"]["value"]))
        found += [f"trial {number}: {line}" for line in told]
    return found


def exact(number: float) -> Fraction:
    """The decimal number as it is written, without a binary float's error."""
    return Fraction(repr(number))


def current_of(pulse: dict[str, Any]) -> Fraction:
    """Current in mA, as the log has it: whole microamperes."""
    return Fraction(round(pulse["current_mA"] * 1000), 1000)


def one_channel(own: list[dict[str, Any]], bounds: dict[str, Fraction], ceiling_mA: Fraction) -> list[str]:
    """R06 to R12 and R16 on the pulses of one channel, in order of time."""
    told = []
    shortest_us = max(SECOND_US / bounds["rate_Hz"], bounds["pulse_spacing_ms"] * 1000)
    for place, pulse in enumerate(own):
        t_us, width_us, current_mA = pulse["t_us"], pulse["width_us"], current_of(pulse)
        charge_uC = current_mA * width_us / 1000
        window = [one for one in own[: place + 1] if one["t_us"] >= t_us - SECOND_US]
        area_us = [(current_of(one), one["width_us"] + one.get("second_width_us", one["width_us"])) for one in window]
        rectified_mA = sum(mA * us for mA, us in area_us) / SECOND_US
        squared = sum(mA * mA * us for mA, us in area_us) / SECOND_US
        for rule, broken in (
            ("R06", current_mA > bounds["peak_mA"] or current_mA < 0),
            ("R07", current_mA > ceiling_mA),
            ("R08", not bounds["width_min_us"] <= width_us <= bounds["width_max_us"]),
            ("R09", charge_uC > bounds["charge_uC"]),
            ("R10", charge_uC / bounds["pad_area_cm2"] > bounds["charge_density_uC_per_cm2"]),
            ("R11", place > 0 and t_us - own[place - 1]["t_us"] < shortest_us),
            ("R12", squared > bounds["rms_mA"] ** 2),
            ("R16", rectified_mA > bounds["rectified_mA"]),
        ):
            if broken:
                told.append(f"{rule} at {t_us} us: {float(current_mA):g} mA, {width_us} us")
    return told


def rises(
    own: list[dict[str, Any]], bounds: dict[str, Fraction], loop: dict[str, Any], armed_us: list[int], period_us: int
) -> list[str]:
    """R20: between two pulses the current rises by no more than the slew over the control ticks between them.

    After arming or a rest it begins at the first step.
    """
    told = []
    rise_mA, first_mA = bounds["slew_mA_per_s"] * period_us / SECOND_US, bounds["first_step_mA"]
    rest_us = exact(loop["rest_s"]["value"]) * SECOND_US
    before_us, before_mA = LONG_AGO_US, Fraction(0)
    for pulse in own:
        t_us, current_mA = pulse["t_us"], current_of(pulse)
        ticks = t_us // period_us - before_us // period_us
        armed = max((at for at in armed_us if at <= t_us), default=LONG_AGO_US)
        if before_us < armed or t_us - before_us >= rest_us:
            allowed_mA = first_mA
        elif ticks:
            allowed_mA = max(before_mA + ticks * rise_mA, first_mA + (ticks - 1) * rise_mA)
        else:
            allowed_mA = before_mA
        if current_mA > allowed_mA:
            told.append(f"R20 at {t_us} us: {float(before_mA):g} to {float(current_mA):g} mA in {ticks} ticks")
        before_us, before_mA = t_us, current_mA
    return told


def between_channels(pulses: list[dict[str, Any]], gap_ms: Fraction) -> list[str]:
    """R26: from the end of a channel's pulse to the start of the other's."""
    told = []
    end_us: dict[Any, int] = {}
    for pulse in pulses:
        others = [end for channel, end in end_us.items() if channel != pulse["channel"]]
        if others and pulse["t_us"] - max(others) < gap_ms * 1000:
            told.append(f"R26 at {pulse['t_us']} us: {pulse['t_us'] - max(others)} us after the other channel")
        second_us = pulse.get("second_width_us", pulse["width_us"])
        end_us[pulse["channel"]] = pulse["t_us"] + pulse["width_us"] + pulse["gap_us"] + second_us
    return told


if __name__ == "__main__":
    broken = violations(Path(sys.argv[1]), Path(sys.argv[2]))
    print("\n".join(broken) or "no rule is broken")
    sys.exit(1 if broken else 0)
