"""What every `thenar fit KIND` shares: reading the recording, writing the file whole or not at all, the tables."""

from __future__ import annotations

import argparse
import math
import os
import secrets
import textwrap
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

from thenar.caution import SHORT
from thenar.cli.show import Table, show_json, show_table
from thenar.fit.found import Fit, Parameter, Quality
from thenar.fit.recording import Recording
from thenar.shared.errors import InputError, Problem, shown

TEXT_WIDTH: Final = 112
Draw = Callable[[Path], None]


def recording_of(chosen: argparse.Namespace) -> Recording:
    """The recording that the command line names, `--column`, `--stream` and `--repair` included.

    The kind is that of `fit KIND`, and "session" for `whatif`. Files that would be overwritten are refused before
    anything is read. Raises InputError.
    """
    from thenar.fit.reading import read

    if chosen.command == "fit":
        _check_places(chosen)
    kind = chosen.kind if chosen.command == "fit" else "session"
    columns, streams = pairs(chosen.column, "--column"), pairs(chosen.stream, "--stream")
    return read(Path(chosen.file), kind, columns=columns, streams=streams, repairs=chosen.repair)


def pairs(typed: Sequence[str], option: str) -> dict[str, str]:
    """OURS=THEIRS as a table. Raises InputError for anything else, and for a column named twice."""
    found: dict[str, str] = {}
    for one in typed:
        ours, mark, theirs = one.partition("=")
        if not (mark and ours.strip() and theirs.strip()):
            raise InputError([Problem("command line", option, shown(one), f"{option} OURS=THEIRS")])
        if ours.strip() in found:
            raise InputError([Problem("command line", option, f"{shown(ours)} twice", "each of our columns once")])
        found[ours.strip()] = theirs.strip()
    return found


def finish(chosen: argparse.Namespace, recording: Recording, fit: Fit, draw: Draw) -> int:
    """Write the fitted file and the picture asked for, print the finding. Returns 0.

    `draw` writes a PNG to the path it is given. Raises InputError when a file is there already or can't be written.
    """
    from thenar.fit.written import text_of

    text = text_of(fit, recording)
    makers: dict[Path, Draw] = {written_to(chosen): lambda part: _write(part, text)}
    if chosen.picture:
        makers[Path(chosen.picture)] = draw
    leave(makers)
    if chosen.json:
        show_json(_record(chosen, recording, fit))
    else:
        _tell(chosen, recording, fit)
    return 0


def written_to(chosen: argparse.Namespace) -> Path:
    """The TOML file to write: the one asked for, else the recording's name with the kind, in the current folder."""
    return Path(chosen.to) if chosen.to else Path(f"{Path(chosen.file).stem}-{chosen.kind}.toml")


def leave(makers: Mapping[Path, Draw]) -> None:
    """Let each maker write its file under a temporary name, flush all to the disk, then rename: all whole or none.

    Raises InputError when one of the files is there already or its folder can't be written to.
    """
    parts = {file: file.with_name(f".{file.stem}.{secrets.token_hex(4)}.part{file.suffix}") for file in makers}
    at = next(iter(makers))
    try:
        for at, make in makers.items():
            _refuse_if_taken(at)
            at.parent.mkdir(parents=True, exist_ok=True)
            make(parts[at])
            with parts[at].open("rb+") as handle:
                os.fsync(handle.fileno())
        for at, part in parts.items():
            _refuse_if_taken(at)
            part.replace(at)
    except OSError as error:
        raise InputError([Problem(str(at), "", error.strerror or str(error), "a place that can be written")]) from None
    finally:
        for part in parts.values():
            with suppress(OSError):
                part.unlink(missing_ok=True)


def _check_places(chosen: argparse.Namespace) -> None:
    """Refuse what could only fail after a long fit: names that are taken, and a picture that is no PNG."""
    _refuse_if_taken(written_to(chosen))
    if chosen.picture:
        picture = Path(chosen.picture)
        if picture.suffix.lower() != ".png" or picture == written_to(chosen):
            raise InputError([Problem("command line", "--picture", shown(chosen.picture), "a name that ends in .png")])
        _refuse_if_taken(picture)


def _refuse_if_taken(file: Path) -> None:
    if file.exists():
        raise InputError([Problem(str(file), "", "it is there already", "a name that is free, or remove the file")])


def _write(part: Path, text: str) -> None:
    part.write_text(text, encoding="utf-8", newline="\n")


def _record(chosen: argparse.Namespace, recording: Recording, fit: Fit) -> dict[str, Any]:
    """Everything that was found, for machines."""
    return {
        "fitted": fit.kind,
        "part_of": fit.part_of,
        "file": str(written_to(chosen)),
        "picture": chosen.picture,
        "recording": {
            "file": recording.file,
            "sha256": recording.sha256,
            "rows": recording.rows,
            "begins": recording.begins,
            "ends": recording.ends,
            "repairs": list(recording.repairs),
        },
        "parameters": [one._asdict() for one in fit.parameters],
        "qualities": [one._asdict() for one in fit.qualities],
        "believed": not fit.misfits,
        "misfits": list(fit.misfits),
        "warnings": list(fit.warnings),
        "settings": dict(fit.settings),
        "table": fit.table,
        "caution": SHORT,
    }


def _tell(chosen: argparse.Namespace, recording: Recording, fit: Fit) -> None:
    when = " to ".join(dict.fromkeys(date for date in (recording.begins, recording.ends) if date))
    print(f"{fit.kind} fitted to {recording.file}: {recording.rows:,} rows" + (f", recorded {when}" if when else ""))
    if fit.parameters:
        show_table(_parameter_table(fit.parameters, fit.table))
    if fit.qualities:
        show_table(_quality_table(fit.qualities))
    print()
    for one in fit.parameters:
        if one.note:
            _wrapped(f"{one.key}: {one.note}")
    for word, sentences in (("NOT BELIEVED", fit.misfits), ("warning", fit.warnings), ("repaired", recording.repairs)):
        for sentence in sentences:
            _wrapped(f"{word}: {sentence}")
    print(f"file: {written_to(chosen)}")
    if chosen.picture:
        print(f"picture: {chosen.picture}")
    _wrapped(SHORT)


def _wrapped(text: str) -> None:
    print(textwrap.fill(text, TEXT_WIDTH, subsequent_indent="  ", break_on_hyphens=False))


def digits(value: float) -> str:
    """A number with four digits that count, "-" when there is none; large ones whole."""
    if not math.isfinite(value):
        return "-"
    return f"{value:,.0f}" if 1e4 <= abs(value) < 1e9 else f"{value:.4g}"


def _interval(low: float, high: float) -> str:
    return f"{digits(low)} to {digits(high)}" if math.isfinite(low) and math.isfinite(high) else "-"


def _parameter_table(parameters: Sequence[Parameter], table: Mapping[str, Any]) -> Table:
    rows = []
    for one in parameters:
        # A point of a curve is written with its curve, however loosely it is told.
        stands = one.identifiable or ("[" in one.key and one.key.partition("[")[0] in table)
        told = "yes" if one.identifiable else "loosely" if stands else "NO"
        value, interval = (digits(one.value), _interval(one.low, one.high)) if stands else ("-", "-")
        rows.append((one.key, value, one.unit, interval, told))
    title = (
        "Parameters (NO: the recording doesn't tell it, so the scenario's own value holds; loosely: it stands in the "
        "file all the same; why, below)"
    )
    return Table(title, ("parameter", "value", "unit", "95 % interval", "told"), rows, frozenset({1, 3}))


def _quality_table(qualities: Sequence[Quality]) -> Table:
    rows = [(one.name, digits(one.value), one.unit, _interval(one.low, one.high), one.words) for one in qualities]
    headers = ("quality", "value", "unit", "95 % interval", "what it is")
    return Table("How well they describe it", headers, rows, frozenset({1, 3}))
