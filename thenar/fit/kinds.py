"""What a recording of each kind holds: columns with unit, range and need, and three rows to see how it is meant.

Ranges are plausibility, wide enough for any pinch and any surface stimulation; they are no limit for a person.
"""

from __future__ import annotations

from typing import Final, NamedTuple

from thenar.fit.recording import TIME_COLUMN

DATE_COLUMN: Final = "recorded"


class Column(NamedTuple):
    """One column. `low`, `high`: what a number in `unit` may be; `measured`: a sensor made it, so it is never flat."""

    name: str
    unit: str
    words: str
    low: float
    high: float
    needed: bool = True
    measured: bool = False


class Kind(NamedTuple):
    """One kind of recording. `example`: three rows of text by `columns`; `least_rows`, `least_s`: the shortest."""

    name: str
    words: str
    columns: tuple[Column, ...]
    example: tuple[tuple[str, ...], ...]
    least_rows: int
    least_s: float

    def column(self, name: str) -> Column:
        """The column called `name`. Raises KeyError for one that this kind doesn't have."""
        for one in self.columns:
            if one.name == name:
                return one
        raise KeyError(name)

    @property
    def names(self) -> tuple[str, ...]:
        """The columns' names in order."""
        return tuple(one.name for one in self.columns)

    @property
    def timed(self) -> bool:
        """Does it have times."""
        return self.columns[0].name == TIME_COLUMN


_TIME: Final = Column(TIME_COLUMN, "s", "time since any start, rising", -1.0e7, 1.0e7)
_FORCE: Final = Column("force_N", "N", "measured pinch force", -50.0, 500.0, measured=True)
_ESTIMATE: Final = Column("estimate_N", "N", "force as the estimator under test read it", -50.0, 1000.0, measured=True)
_TARGET: Final = Column("target_N", "N", "force that was asked for", 0.0, 500.0)
_SD: Final = Column("stated_sd_N", "N", "the estimator's own standard deviation", 0.0, 200.0, needed=False)


def _current(name: str, words: str, needed: bool) -> Column:
    return Column(name, "mA", words, 0.0, 200.0, needed)


def _width(name: str, words: str, needed: bool) -> Column:
    return Column(name, "us", words, 10.0, 10_000.0, needed)


def _delivered(channel: str) -> tuple[Column, Column]:
    return (
        Column(f"{channel}_current_mA", "mA", f"delivered to the {channel}, 0 for none", 0.0, 200.0, needed=False),
        Column(f"{channel}_width_us", "us", f"delivered to the {channel}, 0 for none", 0.0, 10_000.0, needed=False),
    )


KINDS: Final = {
    kind.name: kind
    for kind in (
        Kind(
            "estimator",
            "a force sensor under test beside a reference that measures the same pinch",
            (_TIME, _FORCE, _ESTIMATE, _SD),
            (("0.000", "2.31", "2.05", "0.30"), ("0.010", "2.34", "", ""), ("0.020", "2.36", "2.11", "0.30")),
            100,
            10.0,
        ),
        Kind(
            "recruitment",
            "a staircase of pulses: one row per step, evoked force over rest",
            (
                _current("current_mA", "current of the step's pulses", needed=True),
                _width("width_us", "width of the step's pulses", needed=True),
                Column("force_N", "N", "evoked force over rest, peak or plateau", -50.0, 500.0, measured=True),
                Column("baseline_N", "N", "force at rest before the step", -50.0, 500.0, needed=False),
                Column("rate_Hz", "Hz", "pulses a second (0 for a single pulse)", 0.0, 200.0, needed=False),
                Column("response", "0 or 1", "was any contraction seen or felt by hand", 0.0, 1.0, needed=False),
            ),
            (
                ("4.0", "200", "0.02", "0.41", "30", "0"),
                ("6.0", "200", "1.85", "0.39", "30", "1"),
                ("8.0", "200", "5.10", "", "", "1"),
            ),
            6,
            0.0,
        ),
        Kind(
            "muscle",
            "force under known pulses: twitches, trains at several rates, a fatigue run",
            (
                _TIME,
                _FORCE,
                _current("pulse_current_mA", "current of a pulse that begins at this time", needed=True),
                _width("pulse_width_us", "width of that pulse", needed=True),
            ),
            (("0.000", "0.41", "", ""), ("0.0005", "", "9.0", "250"), ("0.001", "0.40", "", "")),
            100,
            1.0,
        ),
        Kind(
            "wearer",
            "target and measured force of a wearer who isn't stimulated",
            (
                _TIME,
                _TARGET,
                _FORCE,
                Column("own_force_shown", "0 or 1", "did the wearer see the own force", 0.0, 1.0, needed=False),
            ),
            (("0.000", "4.0", "3.62", "1"), ("0.010", "4.0", "3.65", "1"), ("0.020", "4.0", "3.71", "1")),
            100,
            10.0,
        ),
        Kind(
            "session",
            "a session of the closed loop, to ask what other limits or gains would have done",
            (
                _TIME,
                _TARGET,
                _ESTIMATE,
                _FORCE._replace(needed=False),
                _SD,
                Column("estimate_age_ms", "ms", "age of the estimate at this time", 0.0, 60_000.0, needed=False),
                *_delivered("agonist"),
                *_delivered("antagonist"),
            ),
            (
                ("0.00", "4.0", "3.10", "3.35", "0.3", "20", "0", "0", "0", "0"),
                ("0.04", "4.0", "3.12", "3.36", "0.3", "20", "6.5", "200", "0", "0"),
                ("0.08", "4.0", "3.18", "", "", "", "", "", "", ""),
            ),
            10,
            0.3,
        ),
    )
}
