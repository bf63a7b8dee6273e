"""The command `thenar`: what it accepts, and the one guard around everything it does.

Nothing heavy is imported here: each command's module is imported when the command runs.
"""

from __future__ import annotations

import argparse
import importlib
import os
import sys
from collections.abc import Callable, Sequence
from typing import Final

from thenar.caution import SHORT
from thenar.cli.arguments import (
    decisions,
    factor,
    level_N,
    many,
    milliamperes,
    period_ms,
    positive,
    several_wearers,
    tries,
    wearers,
    whole,
)
from thenar.cli.interrupts import leave, never_lost
from thenar.cli.parser_bench import for_bench
from thenar.cli.parser_breakeven import for_breakeven
from thenar.cli.parser_compare import for_compare
from thenar.cli.parser_dossier import for_dossier
from thenar.cli.parser_pace import for_pace
from thenar.cli.parser_plan import for_plan
from thenar.cli.parser_report import for_report
from thenar.cli.recordings import for_recordings
from thenar.cli.standard_streams import let_go, prepare_streams, refuse_unprintable, speak_utf8

USAGE_ERROR: Final = 2
INPUT_OUTPUT_FAULT: Final = 74
INTERNAL_FAULT: Final = 70
INTERRUPTED: Final = 130
COMMANDS: Final = (
    "audit",
    "bench",
    "breakeven",
    "challenge",
    "check",
    "compare",
    "dossier",
    "evidence",
    "fit",
    "laws",
    "limits",
    "margins",
    "pace",
    "plan",
    "replay",
    "report",
    "run",
    "schema",
    "sensitivity",
    "sweep",
    "template",
    "tune",
    "vectors",
    "whatif",
)
RUN_LAWS: Final = (
    "bench", "breakeven", "margins", "pace", "plan", "replay", "run", "sensitivity", "sweep", "tune", "whatif",
)  # fmt: skip
"""Commands that run a law over trials, which may be one of the user's own."""
FILE_HELP: Final = "a scenario file, or the name of a shipped one (`thenar check --list` names them)"


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command. `arguments`: without the program's name; those of this process when None.

    Returns the exit code: 0 done, 1 a replay differs or an audit fails, 2 bad input, 3 an audit can't judge, 70 a fault
    in thenar or a worker that died, 74 the system refused to read or write, 130 interrupted; the same whether or not
    anyone reads what it prints. Never raises but SystemExit, and prints a traceback only with THENAR_DEBUG=1.
    """
    if arguments is None:
        speak_utf8()
        prepare_streams()
    code = _code_of(list(sys.argv[1:] if arguments is None else arguments))
    if arguments is None:
        code = _last_words(code)
        leave(interrupted=code == INTERRUPTED)
    return code


def _last_words(code: int) -> int:
    """Hand over what is still waiting to be printed. Gives the exit code: another one where the system refuses it."""
    try:
        sys.stdout.flush()
    except OSError as error:
        print(f"the system refused: standard output: {error.strerror or error}", file=sys.stderr)
        let_go(sys.stdout)
        return code or INPUT_OUTPUT_FAULT
    return code


def _code_of(given: list[str]) -> int:
    chosen = parser().parse_args(given)
    try:
        refuse_unprintable(given)
        with never_lost():
            code: int = importlib.import_module(f"thenar.cli.{chosen.command}").command(chosen)
    except KeyboardInterrupt:
        print("interrupted: nothing was left half-written", file=sys.stderr)
        return INTERRUPTED
    except Exception as error:
        if os.environ.get("THENAR_DEBUG") == "1":
            raise
        return _told(error, as_json=chosen.json)
    return code


def _told(error: Exception, as_json: bool) -> int:
    """Say on stderr what went wrong (as JSON on stdout too when asked for) and give the exit code."""
    from thenar.lost_worker import LostWorkerError
    from thenar.shared.errors import InputError

    if isinstance(error, InputError):
        print(error, file=sys.stderr)
        if as_json:
            import json

            print(json.dumps({"problems": [problem._asdict() for problem in error.problems]}, indent=2))
        return USAGE_ERROR
    if isinstance(error, LostWorkerError):
        print(f"the run stopped: {error}", file=sys.stderr)
        return INTERNAL_FAULT
    if isinstance(error, OSError):
        where = f"{error.filename}: " if error.filename else ""
        print(f"the system refused: {where}{error.strerror or error}", file=sys.stderr)
        return INPUT_OUTPUT_FAULT
    print(
        f"internal fault, {type(error).__name__}: {error}\n"
        "This is a fault in thenar, not in your input. Please report it with the command, the scenario file and "
        "the output of THENAR_DEBUG=1.",
        file=sys.stderr,
    )
    return INTERNAL_FAULT


def parser() -> argparse.ArgumentParser:
    """The parser of the whole command line."""
    machine = argparse.ArgumentParser(add_help=False)
    machine.add_argument("--json", action="store_true", default=argparse.SUPPRESS, help="print results as JSON")
    top = argparse.ArgumentParser(
        prog="thenar",
        description="A test bench in software for closed-loop electrical muscle stimulation that assists pinch force.",
        epilog=SHORT,
        allow_abbrev=False,
    )
    top.add_argument("--version", action=_Version)
    top.add_argument("--json", action="store_true", help="print results as JSON, for machines")
    commands = top.add_subparsers(dest="command", required=True, metavar="COMMAND")

    def add(name: str, line: str) -> argparse.ArgumentParser:
        command = commands.add_parser(
            name, help=line, description=line, epilog=SHORT, parents=[machine], allow_abbrev=False
        )
        if name in RUN_LAWS:
            command.add_argument(
                "--trust-law", action="store_true",
                help="run a law of your own inside this process: faster, and nothing keeps it from the interlock",
            )  # fmt: skip
        return command

    check = add("check", "say what a scenario file would run, or what is wrong with it (rehearses a law file it names)")
    check.add_argument("files", nargs="*", metavar="FILE", help=FILE_HELP)
    check.add_argument("--list", action="store_true", help="name the shipped scenarios")
    check.add_argument(
        "--no-rehearsal",
        action="store_true",
        help="don't simulate: neither a study's charge and on-time, nor a law of your own",
    )
    run = add("run", "run a scenario and leave a folder with its tables, summary and pictures")
    run.add_argument("file", metavar="FILE", help=FILE_HELP)
    run.add_argument("--out", metavar="DIR", help="folder to make (default: the next free runs/NAME-N)")
    run.add_argument("--seed", type=whole, metavar="N", help="seed in place of the scenario's own")
    run.add_argument("--jobs", type=positive, metavar="N", help="processes to use (default: one per core)")
    run.add_argument("--sign", metavar="KEY", help="sign the folder with this private key (Ed25519)")
    replay = add("replay", "run a finished folder again and compare all that it holds (exit 1 when something differs)")
    replay.add_argument("folder", metavar="DIR", help="a folder that `thenar run` has finished")
    replay.add_argument(
        "--run-law",
        action="store_true",
        help="run a law that lies in the folder as a Python file: a program, so read it",
    )
    replay.add_argument("--jobs", type=positive, metavar="N", help="processes to use (default: one per core)")
    _for_margins(add)
    _for_sweeps(add)
    _for_tuning(add)
    for_recordings(add)
    for_pace(add)
    for_bench(add)
    for_plan(add)
    for_breakeven(add)
    for_compare(add)
    for_dossier(add)
    for_report(add)
    _for_reviewers(add)
    add("laws", "list the control laws and their settings")
    schema = add("schema", "print the JSON Schema of scenario files, for editors")
    schema.add_argument("--out", metavar="FILE", help="write it to a file")
    return top


def _for_margins(add: Callable[[str, str], argparse.ArgumentParser]) -> None:
    """The command that reckons margins."""
    margins = add(
        "margins", "gain, phase and delay margins of the loop for every wearer (exit 1 when simulation differs)"
    )
    margins.add_argument("file", metavar="FILE", help=FILE_HELP)
    margins.add_argument(
        "--level", type=level_N, metavar="N", help="force to linearise about, N (default: median of the target)"
    )
    margins.add_argument("--wearers", type=wearers, metavar="N", help="how many wearers to draw from the population")
    margins.add_argument("--seed", type=whole, metavar="N", help="seed in place of the scenario's own")
    margins.add_argument("--jobs", type=positive, metavar="N", help="processes to use (default: one per core)")
    margins.add_argument("--no-check", action="store_true", help="leave out the simulation at 0.9 and 1.1 of the gain")
    margins.add_argument("--out", metavar="DIR", help="folder to leave the picture and the table of wearers in")


def _for_sweeps(add: Callable[[str, str], argparse.ArgumentParser]) -> None:
    """The command that runs many settings."""
    sweep = add("sweep", "run a scenario in many settings; killed and started again, it goes on where it was")
    sweep.add_argument("file", metavar="FILE", help=FILE_HELP)
    sweep.add_argument(
        "--over",
        action="append",
        required=True,
        metavar="KEY=VALUES",
        help="a key to sweep, as often as needed: KEY=LOW:HIGH:N, KEY=LOW:HIGH:N:log (steps are ratios), KEY=A,B,C; "
        "where settings are drawn KEY=LOW:HIGH, KEY=LOW:HIGH:log. Example: law.settings.deadband_N=0.2:1.0:5",
    )
    sweep.add_argument(
        "--design",
        choices=("grid", "sobol", "latin-hypercube"),
        default="grid",
        help="every combination, or settings drawn from the seed (default: grid)",
    )
    sweep.add_argument(
        "--samples", type=whole, metavar="N", help="settings to draw (a power of two fills best with sobol)"
    )
    sweep.add_argument(
        "--out", metavar="DIR", help="folder to make, or to go on in (default: runs/NAME-sweep-FINGERPRINT)"
    )
    sweep.add_argument("--to", metavar="FILE", help="write the tidy table of all trials to FILE.parquet or FILE.csv")
    sweep.add_argument("--seed", type=whole, metavar="N", help="seed in place of the scenario's own")
    sweep.add_argument("--jobs", type=positive, metavar="N", help="cores to use (default: all)")
    sweep.add_argument(
        "--on",
        metavar="HOST:PORT",
        help="hand the trials to a Dask scheduler that you trust (needs the extra thenar[cluster])",
    )


def _for_tuning(add: Callable[[str, str], argparse.ArgumentParser]) -> None:
    """The commands that find a law's settings, and what a result hangs on."""
    over = "a key and its range, KEY=LOW:HIGH or KEY=LOW:HIGH:log; give it once per key"
    tune = add("tune", "find the law's settings that help most under stated bounds, checked on wearers it never saw")
    tune.add_argument("file", metavar="FILE", help=FILE_HELP)
    tune.add_argument("--over", action="append", metavar="RANGE", help=f"{over} (default: the law's gain and deadband)")
    tune.add_argument(
        "--objective", action="append", metavar="MEASURE",
        help="what to better, as mean_abs_error_N:p90; :mean, :p90 or :worst wearer; several give the tries that no "
        "other beats (default: mean_abs_error_N:p90)",
    )  # fmt: skip
    tune.add_argument(
        "--at-most", action="append", dest="at_most", metavar="NAME=VALUE",
        help="a bound: worse_share (share of wearers made worse than unassisted; 0.1 unless given), or a measure as "
        "interventions_per_min or charge_uC_per_min:worst (default over wearers: mean)",
    )  # fmt: skip
    tune.add_argument(
        "--margin-floor", dest="margin_floor", type=factor, metavar="FACTOR",
        help="the least gain margin that the worst wearer may have (a factor above 1)",
    )  # fmt: skip
    tune.add_argument("--tries", type=tries, default=64, metavar="N", help="settings to try (default: 64)")
    tune.add_argument("--batch", type=positive, default=8, metavar="N", help="tries asked together (default: 8)")
    tune.add_argument(
        "--wearers",
        type=several_wearers,
        metavar="N",
        help="drawn wearers to tune on (default: 48, or the scenario's own count if larger)",
    )
    tune.add_argument(
        "--held-out",
        dest="held_out",
        type=several_wearers,
        metavar="N",
        help="others to check on (default: four times as many)",
    )
    tune.add_argument("--repeats", type=positive, metavar="N", help="trials per wearer (default: the scenario's)")
    tune.add_argument(
        "--sampler", metavar="NAME", help="tpe, nsga2, quasi-random or random (default: tpe, several objectives nsga2)"
    )
    _seed_jobs_out(tune, "folder to make, or to go on in (default: the next free runs/NAME-tune-N)")
    sensitivity = add("sensitivity", "show which wearer and estimator parameters a result hangs on")
    sensitivity.add_argument("file", metavar="FILE", help=FILE_HELP)
    sensitivity.add_argument(
        "--over", action="append", metavar="RANGE", help=f"{over} (default: those of wearer and sensor that act)"
    )
    sensitivity.add_argument(
        "--method", choices=("sobol", "morris"), default="sobol",
        help="sobol: shares of the variance; morris: sizes of steps, in far fewer trials (default: sobol)",
    )  # fmt: skip
    sensitivity.add_argument(
        "--samples", type=tries, metavar="N", help="a power of two for sobol (default: 64), paths for morris (20)"
    )
    sensitivity.add_argument(
        "--measure", default="mean_abs_error_N", metavar="NAME", help="what must hang on them (default: the error)"
    )
    sensitivity.add_argument(
        "--repeats", type=positive, default=4, metavar="N", help="trials per sample, averaged (default: 4)"
    )
    _seed_jobs_out(sensitivity, "folder to make (default: the next free runs/NAME-sensitivity-N)")


def _seed_jobs_out(command: argparse.ArgumentParser, out: str) -> None:
    command.add_argument("--seed", type=whole, metavar="N", help="seed in place of the scenario's own")
    command.add_argument("--jobs", type=positive, metavar="N", help="cores to use (default: all)")
    command.add_argument("--out", metavar="DIR", help=out)


def _for_reviewers(add: Callable[[str, str], argparse.ArgumentParser]) -> None:
    """The commands of a safety reviewer."""
    limits = add("limits", "print every limit of a profile, which bounds can bind, and figures into three test loads")
    limits.add_argument(
        "profile", nargs="?", metavar="PROFILE", help="a shipped limit profile or a TOML file (left out: names them)"
    )
    audit = add(
        "audit", "judge what left the loop, by separate code (exit 1 when a rule fails, 3 when it can't judge one)"
    )
    audit.add_argument("log", nargs="?", metavar="LOG", help="a run folder, or a CSV or Parquet file of pulses")
    audit.add_argument("--decisions", metavar="FILE", help="the decision log that belongs to a file of pulses")
    audit.add_argument("--limits", metavar="PROFILE", help="limit profile (default: the run folder's own)")
    audit.add_argument(
        "--ceilings-mA", dest="ceilings_mA", nargs=2, type=milliamperes, metavar=("AG", "AN"),
        help="this person's comfort ceilings, agonist and antagonist, where none are on record",
    )  # fmt: skip
    audit.add_argument(
        "--control-period-ms", dest="control_period_ms", type=period_ms, metavar="MS",
        help="time between control ticks, where it is not on record (default: 20)",
    )  # fmt: skip
    audit.add_argument(
        "--accept-unjudged", action="store_true", help="exit 0 where nothing failed, though some rules can't be judged"
    )
    audit.add_argument("--replay", action="store_true", help="also run the folder's inputs again; exit 1 if it differs")
    audit.add_argument("--run-law", action="store_true", help="with --replay: run a law that lies in the folder, too")
    audit.add_argument("--out", metavar="FILE", help="write the verdicts to a JSON file as well")
    audit.add_argument("--verify", metavar="KEY", help="refuse a run folder that this public key hasn't signed")
    audit.add_argument(
        "--self-test", action="store_true", help="plant faults, one per requirement; exit 1 if one is missed"
    )
    challenge = add("challenge", "attack the interlock, and show that the loss of any check would be noticed")
    challenge.add_argument("profile", metavar="PROFILE", help="a shipped limit profile, or a TOML file")
    challenge.add_argument(
        "--commands",
        type=decisions,
        default=200_000,
        metavar="N",
        help="how many decisions to attack (default: 200000)",
    )
    challenge.add_argument(
        "--seed", type=whole, default=1, metavar="N", help="every attack follows from it (default: 1)"
    )
    challenge.add_argument("--jobs", type=positive, metavar="N", help="processes to use (default: one per core)")
    challenge.add_argument("--out", metavar="DIR", help="folder to leave evidence and counterexamples in")
    evidence = add("evidence", "renew the evidence page of a challenge with what else has been run")
    evidence.add_argument("folder", metavar="DIR", help="a folder that `thenar challenge PROFILE --out` has made")
    evidence.add_argument("--tests", nargs="+", metavar="FILE", help="test results: JUnit files of pytest (--junitxml)")
    evidence.add_argument("--proofs", metavar="FILE", help="proofs: a JSON list with id, property and result")
    evidence.add_argument("--mutation", metavar="FILE", help="mutation counts: a JSON object with files")
    evidence.add_argument("--vectors", metavar="FILE", help="vector counts: a JSON object with count and by_rule")
    vectors = add(
        "vectors", "write exact answers of the interlock, for firmware to be held to (exit 1 when one differs)"
    )
    vectors.add_argument("profile", nargs="?", metavar="PROFILE", help="a shipped limit profile or a TOML file")
    vectors.add_argument("--out", metavar="FILE", help="file to write (JSON Lines)")
    vectors.add_argument("--count", type=many, default=20_000, metavar="N", help="vectors to write (default: 20000)")
    vectors.add_argument("--seed", type=whole, default=0, metavar="N", help="seed of the drawn ones (default: 0)")
    vectors.add_argument("--control", action="store_true", help="make every vector wrong: a runner must refuse each")
    vectors.add_argument("--verify", metavar="FILE", help="hold this interlock to a file instead")
    vectors.add_argument("--schema", action="store_true", help="print the JSON Schema of a line instead")


class _Version(argparse.Action):
    """Prints the version; reading it is left until it is asked for."""

    def __init__(self, option_strings: Sequence[str], dest: str) -> None:
        super().__init__(option_strings, dest, nargs=0, help="print the version")

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        import thenar

        print(f"thenar {thenar.__version__}")
        parser.exit()
