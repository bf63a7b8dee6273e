"""A live session for a long time with random messages: its memory must stay flat.

    python -m benchmarks.soak --minutes 120 --factor 20 --out runs/soak

Prints resident memory of the loop's process and of the process that drives it, the slope of each over the second half,
and what was said meanwhile; leaves soak.json and soak.png. Exit 1 when a slope is above MOST_MB_PER_HOUR, a stop took
longer than MOST_STOP_MS, or the loop ended.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import time
from collections import Counter
from pathlib import Path
from typing import Any, Final

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from thenar.caution import SHORT
from thenar.live.session import LiveSession, Options, start
from thenar.scenarios.gallery import gallery_file
from thenar.scenarios.loader import load_scenario

MOST_MB_PER_HOUR: Final = 5.0
"""Far below what a leak of one message in each state report would make (own choice)."""
MOST_STOP_MS: Final = 20.0
_SAMPLE_EVERY_S: Final = 5.0
_SAY_EVERY_S: Final = 0.25
_POLL_EVERY_S: Final = 0.04


def main() -> int:
    """Run the soak. Returns 0 when memory was flat and every stop in time."""
    asked = argparse.ArgumentParser(description="A long live session with random messages; memory must stay flat.")
    asked.add_argument("--minutes", type=float, default=120.0)
    asked.add_argument("--factor", type=float, default=20.0)
    asked.add_argument("--scenario", default="bad-day")
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--out", type=Path, default=Path("runs/soak"))
    chosen = asked.parse_args()
    chosen.out.mkdir(parents=True, exist_ok=True)
    loaded = load_scenario(gallery_file(chosen.scenario))
    with start(loaded, Options(factor=chosen.factor, folder=chosen.out / "saved")) as session:
        soak = Soak(session, random.Random(chosen.seed))
        soak.go_on_for(60.0 * chosen.minutes)
    record = soak.record() | {"minutes": chosen.minutes, "factor": chosen.factor, "scenario": chosen.scenario}
    (chosen.out / "soak.json").write_text(json.dumps(record, indent=2), encoding="utf-8")
    _draw(soak, record, chosen.out / "soak.png")
    for key, value in record.items():
        print(f"{key}: {value}")
    return 0 if record["flat"] and record["stops_in_time"] and not record["ended"] else 1


class Soak:
    """One long session, driven at random."""

    def __init__(self, session: LiveSession, chance: random.Random) -> None:
        self._session, self._chance = session, chance
        self._about: dict[str, Any] = {}
        self._state: dict[str, Any] = {}
        self.heard: Counter[str] = Counter()
        self.said: Counter[str] = Counter()
        self.stops_ms: list[float] = []
        self.samples: list[tuple[float, float, float]] = []
        self.rows = self.rounds = self.simulated_us = 0
        self.ended = ""

    def go_on_for(self, seconds: float) -> None:
        """Poll, talk and sample for so long, s of wall clock."""
        begun_s = time.monotonic()
        say_at_s = sample_at_s = begun_s
        silent_until_s = 0.0
        while (now_s := time.monotonic()) < begun_s + seconds and not self.ended:
            if now_s >= silent_until_s:
                self._listen()
            if now_s >= say_at_s and self._about:
                say_at_s = now_s + _SAY_EVERY_S
                self._say()
                # Now and then a page that doesn't read for half a minute.
                silent_until_s = now_s + 30.0 if self._chance.random() < 0.001 else silent_until_s
            if now_s >= sample_at_s:
                sample_at_s = now_s + _SAMPLE_EVERY_S
                self.samples.append((now_s - begun_s, _resident_MB("self"), _resident_MB(str(self._session.loop_pid))))
            time.sleep(_POLL_EVERY_S)

    def record(self) -> dict[str, Any]:
        """The figures."""
        t_s, parent_MB, loop_MB = np.array(self.samples).T
        late = t_s >= t_s[-1] / 2
        slopes = {
            name: float(np.polyfit(t_s[late] / 3600.0, values[late], 1)[0])
            for name, values in (("parent", parent_MB), ("loop", loop_MB))
        }
        return {
            "parent_MB_first_last": [round(float(parent_MB[0]), 1), round(float(parent_MB[-1]), 1)],
            "loop_MB_first_last": [round(float(loop_MB[0]), 1), round(float(loop_MB[-1]), 1)],
            "loop_MB_most_in_second_half": round(float(loop_MB[late].max()), 1),
            "parent_MB_most_in_second_half": round(float(parent_MB[late].max()), 1),
            "slope_MB_per_hour_second_half": {name: round(slope, 3) for name, slope in slopes.items()},
            "flat": max(slopes.values()) <= MOST_MB_PER_HOUR,
            "rounds": self.rounds,
            "simulated_hours": round(self.simulated_us / 3.6e9, 3),
            "rows_read": self.rows,
            "rows_dropped": self._state.get("dropped_rows", 0),
            "messages_said": dict(self.said),
            "messages_heard": dict(self.heard),
            "stops": len(self.stops_ms),
            "slowest_stop_ms": max(self.stops_ms, default=0.0),
            "stops_in_time": max(self.stops_ms, default=0.0) < MOST_STOP_MS,
            "lateness_last": self._state.get("lateness", {}),
            "loop_runs": self._state.get("preferred", ""),
            "ended": self.ended,
        }

    def _listen(self) -> None:
        for said in self._session.poll():
            self.heard[said["is"]] += 1
            match said["is"]:
                case "about":
                    self._about = said
                case "state":
                    self._state = said
                case "round":
                    self.rounds += 1
                case "rows":
                    self.rows += len(said["columns"]["t_us"])
                    self.simulated_us += len(said["columns"]["t_us"]) * int(1e6 / self._about["trace_rate_Hz"])
                case "event" if said["kind"] == "stopped":
                    self.stops_ms.append(said["after_ms"])
                case "ended":
                    self.ended = said["why"]

    def _say(self) -> None:
        chance = self._chance
        word = chance.choices(
            ("set", "fault", "stop", "rearm", "restart", "next", "keep", "compare", "rubbish"),
            (60, 12, 4, 12, 0.3, 0.3, 2, 0.5, 5),
        )[0]
        message: dict[str, Any] = {"do": word}
        if word == "set":
            control = chance.choice(self._about["controls"])
            message |= {"key": control["key"], "value": chance.uniform(control["low"], control["high"])}
        elif word == "fault":
            fault = chance.choice(self._about["faults"])
            message |= {"kind": fault["kind"], **{field["name"]: field["value"] for field in fault["fields"]}}
        elif word == "rearm":
            message["cause"] = self._state.get("cause") or "R33"
        elif word == "rubbish":
            message = {"do": chance.choice(("set", "fault", "", "save")), "key": "x" * chance.randrange(500)}
        self.said[word] += 1
        self._session.send(message)


def _resident_MB(process: str) -> float:
    """Resident memory of a process, MB; NaN once it is gone."""
    try:
        lines = Path(f"/proc/{process}/status").read_text(encoding="ascii").splitlines()
    except OSError:
        return float("nan")
    return next((int(line.split()[1]) / 1024.0 for line in lines if line.startswith("VmRSS")), float("nan"))


def _draw(soak: Soak, record: dict[str, Any], file: Path) -> None:
    figure = Figure(figsize=(9, 4.5), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    t_s, parent_MB, loop_MB = np.array(soak.samples).T
    axes.plot(t_s / 60.0, loop_MB, color="black", label="the loop's process")
    axes.plot(t_s / 60.0, parent_MB, color="tab:blue", linestyle="--", label="the process that drives it")
    axes.set(
        xlabel="wall clock, min", ylabel="resident memory, MB", ylim=(0, 1.2 * max(loop_MB.max(), parent_MB.max()))
    )
    axes.set_title(
        f"Live session at {record['factor']:g}x for {record['minutes']:g} min: {record['simulated_hours']:g} simulated "
        f"hours, {sum(record['messages_said'].values())} random messages",
        fontsize=10,
    )
    axes.legend(loc="lower right")
    figure.supxlabel(SHORT, fontsize=6, wrap=True)
    figure.savefig(file, dpi=110)


if __name__ == "__main__":
    sys.exit(main())
