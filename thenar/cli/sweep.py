"""`thenar sweep FILE --over KEY=LOW:HIGH:N`: a scenario in many settings, a line per setting, resumable."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Final

from thenar.caution import SHORT
from thenar.cli import INTERRUPTED
from thenar.cli.interrupts import never_lost
from thenar.cli.scenario_file import load_typed
from thenar.cli.show import Table, note_slow_laws, number, progress, show_json, show_table
from thenar.report.folder import FILES, plain, seal_folder
from thenar.report.sweep_summary import SettingLine, best_first
from thenar.report.sweep_table import check_target
from thenar.scenarios.loader import LoadedScenario
from thenar.shared.compiled import compiled_before
from thenar.shared.errors import InputError, Problem
from thenar.study.sweep import Asked, Engine, Sweep, SweepFolder, local_engine
from thenar.study.sweep_results import PICTURE, SUMMARY, SweepResults, export, keys_of, results_of, write_whole
from thenar.workers import cores

RUNS: Final = Path("runs")
MANY: Final = 16
SHOWN_OF_MANY: Final = 10


def command(chosen: argparse.Namespace) -> int:
    """Run what is left of a sweep and show its table. Returns 0, or 130 when interrupted."""
    to = Path(chosen.to) if chosen.to else None
    if to is not None:
        check_target(to)
    if chosen.on is not None:
        _check_on(chosen)
    loaded = load_typed(chosen.file, chosen.trust_law)
    sweep = _checked(chosen, loaded)
    out = Path(chosen.out) if chosen.out else RUNS / f"{loaded.path.stem}-sweep-{sweep.fingerprint()}"
    total = sweep.plan.trials
    try:
        with never_lost(), _engine_for(chosen) as engine_for, SweepFolder(sweep, out) as folder:
            _run(folder, total, chosen, engine_for)
            results = results_of(folder)
            record = _record(folder, results)
            text = json.dumps(plain(record), indent=2, allow_nan=False) + "\n"
            (out / FILES).unlink(missing_ok=True)
            write_whole(out / SUMMARY, lambda part: part.write_text(text, encoding="utf-8", newline="\n"))
            _draw(folder, results)
            seal_folder(out, "sweep", (SUMMARY, PICTURE))
            if to is not None:
                export(folder, results.acted, to)
    except KeyboardInterrupt:
        print(
            f"interrupted: what had ended is in {out}. The same command with --out {out} goes on from there",
            file=sys.stderr,
        )
        return INTERRUPTED
    if chosen.json:
        show_json(record)
    else:
        _tell(folder, results, total, to)
    return 0


def _checked(chosen: argparse.Namespace, loaded: LoadedScenario) -> Sweep:
    asked = Asked(tuple(chosen.over), chosen.design, chosen.samples, chosen.seed)
    with ExitStack() as shown:
        return Sweep(
            loaded,
            asked,
            lambda count: shown.enter_context(progress(count, "checking settings", quiet=chosen.json)),
        )


def _check_on(chosen: argparse.Namespace) -> None:
    from thenar.study.cluster import check_address

    check_address(chosen.on)
    if chosen.jobs is not None:
        allowed = "none beside --on: the threads of the workers count there"
        raise InputError([Problem("--jobs", "", str(chosen.jobs), allowed)])


@contextmanager
def _engine_for(chosen: argparse.Namespace) -> Iterator[Callable[[int], Engine]]:
    """What gives the engine for a number of trials. Another machine's is connected and compared before a folder is."""
    if chosen.on is None:
        yield lambda _: local_engine(chosen.jobs or cores())
        return
    from thenar.study.cluster import Cluster

    with Cluster(chosen.on) as cluster:
        if sys.stderr.isatty() and not chosen.json:
            workers, threads = len(cluster.workers), sum(cluster.workers.values())
            print(
                f"{chosen.on}: {workers} worker{'' if workers == 1 else 's'}, {threads} thread"
                f"{'' if threads == 1 else 's'}; each worker compiles the models first, once (up to a minute)",
                file=sys.stderr,
            )
        yield cluster.engine


def _run(folder: SweepFolder, total: int, chosen: argparse.Namespace, engine_for: Callable[[int], Engine]) -> None:
    before = folder.finished
    if before:
        rest = "nothing is left to run" if before == total else f"going on with the other {total - before}"
        print(f"{folder.path}: {before} of {total} trials were there, {rest}", file=sys.stderr)
    if before == total:
        return
    if chosen.on is None and sys.stderr.isatty() and not chosen.json and not compiled_before():
        print("note: the models are compiled first, once (up to a minute)", file=sys.stderr)
    note_slow_laws(folder.first_trials())
    with progress(total - before, "sweeping", quiet=chosen.json) as advance:
        folder.run(engine_for(total - before), advance)


def _draw(folder: SweepFolder, results: SweepResults) -> None:
    from thenar.report.ink import Loosened
    from thenar.report.sweep_picture import SweepDrawing, sweep_picture

    sweep = folder.sweep
    profiles = sweep.plan.profiles()
    loosened = Loosened(
        " and ".join(sorted({profile.based_on for profile in profiles if profile.based_on})),
        list(dict.fromkeys(found for profile in profiles for found in profile.deviations())),
    )
    drawn = SweepDrawing(
        title=sweep.loaded.scenario.title,
        keys=keys_of(folder),
        log=tuple(axis.log for axis in sweep.axes),
        grid=sweep.design == "grid",
        lines=results.lines,
        loosened=loosened,
    )
    write_whole(folder.path / PICTURE, lambda part: sweep_picture(part, drawn))


def _tell(folder: SweepFolder, results: SweepResults, total: int, to: Path | None) -> None:
    sweep = folder.sweep
    settings = len(results.lines)
    print(
        f"{sweep.loaded.scenario.title}: {settings} setting{'' if settings == 1 else 's'} ({sweep.design}), "
        f"{total} trial{'' if total == 1 else 's'}, seed {sweep.seed}"
    )
    for profile in sweep.plan.profiles():
        for found in profile.deviations():
            print(f"deviates from {profile.based_on}: {found}")
    silent = sum(line.silent_trials for line in results.lines)
    if silent:
        stimulated = sum(line.trials for line in results.lines)
        print(
            f"NO PULSE LEFT in {silent} of {stimulated} stimulated trials: the interlock refused to arm, or the law "
            "asked for nothing (`thenar run` of one setting says which)"
        )
    show_table(settings_table(keys_of(folder), results.lines))
    if settings > MANY:
        print(f"the best {SHOWN_OF_MANY} of {settings} settings; all of them: {folder.path / SUMMARY}")
    print(f"\nfolder: {folder.path}\npicture: {folder.path / PICTURE}")
    if to is not None:
        print(f"table: {to}")
    print(SHORT)


def settings_table(keys: tuple[str, ...], lines: list[SettingLine]) -> Table:
    """The table of settings: all of a few in the order of the design, the best of many by 90th percentile."""
    shown = lines if len(lines) <= MANY else best_first(lines)[:SHOWN_OF_MANY]
    names = [key.rpartition(".")[2] for key in keys]
    names = names if len(set(names)) == len(names) else list(keys)
    headers = (
        "setting", *names, "wearers", "mean abs.\nerror, N", "90th perc.\nof wearers", "unassisted\n90th, N",
        "worse than\nunassisted, %", "trips\nper trial", "rules acted\nrows/min",
    )  # fmt: skip
    rows = [
        (
            str(line.setting),
            *(f"{value:.6g}" if isinstance(value, float) else str(value) for value in line.values),
            str(line.wearers),
            number(line.mean_N, 3),
            number(line.p90_N, 3),
            number(line.unassisted_p90_N, 3),
            number(100.0 * line.worse_share, 0),
            number(line.trips_per_trial),
            number(line.interventions_per_min, 1),
        )
        for line in shown
    ]
    title = f"Settings, {lines[0].condition}: mean absolute error, over wearers"
    return Table(title, headers, rows, frozenset({0, *range(1 + len(keys), len(headers))}), droppable=2)


def _record(folder: SweepFolder, results: SweepResults) -> dict[str, object]:
    sweep = folder.sweep
    keys = keys_of(folder)
    return {
        "title": sweep.loaded.scenario.title,
        "folder": str(folder.path),
        "picture": str(folder.path / PICTURE),
        "scenario_sha256": sweep.loaded.sha256,
        "design": sweep.design,
        "seed": sweep.seed,
        "law_ran": sweep.loaded.law_ran,
        "trials": sweep.plan.trials,
        "best_setting": best_first(results.lines)[0].setting,
        "settings": [line._asdict() | {"values": dict(zip(keys, line.values, strict=True))} for line in results.lines],
        "rules_that_acted": list(results.acted),
        "limit_deviations": sorted({setting.deviations for setting in sweep.plan.settings} - {""}),
        "caution": SHORT,
    }
