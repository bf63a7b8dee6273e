"""The way from a run's report to the dossier that lies beside it."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.folders import manifest_in
from tests.thenar.evidence_reading import Seen
from tests.thenar.small_study import run_of
from thenar.cli import main
from thenar.report.page_dossier import dossier_line


@pytest.mark.slow
def test_a_dossier_beside_the_page_is_linked_and_one_of_another_run_is_only_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = run_of(tmp_path / "a&b held")
    manifest, dossier = manifest_in(folder), tmp_path / "a&b held-dossier.html"
    assert dossier_line(folder, manifest, tmp_path) == ""
    assert main(["dossier", str(folder)]) == 0
    assert main(["report", str(folder)]) == 0
    links = [given["href"] for tag, given in Seen((tmp_path / "a&b held-report.html").read_text("utf-8")).tags
             if tag == "a" and not given["href"].startswith("#")]  # fmt: skip
    assert links == ["./a%26b%20held-dossier.html"]
    assert dossier_line(folder, manifest, tmp_path / "elsewhere") == ""
    dossier.write_text(dossier.read_text("utf-8").replace(manifest.written_utc, "2020-01-01T00:00:00+00:00"), "utf-8")
    told = dossier_line(folder, manifest, tmp_path)
    assert "a&amp;b held-dossier.html, is of another run of this name" in told
    assert "<a" not in told
    dossier.write_text("<p>somebody's own page", "utf-8")
    assert dossier_line(folder, manifest, tmp_path) == ""
    capsys.readouterr()
