"""The link from a run's report to the dossier that `thenar dossier` left beside it."""

from __future__ import annotations

from pathlib import Path
from typing import Final
from urllib.parse import quote

from thenar.report.dossier_page import MARK
from thenar.report.evidence_html import text
from thenar.report.manifest import Manifest

HEAD_CHARACTERS: Final = 400


def dossier_line(folder: Path, manifest: Manifest, beside: Path) -> str:
    """A line of HTML that leads to the dossier of the run in `folder`, or "" where there is none.

    `beside`: the folder of the page, where the dossier must lie too, so that the link holds when both are copied. A
    dossier that was made of another run of that name is told, not linked.
    """
    file = beside / f"{folder.resolve().name}-dossier.html"
    try:
        content = file.read_text("utf-8")
    except (OSError, ValueError):
        return ""
    if MARK not in content[:HEAD_CHARACTERS]:
        return ""
    if manifest.scenario.sha256 in content and manifest.written_utc in content:
        return f'<p><a href="./{quote(file.name)}">Dossier for the ethics board</a>, beside this page</p>'
    return f"<p>The dossier beside this page, {text(file.name)}, is of another run of this name: make it anew.</p>"
