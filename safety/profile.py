"""Limit profiles: a TOML file with every bound in human units, and beside each its source and tag.

Tags say how far a source was followed: "seen" (read), "memory" (recalled, not read again), "own" (our
choice) or "derived" (reckoned from other values). A profile of one's own says which shipped one it starts from,
and why each bound that is looser than there is looser. A profile is no clinical advice, and obeying one makes
nothing safe or compliant.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, Final, Literal, Self

from pydantic import Field, PrivateAttr, ValidationInfo, create_model, field_validator, model_validator

from thenar.safety.bounds import CHANNEL, LOOP, MOST_RUNS, NOT_ABOVE, Row, scaled
from thenar.safety.deviation import Deviation, deviations_from, unreasoned
from thenar.safety.screening import Screening
from thenar.shared.errors import InputError, Problem, Strict, nearest, shown, validated
from thenar.shared.signals import Calibration
from thenar.shared.text_input import table_in, toml_text

if TYPE_CHECKING:
    from thenar.safety.limits import Limits

_FOLDER: Final = Path(__file__).resolve().parent / "profiles"
_LEAST_WORDS: Final = 3
_LONGEST_REASON: Final = 300
Tag = Literal["seen", "memory", "own", "derived"]


class Bound(Strict):
    """One bound: a number in the unit that its key names, where it comes from, and how far that was followed.

    `reason`: why it is looser than the default; needed where it is, idle elsewhere.
    """

    value: float
    source: str = Field(min_length=1)
    tag: Tag
    reason: str | None = None

    @field_validator("reason")
    @classmethod
    def _says_something(cls, reason: str | None) -> str | None:
        plain = reason is None or (reason.isprintable() and len(reason) <= _LONGEST_REASON)
        if not plain or (reason is not None and len(reason.split()) < _LEAST_WORDS):
            raise ValueError(f"one line of at least {_LEAST_WORDS} words and at most {_LONGEST_REASON} characters")
        return reason


def _inside(bound: Bound, row: Row) -> Bound:
    """`bound` when it lies inside the hard range. Raises ValueError otherwise."""
    if not row.low <= bound.value <= row.high:
        raise ValueError(
            f"a value from {row.low:g} to {row.high:g} {row.unit} (hard range of {row.rule}), not {bound.value:g}"
        )
    if row.whole and bound.value != int(bound.value):
        raise ValueError(f"a whole number ({row.rule}), not {bound.value:g}")
    return bound


class _Part(Strict):
    """The bounds of one part of a profile: a field for each row of `safety.bounds.BOUNDS` that belongs to it."""

    rows: ClassVar[dict[str, Row]]

    if TYPE_CHECKING:

        def __getattr__(self, key: str) -> Bound: ...

    @field_validator("*")
    @classmethod
    def _under_hard_ceilings(cls, bound: Bound, info: ValidationInfo) -> Bound:
        return _inside(bound, cls.rows[str(info.field_name)])

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        for low_key, high_key in NOT_ABOVE:
            if low_key in self.rows:
                low, high = getattr(self, low_key).value, getattr(self, high_key).value
                if scaled(self.rows[low_key], low, 1) > scaled(self.rows[high_key], high, 1):
                    raise ValueError(f"{low_key} no larger than {high_key}, not {low:g} and {high:g}")
        return self


if TYPE_CHECKING:

    class ChannelBounds(_Part):
        """Bounds of one channel."""

    class LoopBounds(_Part):
        """Bounds of the whole loop."""

else:

    def _part(name: str, about: str, rows: dict[str, Row]) -> type[_Part]:
        base = type(f"_{name}", (_Part,), {"rows": rows, "__module__": __name__})
        fields = dict.fromkeys(rows, (Bound, ...))
        return create_model(name, __base__=base, __module__=__name__, __doc__=about, **fields)

    ChannelBounds = _part("ChannelBounds", "Bounds of one channel, by the keys of `safety.bounds.CHANNEL`.", CHANNEL)
    LoopBounds = _part("LoopBounds", "Bounds of the whole loop, by the keys of `safety.bounds.LOOP`.", LOOP)


class LimitProfile(Strict):
    """All bounds of one setting. Every bound is named: none is filled in silently.

    `based_on`: the shipped profile that a profile of one's own starts from; None for a shipped one.
    """

    schema_version: Literal[1] = Field(alias="schema")
    name: str = Field(min_length=1)
    about: str = Field(min_length=1)
    based_on: str | None = None
    agonist: ChannelBounds
    antagonist: ChannelBounds
    loop: LoopBounds
    _text: str = PrivateAttr("")

    @property
    def text(self) -> str:
        """The TOML text that it was read from: what the auditor reads. "" when it was made in some other way."""
        return self._text

    @model_validator(mode="after")
    def _keep_text(self, info: ValidationInfo) -> LimitProfile:
        self._text = str((info.context or {}).get("text", ""))
        return self

    @model_validator(mode="after")
    def _steps_reach_the_device(self) -> LimitProfile:
        for key, channel in (("agonist", self.agonist), ("antagonist", self.antagonist)):
            if channel.first_step_mA.value < self.loop.device_step_mA.value:
                raise ValueError(f"{key}.first_step_mA at least loop.device_step_mA, or nothing could ever start")
        return self

    @model_validator(mode="after")
    def _runs_of_a_window_are_kept(self) -> LimitProfile:
        if self.loop.on_window_s.value > MOST_RUNS * self.loop.rest_s.value:
            raise ValueError(f"loop.on_window_s no longer than {MOST_RUNS} times loop.rest_s")
        return self

    @model_validator(mode="after")
    def _a_run_has_room_for_its_ramps(self) -> LimitProfile:
        for key, channel in (("agonist", self.agonist), ("antagonist", self.antagonist)):
            window_s = channel.on_share.value * self.loop.on_window_s.value
            if min(channel.run_s.value, window_s) <= 2 * channel.ramp_down_s.value:
                raise ValueError(
                    f"{key}.run_s, and {key}.on_share of loop.on_window_s, longer than twice {key}.ramp_down_s, "
                    f"or nothing could ever start"
                )
        return self

    def bounds(self) -> Iterator[tuple[str, Bound, Row]]:
        """Every bound as (dotted key, bound, row of the table of bounds), in file order."""
        for table, rows in (("agonist", CHANNEL), ("antagonist", CHANNEL), ("loop", LOOP)):
            for key, row in rows.items():
                yield f"{table}.{key}", getattr(getattr(self, table), key), row

    def deviations(self) -> tuple[Deviation, ...]:
        """Every bound that is looser than in the shipped profile `based_on`, with its reason; none when that is None.

        Raises InputError when `based_on` names no shipped profile (a profile that `load_profile` gave can't).
        """
        return () if self.based_on is None else deviations_from(self, _base_of(self, self.name))

    def fingerprint(self) -> str:
        """SHA-256 (64 hex digits) over the schema and every bound's value (R35). Wording does not count."""
        values = {key: float(bound.value) for key, bound, _ in self.bounds()}
        text = json.dumps({"schema": self.schema_version, "values": values}, sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()

    def limits_for(
        self,
        calibration: Calibration | None,
        control_period_us: int = 20_000,
        screening: Screening | None = None,
    ) -> Limits:
        """The limits of one person's session, as integers.

        `calibration` None (none on file) gives ceilings of zero and no force bounds: the loop then refuses
        to arm (R07). `control_period_us`: nominal time between control ticks. `screening` None (none on
        file) refuses to arm as well (R27). Raises ValueError when `control_period_us` lies outside
        `safety.bounds.CONTROL_PERIOD_US`.
        """
        from thenar.safety.conversion import limits_of  # brings in the compiler: only when limits are made

        return limits_of(self, calibration, control_period_us, screening)


def shipped_profiles() -> tuple[str, ...]:
    """Names of the profiles that come with thenar."""
    return tuple(sorted(file.stem for file in _FOLDER.glob("*.toml")))


def load_profile(name_or_path: str) -> LimitProfile:
    """A shipped profile by name, or the profile in a TOML file.

    Raises InputError, naming the nearest shipped profile, when there is no such file, and naming every
    key at fault when the file can't be used, or is looser than the profile it starts from without a reason.
    """
    if name_or_path in shipped_profiles():
        return _read(_FOLDER / f"{name_or_path}.toml")
    file = Path(name_or_path)
    try:
        found = file.is_file()
    except (OSError, ValueError):
        found = False
    if not found:
        names = shipped_profiles()
        allowed = "a shipped profile (" + ", ".join(names) + ") or the path of a TOML file"
        raise InputError([Problem("limit profile", "", shown(name_or_path), allowed, nearest(name_or_path, names))])
    profile = _read(file)
    default = _base_of(profile, str(file))
    problems = unreasoned(deviations_from(profile, default), default.name, str(file))
    if problems:
        raise InputError(problems)
    return profile


def _read(file: Path) -> LimitProfile:
    text = toml_text(file).removeprefix("\ufeff")
    return validated(LimitProfile, table_in(text, str(file)), str(file), {"text": text})


def _base_of(profile: LimitProfile, file: str) -> LimitProfile:
    """The shipped profile that `profile`, read from `file`, starts from."""
    names = shipped_profiles()
    if profile.based_on in names:
        return _read(_FOLDER / f"{profile.based_on}.toml")
    found = "nothing" if profile.based_on is None else shown(profile.based_on)
    allowed = "the shipped profile that this one starts from: " + ", ".join(names)
    raise InputError([Problem(file, "based_on", found, allowed, nearest(profile.based_on or "", names))])
