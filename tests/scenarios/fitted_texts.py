"""Fitted files for tests: an engraver's sensor and hand, invented."""

from __future__ import annotations

from pathlib import Path

SENSOR_VALUES = "[values]\nlatency_ms = 90.0\nnoise_floor_N = 0.4\ntrue_N = [0, 5, 20]\nreads_N = [0.1, 4.0, 18.0]\n"
SENSOR_INTERVALS = "[intervals]\nlatency_ms = [80.0, 100.0]\nreads_N = [[0.0, 0.2], [3.8, 4.2], [17.0, 19.5]]\n"
HOLD_VALUES = "[values]\nmax_pinch_N = 70\n[values.production]\ngain = 1.3\noffset_N = 0.5\n"
HOLD_INTERVALS = (
    "[intervals]\nmax_pinch_N = [60, 80]\n[intervals.production]\ngain = [1.2, 1.4]\noffset_N = [0.1, 0.9]\n"
)
FLEXOR_VALUES = "[values.agonist.recruitment]\nrheobase_mA = 5.0\nspread = 0.3\n"
FLEXOR_INTERVALS = "[intervals.agonist.recruitment]\nrheobase_mA = [4.5, 5.5]\n"


def fitted_text(kind: str, values: str, intervals: str = "", came_from: str = "") -> str:
    """A fitted file. `kind`: which fit; the tables as TOML text."""
    part_of = "estimator" if kind == "estimator" else "wearer"
    return (
        f'schema = 1\npart_of = "{part_of}"\nfitted = "{kind}"\ntitle = "An engraver, fitted"\n{values}{intervals}'
        f'[came_from]\nfile = "engraver.csv"\nsha256 = "{"ab" * 32}"\nrows = 60000\nbegins = "2026-05-01T10:00:00"\n'
        f'ends = "2026-05-01T10:10:00"\nthenar = "0.1.0"\n{came_from}'
    )


SENSOR = fitted_text("estimator", SENSOR_VALUES, SENSOR_INTERVALS)
HOLD = fitted_text("wearer", HOLD_VALUES, HOLD_INTERVALS)
FLEXOR = fitted_text("recruitment", FLEXOR_VALUES, FLEXOR_INTERVALS)


def put_fits(folder: Path) -> Path:
    """`folder` with sensor.toml, hold.toml and flexor.toml in it."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in (("sensor.toml", SENSOR), ("hold.toml", HOLD), ("flexor.toml", FLEXOR)):
        (folder / name).write_text(text, encoding="utf-8")
    return folder
