"""Kill commands at drawn instants, let them end, and hold what they leave to what an undisturbed one leaves.

`python -m tests.thenar.killed_anywhere KILLS [SEED] [warm | cold | both] [COMMAND ...]` goes round all commands, or
those named. Half of the kills (both, the default), or all of them, find an empty compile cache, each its own.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import secrets
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from tests.thenar.fit_wearer_trials import Part, recorded, wearer_of
from tests.thenar.muscle_recordings import drawn_muscle, drawn_noise, protocol_ms, simulated
from tests.thenar.small_runs import SMALL, write_scenario
from tests.waiting import LONG_S

SIX: Final = SMALL.replace(
    '[[wearers]]\nname = "first engraver"\n\n[[wearers]]\nname = "second engraver"\nmax_pinch_N = 70.0\n',
    '[wearer]\nname = "engraver"\n\n[population]\ncount = 6\n',
)
GAIN: Final = "law.settings.gain_mA_per_N"
COMMANDS: Final[dict[str, str]] = {
    "check": "check s.toml",
    "run": "run s.toml --out OUT --jobs 1",
    "run on two": "run s.toml --out OUT --jobs 2",
    "sweep": f"sweep s.toml --over {GAIN}=0.05:0.2:6 --out OUT --to OUT.csv --jobs 1",
    "tune": "tune s.toml --wearers 3 --held-out 3 --tries 6 --batch 3 --jobs 1 --at-most worse_share=1 --out OUT",
    "compare": "compare run --out OUT",
    "breakeven": "breakeven six.toml --levels 6 --trust none --over bias --no-map --repeats 1 --jobs 1 --out OUT",
    "plan": "plan six.toml --wearers 20 --trials 1,2 --simulations 1000 --jobs 1 --out OUT",
    "challenge": "challenge forearm-25cm2 --commands 10000 --jobs 1 --out OUT",
    "report": "report run --out OUT.html",
    "dossier": "dossier run --out OUT.html",
    "audit": "audit run --out OUT.json",
    "replay": "replay run",
    "margins": "margins s.toml --no-check --out OUT",
    "sensitivity": "sensitivity six.toml --over wearer.production.gain=0.7:1.4 "
    "--over estimator.noise_share=0.02:0.2:log --samples 4 --repeats 1 --jobs 1 --out OUT",
    "vectors": "vectors forearm-25cm2 --count 500 --out OUT.jsonl",
    "whatif": "whatif run --scenario s.toml --trial 1 --out OUT",
    "fit estimator": "fit estimator estimator.csv --to OUT.toml --picture OUT.png",
    "fit recruitment": "fit recruitment recruitment.csv --to OUT.toml --picture OUT.png",
    "fit muscle": "fit muscle muscle.csv --to OUT.toml --picture OUT.png",
    "fit wearer": "fit wearer wearer.csv --to OUT.toml --picture OUT.png",
    "template": "template session --to OUT.csv",
    "schema": "schema --out OUT.json",
    "evidence": "evidence OUT",
}  # fmt: skip
"""Command lines; OUT is where they leave what they make. Each begins with the words of a command."""
LEAVES_NOTHING: Final = {"laws", "limits", "pace"}
"""Commands that only print."""
UNTIL_STOPPED: Final = {"bench"}
"""Commands that end when they are told to; `tests/thenar/test_live*.py` kill these."""
PLACES: Final = {"--out", "--to", "--picture"}
"""Options that name what a command writes."""
RESUMED: Final = {"sweep", "tune"}
"""Commands that go on from what a killed one left under the name of OUT itself."""
RENEWING: Final = {"evidence"}
"""Commands that renew what another one made: files as they were are as right as new ones."""
VOLATILE: Final = (".sqlite", "lock", ".log", "journal", "-wal", "-shm")


def write_recordings(folder: Path) -> None:
    """A recording of each kind, of made-up people and short: what comes of them doesn't matter here."""
    rng = np.random.default_rng(5)
    t_s = np.arange(0.0, 90.0, 0.02)
    force_N = 8.0 + 6.0 * np.sin(t_s / 2.0)
    estimate_N = 0.9 * np.interp(t_s - 0.1, t_s, force_N) + rng.normal(0.0, 0.2, t_s.size)
    write_table(folder / "estimator.csv", t_s=t_s, force_N=force_N, estimate_N=estimate_N)
    current_mA = np.repeat(np.arange(3.0, 18.0, 1.0), 4)
    evoked_N = 9.0 / (1.0 + np.exp(9.0 - current_mA)) + rng.normal(0.0, 0.1, current_mA.size)
    write_table(
        folder / "recruitment.csv", current_mA=current_mA, width_us=np.full(current_mA.size, 250.0), force_N=evoked_N
    )
    pulses_ms = protocol_ms(twitches=3, trains=4, probes=False)
    muscle = simulated(drawn_muscle(rng), drawn_noise(rng, 30.0), rng, pulses_ms, 100.0)
    write_table(folder / "muscle.csv", **muscle.columns)
    parts = [Part(target_N, 10.0, shown) for target_N in (5.0, 15.0) for shown in (True, False)]
    write_table(folder / "wearer.csv", **recorded(wearer_of({}, 80.0), parts, 11).columns)


def write_table(file: Path, **columns: NDArray[np.float64]) -> None:
    """A CSV of these columns; a cell without a number is empty."""
    rows = (
        ",".join("" if np.isnan(cell) else f"{cell:.9g}" for cell in row) for row in zip(*columns.values(), strict=True)
    )
    file.write_text("\n".join([",".join(columns), *rows, ""]), encoding="utf-8")


class Whole(NamedTuple):
    """An undisturbed command: how long it takes, s, and its files by name, `b""` where two of them differ."""

    took_s: float
    files: dict[str, bytes]


class Bench:
    """A folder with all that the commands need."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.wholes: dict[str, Whole] = {}
        self.colds_s: dict[str, float] = {}
        write_scenario(folder, SMALL, "s.toml")
        write_scenario(folder, f"{SIX}\n[study]\n", "six.toml")
        write_recordings(folder)
        self.finish("run six.toml --out run --jobs 1")

    def start(self, line: str, **more: str) -> subprocess.Popen[str]:
        """A command that begins, in a process group of its own."""
        return subprocess.Popen(
            [sys.executable, "-m", "thenar", *line.split()], cwd=self.folder, env=os.environ | more,
            stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, start_new_session=True,
        )  # fmt: skip

    def finish(self, line: str, **more: str) -> float:
        """Let a command end; how long that took, s."""
        begun = time.monotonic()
        process = self.start(line, **more)
        _, told = process.communicate(timeout=LONG_S * 4)
        done = process.returncode in {0, 1, 3} or "a tuning that is finished" in told
        assert done, f"{line}: {process.returncode} {told}"
        assert "Traceback (most recent" not in told, told
        return time.monotonic() - begun

    def left(self, name: str) -> dict[str, bytes]:
        """What stands under `name` or begins with it: bytes by path below the bench's folder."""
        found: dict[str, bytes] = {}
        for top in sorted(self.folder.glob(f"{name}*")):
            for file in [top] if top.is_file() else sorted(path for path in top.rglob("*") if path.is_file()):
                found[str(file.relative_to(self.folder)).removeprefix(name)] = file.read_bytes()
        return found

    def whole(self, command: str) -> Whole:
        """What an undisturbed command leaves."""
        if command not in self.wholes:
            left = []
            for _ in range(2):  # the first one compiles and loads what isn't yet
                took_s = self.finish(self.lay_out(command))
                left.append(self.left("out"))
                self.remove("out")
            files = {name: content if content == left[0].get(name) else b"" for name, content in left[1].items()}
            self.wholes[command] = Whole(took_s, files)
        return self.wholes[command]

    def cold_s(self, command: str) -> float:
        """How long an undisturbed command takes with an empty compile cache, s; what it leaves must be the same."""
        if command not in self.colds_s:
            whole = self.whole(command).files
            with tempfile.TemporaryDirectory() as cache:
                self.colds_s[command] = self.finish(self.lay_out(command), THENAR_CACHE_DIR=cache)
            unlike = unlike_whole(self.left("out"), whole, command, complete=True)
            self.remove("out")
            assert not unlike, unlike
        return self.colds_s[command]

    def lay_out(self, command: str) -> str:
        """Put in place what a command that renews a folder finds there. Gives the command's line."""
        if command == "evidence":
            if not (self.folder / "challenged").exists():
                self.finish(COMMANDS["challenge"].replace("OUT", "challenged"))
            shutil.copytree(self.folder / "challenged", self.folder / "out")
        return COMMANDS[command].replace("OUT", "out")

    def remove(self, name: str) -> None:
        """Take away what stands under `name` or begins with it."""
        for top in [*self.folder.glob(f"{name}*"), *self.folder.glob(f".{name}*")]:
            shutil.rmtree(top) if top.is_dir() else top.unlink()


def killed(bench: Bench, kills: Iterator[tuple[str, bool]], seed: int) -> list[str]:
    """Kill commands (each with whether its compile cache is empty) at instants drawn from `seed` over their duration.

    Gives what was wrong, a line each.
    """
    draws, wrong, reached = random.Random(seed), list[str](), Counter[str]()
    for number, (command, cold) in enumerate(kills):
        took_s, whole = bench.whole(command)
        took_s = bench.cold_s(command) if cold else took_s
        with tempfile.TemporaryDirectory() as cache:
            more = {"THENAR_CACHE_DIR": cache} if cold else {}
            line = bench.lay_out(command)
            before = bench.left("out")
            instant_s = draws.uniform(0.0, took_s)
            process = bench.start(line, **more)
            try:
                process.wait(instant_s)
            except subprocess.TimeoutExpired:
                process.send_signal(signal.SIGKILL)
            process.communicate(timeout=LONG_S)
            way = "cold" if cold else "warm"
            reached[f"{way}, {'killed' if process.returncode == -signal.SIGKILL else 'had ended'}"] += 1
            where = f"{number}: {command}, {way}, killed after {instant_s:.2f} s of {took_s:.2f} s"
            changed = {path: content for path, content in bench.left("out").items() if content != before.get(path)}
            half = unlike_whole(changed, whole, command)
            if not half:
                finished = {path for path in bench.left("out") if final(path)}
                if not finished or command in RESUMED | RENEWING:
                    bench.finish(line, **more)
                half = unlike_whole(bench.left("out"), whole, command, complete=True)
            wrong += [f"seed {seed}, kill {where}: {what}" for what in half]
            print(where, "WRONG" if half else "", flush=True)
            bench.remove("out")
    print(f"seed {seed}: {dict(sorted(reached.items()))}; wrong: {len(wrong)}")
    return wrong


def in_turn(commands: Sequence[str], kills: int, caches: str) -> Iterator[tuple[str, bool]]:
    """`kills` of the commands in turn; `caches`: warm, cold, or both, the first half of the kills being warm."""
    warm = {"warm": kills, "cold": 0, "both": kills - kills // 2}[caches]
    for number in range(kills):
        cold = number >= warm
        yield commands[(number - warm if cold else number) % len(commands)], cold


def written_by(of: argparse.ArgumentParser) -> dict[str, set[str]]:
    """Every command of the command line, and its options that name what it writes."""
    found: dict[str, set[str]] = {}
    for action in of._actions:
        if isinstance(action, argparse._SubParsersAction):
            for name, below in action.choices.items():
                inner = written_by(below)
                options = {word for one in below._actions for word in one.option_strings} & PLACES
                found |= {f"{name} {more}": words for more, words in inner.items()} or {name: options}
    return found


def final(path: str) -> bool:
    """Whether a path stands for something finished, not for what is on its way (.unfinished-..., .part)."""
    return ".unfinished-" not in path and ".part" not in path


def unlike_whole(left: dict[str, bytes], whole: dict[str, bytes], command: str, *, complete: bool = False) -> list[str]:
    """What is wrong with files under final names: others than an undisturbed command leaves, or others inside."""
    wrong = []
    there = {path: content for path, content in left.items() if final(path)}
    for path, content in there.items():
        if path.endswith(VOLATILE) or any(part in path for part in VOLATILE):
            continue
        if path not in whole:
            if command not in RESUMED:
                wrong.append(f"{path}: a file that an undisturbed command doesn't leave")
        elif whole[path] and content != whole[path]:
            wrong.append(f"{path}: {len(content)} bytes unlike the {len(whole[path])} of an undisturbed command")
        elif not whole[path] and path.endswith(".json"):
            wrong += _no_json(path, content)
    if complete or (there and command not in RESUMED | RENEWING):
        missing = {path for path in whole if not any(part in path for part in VOLATILE)} - set(there)
        wrong += [f"{path}: missing" for path in sorted(missing)]
    return wrong


def _no_json(path: str, content: bytes) -> list[str]:
    try:
        found: Any = json.loads(content)
    except ValueError:
        return [f"{path}: no whole JSON"]
    return [] if found else [f"{path}: empty"]


def main(words: Sequence[str]) -> int:
    """Kill; returns 1 when something was wrong."""
    kills = int(words[0])
    seed = int(words[1]) if len(words) > 1 else secrets.randbits(32)
    names = [name for name in COMMANDS if not words[3:] or name in words[3:]]
    print(f"seed {seed}", flush=True)
    with tempfile.TemporaryDirectory() as folder:
        wrong = killed(Bench(Path(folder)), in_turn(names, kills, words[2] if len(words) > 2 else "both"), seed)
    print("\n".join(wrong))
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
