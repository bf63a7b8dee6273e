"""A session's setting as a scenario file of its own, and beside it what was done in the session."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

from thenar.caution import SHORT
from thenar.live.session_controls import Setting
from thenar.live.session_lane import Said
from thenar.live.session_loop import trial_of
from thenar.live.session_messages import RefusedError
from thenar.scenarios.changes import Value, text_with
from thenar.scenarios.loader import LoadedScenario, parse_scenario
from thenar.shared.errors import InputError


class Place(NamedTuple):
    """Whose trial the session runs: seed, wearer and repeat (from 0), condition."""

    seed: int
    wearer: int
    repeat: int
    condition: str


def save(setting: Setting, place: Place, folder: Path, name: str, done: Sequence[dict[str, Any]]) -> Said:
    """Write NAME.toml and NAME.session.json into `folder`, whole or not at all. Raises RefusedError in words.

    `done`: what was changed and injected in the session. Names of files that the scenario uses are written anew, as
    seen from `folder`; `repeats` grows where the round is beyond it, as the noise belongs to the round.
    """
    file, beside = folder / f"{name}.toml", folder / f"{name}.session.json"
    if file.exists() or beside.exists():
        raise RefusedError(f"name: there is a {file.name} or {beside.name} already, allowed: a name not yet taken")
    try:
        text = saved_text(setting.loaded, place, folder)
        loaded = parse_scenario(text, file.name, folder, trust_law=setting.loaded.trust_law)
    except InputError as error:
        raise RefusedError(" ".join(str(error).split())) from None
    trial = trial_of(loaded, place.seed, place.wearer, place.repeat, place.condition)
    record = {
        "saved_from": setting.loaded.path.name, "set": setting.values, "reproduces": trial.label._asdict(),
        "seed": place.seed, "done_in_the_session": list(done), "caution": SHORT,
    }  # fmt: skip
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _write(beside, json.dumps(record, indent=2, ensure_ascii=False) + "\n")
        _write(file, text)
    except OSError as error:
        raise RefusedError(f"{error.filename or folder}: {error.strerror or error}") from None
    says = (
        f"`thenar run {file}` gives in trial {trial.label.index} ({place.condition}, {trial.label.wearer_name}, repeat "
        f"{place.repeat}) this setting from its beginning, to the last bit; what was injected here is not in it"
    )
    return {
        "is": "saved", "path": str(file), "changes_path": str(beside), "command": f"thenar run {file}",
        "trial": trial.label.index, "says": says,
    }  # fmt: skip


def saved_text(loaded: LoadedScenario, place: Place, folder: Path) -> str:
    """The scenario's text for a file in `folder`. Raises InputError."""
    scenario = loaded.scenario
    values: dict[str, Value] = {"seed": place.seed}
    if place.repeat >= scenario.repeats:
        values["repeats"] = place.repeat + 1
    for named in loaded.files:
        values[named.key] = _seen_from(folder, named.path)
    # A recording that several wearers play back is known once, by the first place that names it.
    for number, wearer in enumerate(scenario.wearers):
        if wearer.recording:
            values[f"wearers[{number}].recording"] = _seen_from(folder, loaded.base / wearer.recording)
    return text_with(loaded.text, values, str(loaded.path))


def _seen_from(folder: Path, file: Path) -> str:
    try:
        return Path(os.path.relpath(file.resolve(), folder.resolve())).as_posix()
    except ValueError:  # another drive
        raise RefusedError(f"{file.name} lies on another drive than the session's folder") from None


def _write(file: Path, text: str) -> None:
    """Aside first, then under its name."""
    aside = file.with_name(f".{file.name}.{os.getpid()}")
    try:
        aside.write_text(text, encoding="utf-8")
        aside.replace(file)
    finally:
        aside.unlink(missing_ok=True)
