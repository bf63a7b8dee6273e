"""`thenar report`: finished folders of any kind as one page."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final, NamedTuple

from thenar.report import page_run
from thenar.report.evidence_html import text
from thenar.report.folder import FinishedFolder, made_sense_of
from thenar.report.page_dossier import dossier_line
from thenar.report.page_frame import Part, cautions, page
from thenar.report.page_results import results_of
from thenar.report.page_trials import TABLE
from thenar.shared.errors import InputError, Problem

MOST_BYTES: Final = 6_000_000
SPARE_BYTES: Final = 50_000
LEAST_ROOM_BYTES: Final = 200_000


class _Share(NamedTuple):
    """What one folder brings to the page. `runs`: the run to take traces from, with the prefix of its data's ids."""

    title: str
    line: str
    warnings: list[str]
    parts: list[Part]
    run: tuple[page_run.Run, str] | None


def report_page(folders: Sequence[FinishedFolder], advance: Callable[[str], object], beside: Path | None = None) -> str:
    """The page of `folders`, the first of which names it. `advance` is told of each trial read.

    `beside`: the folder in which the page will lie; a dossier of a run that lies there too is linked.

    Raises InputError when a folder holds what no command wrote, or when pictures and tables alone fill the page.
    """
    shares = [
        _share(folder, "" if len(folders) == 1 else f"f{number}-", beside) for number, folder in enumerate(folders, 1)
    ]
    parts = [part for share in shares for part in share.parts]
    doubled = {part.name for part in parts if sum(part.name == other.name for other in parts) > 1}
    if doubled:
        found = "two folders of `thenar challenge`"
        raise InputError([Problem(str(folders[-1].path), "", found, "one at most in a page")])
    parts.append(Part("cautions", "Cautions", cautions()))
    warnings = [warning for share in shares for warning in share.warnings]
    title = shares[0].title
    line = ". ".join(dict.fromkeys(share.line for share in shares)) + "."
    runs = [share.run for share in shares if share.run]
    blocks: dict[str, str] = {}
    if runs:
        empty = page(title, line, warnings, parts, {"none": ""})
        room = (MOST_BYTES - SPARE_BYTES - len(empty.encode())) // len(runs)
        if room < LEAST_ROOM_BYTES:
            found = f"{len(empty.encode())} bytes without any trace"
            raise InputError(
                [Problem(str(folders[0].path), "", found, "folders that leave room for traces: give fewer")]
            )
        for run, prefix in runs:
            with made_sense_of(run.folder.file(TABLE), run.folder.allowed):
                made = page_run.blocks(run, room, advance)
            blocks |= {f"{prefix}trial-{one.trial}": block
                       for one, block in zip(run.shown, made, strict=True)}  # fmt: skip
    return page(title, line, warnings, parts, blocks)


def trials_in(folders: Sequence[FinishedFolder]) -> int:
    """How many trials there are to read."""
    return sum(len(page_run.read_run(folder).shown) for folder in folders if folder.kind == "run")


def _share(folder: FinishedFolder, prefix: str, beside: Path | None) -> _Share:
    if folder.kind != "run":
        results = results_of(folder, prefix)
        parts = [Part(part.name, _named(part.title, prefix, folder.kind), part.html) for part in results.parts]
        return _Share(results.title, results.line, results.warnings, parts, None)
    run = page_run.read_run(folder)
    dossier = "" if beside is None else dossier_line(folder.path, run.manifest, beside)
    with made_sense_of(folder.file(page_run.SUMMARY), folder.allowed):
        titled = [
            Part("what", "What was run", page_run.what_was_run(run) + dossier),
            Part("results", "Results", page_run.results(run)),
            Part("interlock", "Interlock", page_run.interlock(run)),
            Part("wearers", "Wearers", _wearers(run, prefix)),
            Part("sheet", "Running sheet", page_run.sheet(run)),
            Part("scenario", "Scenario file", page_run.scenario_text(run)),
        ]
        warnings, title = page_run.warnings_of(run), str(run.summary["title"])
    parts = [
        Part(prefix + part.name, _named(part.title, prefix, folder.kind), part.html) for part in titled if part.html
    ]
    line = f"Made by thenar run of {run.manifest.scenario.name}, seed {run.manifest.seed}, {run.manifest.written_utc}"
    return _Share(title, line, warnings, parts, (run, prefix))


def _named(title: str, prefix: str, kind: str) -> str:
    """A part's title; where several folders share a page, with the command that made it."""
    return f"{title} ({kind})" if prefix else title


def _wearers(run: page_run.Run, prefix: str) -> str:
    """The list of wearers, then a part for each."""
    people = page_run.wearers_of(run)
    links = "".join(f'<li><a href="#{prefix}wearer-{one.number}">{text(one.name)}</a></li>' for one in people)
    parts = "".join(
        f'<section class="person" id="{prefix}wearer-{one.number}"><h3>{text(one.name)}</h3>'
        f"{page_run.wearer_part(run, one, f'{prefix}trial-')}</section>"
        for one in people
    )
    return (
        f"<p>{len(people)} simulated wearer{'' if len(people) == 1 else 's; choose one'}. "
        f"{text(page_run.left_out(run))}</p>"
        f'<nav aria-label="Wearers"><ul class="people">{links}</ul></nav>'
        '<p class="warn uncoded">Traces need JavaScript; all tables and pictures are here without it.</p>'
        f"{parts}"
    )
