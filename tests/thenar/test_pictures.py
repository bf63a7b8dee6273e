"""The pictures of a run: what they must carry, and that grey print and colour-blind eyes can read them."""

from __future__ import annotations

import math
import struct
import subprocess
import sys
import time
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from matplotlib.colors import to_rgb
from matplotlib.image import imread

from tests.thenar.made_trials import label, lively_trial, made_trial
from tests.waiting import LONG_S
from thenar.caution import SHORT
from thenar.engine.result import TrialResult
from thenar.report import ink
from thenar.report.error_picture import error_picture
from thenar.report.metrics import target_rows
from thenar.report.picture import Panel, event_words, force_picture
from thenar.report.summary import by_condition_and_target
from thenar.report.thinning import extremes_kept, tallest

TITLES = {"R20": "upward step against the last delivered value"}
SHARED_PANELS = [
    (ink.FORCE, ink.ESTIMATE, ink.INK),
    (ink.AGONIST, ink.ANTAGONIST),
    tuple(color for color, _ in ink.CONDITION_LOOKS.values()),
]

# Linear RGB seen with no red, green or blue cones: Machado, Oliveira and Fernandes
# [@machado-2009], severity 1.0 (numbers from memory).
BLIND = {
    "protanopia": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deuteranopia": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritanopia": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}


def _panel(trial: TrialResult) -> Panel:
    rows = target_rows(trial, moving=False)
    return Panel(trial.label, trial.duration_us, trial.trace, trial.pulses, trial.events, rows)


def _draw(file: Path, title: str = "Graver hold") -> None:
    trials = [lively_trial(label(0)), made_trial([4.0] * 40, [3.0] * 40, named=label(1, 0, "unassisted"))]
    force_picture(file, [_panel(trial) for trial in trials], title, "the only wearer", TITLES)


def _png_texts(file: Path) -> dict[str, str]:
    """Keyword to text of a PNG's plain text chunks (PNG specification, section 11.3.3: tEXt is Latin-1)."""
    data = file.read_bytes()
    assert data.startswith(b"\x89PNG\r\n\x1a\n")
    found: dict[str, str] = {}
    at = 8
    while at < len(data):
        (length,) = struct.unpack(">I", data[at : at + 4])
        if data[at + 4 : at + 8] == b"tEXt":
            keyword, _, text = data[at + 8 : at + 8 + length].decode("latin-1").partition("\0")
            found[keyword] = text
        at += length + 12
    return found


def test_the_force_picture_carries_its_alt_text_and_the_caution(tmp_path: Path) -> None:
    _draw(tmp_path / "force.png")
    found = _png_texts(tmp_path / "force.png")
    assert found["Disclaimer"] == SHORT
    assert found["Title"] == "Graver hold"
    told = found["Description"]
    assert "assisted: mean absolute error" in told
    assert "160 pulses" in told
    assert "rules that acted: R20; trips: 1" in told
    assert "unassisted: mean absolute error 1.00 N" in told


def test_the_error_picture_tells_every_mean_in_its_alt_text(tmp_path: Path) -> None:
    rows = [
        row
        for index, error in enumerate([1.0, 2.0])
        for row in target_rows(made_trial([4.0] * 20, [4.0 + error] * 20, named=label(index, index)), moving=False)
    ]
    error_picture(tmp_path / "errors.png", by_condition_and_target(rows), rows, "Graver hold")
    found = _png_texts(tmp_path / "errors.png")
    assert found["Disclaimer"] == SHORT
    assert "assisted, 4 N: mean 1.50 N, SD 0.71 over 2 wearers" in found["Description"]


def test_the_same_run_draws_the_same_bytes(tmp_path: Path) -> None:
    _draw(tmp_path / "one.png")
    _draw(tmp_path / "two.png")
    assert (tmp_path / "one.png").read_bytes() == (tmp_path / "two.png").read_bytes()


@pytest.mark.parametrize("title", ["costs $5 and $x^{", "very " * 60 + "long", "手の力", "a_b^c\\frac"])
def test_any_title_can_be_drawn(tmp_path: Path, title: str) -> None:
    _draw(tmp_path / "force.png", title)
    assert (tmp_path / "force.png").stat().st_size > 10_000


def test_no_text_is_cut_off_at_the_picture_s_edge(tmp_path: Path) -> None:
    """The outermost pixels are all white: nothing runs out of the figure."""
    _draw(tmp_path / "force.png", "wide " * 60)
    rows = target_rows(made_trial([4.0] * 20, [3.0] * 20), moving=False)
    error_picture(tmp_path / "errors.png", by_condition_and_target(rows), rows, "wide " * 60)
    for name in ("force.png", "errors.png"):
        pixels = imread(tmp_path / name)
        border = np.concatenate([pixels[0], pixels[-1], pixels[:, 0], pixels[:, -1]])
        assert border.min() == 1.0, name


def test_drawing_needs_no_global_state_of_the_plotting_library() -> None:
    code = (
        "import sys, thenar.report.picture, thenar.report.error_picture; sys.exit('matplotlib.pyplot' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_a_long_line_keeps_its_extremes() -> None:
    """One spike up and one down in a million quiet rows stay in what is drawn."""
    values = np.zeros(1_000_000)
    values[123_457], values[765_432] = 9.0, -4.0
    time_s, drawn = extremes_kept(np.arange(1_000_000) / 1000, values)
    assert len(drawn) <= 6002
    assert (drawn.max(), drawn.min()) == (9.0, -4.0)
    assert abs(time_s[drawn.argmax()] - 123.457) < 1.0


def test_a_long_line_keeps_its_gaps() -> None:
    values = np.ones(20_000)
    values[:5000] = math.nan
    _, drawn = extremes_kept(np.arange(20_000.0), values, 1000)
    assert 0.2 < np.isnan(drawn).mean() < 0.3


def test_the_tallest_pulse_is_drawn_when_pulses_are_too_many() -> None:
    time_s = np.arange(50_000) * 0.01
    charge = np.ones(50_000)
    charge[31_415] = 7.0
    drawn_at, drawn = tallest(time_s, charge, 500.0)
    assert len(drawn) <= 6000
    assert drawn.max() == 7.0
    assert abs(drawn_at[drawn.argmax()] - 314.15) < 0.1


def test_events_are_named_by_what_tells_them_apart() -> None:
    assert event_words({"kind": "fault", "fault": "dropout", "t_us": 0}) == "dropout"
    assert event_words({"kind": "fault", "fault": "re-arm", "cause": "R32", "t_us": 0}) == "re-arm R32"
    assert event_words({"kind": "trip", "cause": "R31", "t_us": 0}) == "trip R31"
    assert event_words({"kind": "something-new", "t_us": 0}) == "something-new"


def test_a_flood_of_one_event_is_drawn_in_reasonable_time(tmp_path: Path) -> None:
    """A law that fails at every tick of a two-hour trial: 360 000 events, drawn as at most a hundred marks."""
    flood: list[dict[str, object]] = [{"t_us": 20_000 * n, "kind": "law-fault", "what": "None"} for n in range(360_000)]
    trial = made_trial([4.0] * 7200, [3.0] * 7200, step_us=1_000_000, events=flood)
    begun = time.monotonic()
    force_picture(tmp_path / "force.png", [_panel(trial)], "Flood", "the only wearer", TITLES)
    assert time.monotonic() - begun < LONG_S


def _linear(color: str) -> np.ndarray:
    """Linear RGB of an sRGB colour (IEC 61966-2-1 transfer curve)."""
    return np.array([c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(color)])


def _lightness(linear: np.ndarray) -> np.ndarray:
    """CIE L*a*b* of linear RGB (D65)."""
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    x, y, z = to_xyz @ np.clip(linear, 0, 1) / np.array([0.9505, 1.0, 1.089])
    fx, fy, fz = (c ** (1 / 3) if c > 216 / 24389 else (24389 / 27 * c + 16) / 116 for c in (x, y, z))
    return np.array([116 * fy - 16, 500 * (fx - fy), 200 * (fy - fz)])


def test_every_colour_of_a_line_has_three_to_one_contrast_on_white() -> None:
    """Contrast as WCAG 2 defines it; 3:1 is its bound for graphics."""
    colors = {color for panel in SHARED_PANELS for color in panel} | {ink.QUIET}
    for color in colors:
        luminance = float(np.array([0.2126, 0.7152, 0.0722]) @ _linear(color))
        assert 1.05 / (luminance + 0.05) >= 3.0, color


@pytest.mark.parametrize("sight", [*BLIND, "all cones"])
def test_colours_that_share_a_panel_differ_for_colour_blind_eyes(sight: str) -> None:
    """CIE76 difference of at least 20 (2.3 is just noticeable; bound: own choice)."""
    seen = np.array(BLIND.get(sight, np.eye(3)))
    for panel in SHARED_PANELS:
        for one, other in combinations(panel, 2):
            apart = float(np.linalg.norm(_lightness(seen @ _linear(one)) - _lightness(seen @ _linear(other))))
            assert apart >= 20, (one, other, apart)
