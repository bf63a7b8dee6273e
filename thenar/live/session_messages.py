"""What may be said to a live session, checked to the letter. The shapes stand at the head of `session.py`."""

from __future__ import annotations

from typing import Annotated, Any, Final, Literal, cast

from pydantic import ConfigDict, Field, TypeAdapter, ValidationError

from thenar.safety.requirements import RULE_PATTERN
from thenar.scenarios.faults import KINDS, Fault
from thenar.scenarios.pieces import one_of
from thenar.shared.errors import InputError, Problem, Strict, key_path, shown

SLOWEST: Final = 0.25
FASTEST: Final = 20.0
NAME_PATTERN: Final = r"^[a-z0-9]([a-z0-9-]{0,58}[a-z0-9])?$"
_LONGEST: Final = 400
_LONGEST_KEY: Final = 60
_LARGEST: Final = 2**63 - 1
LIVE_FAULTS: Final = tuple(kind for kind in KINDS if kind not in ("emergency-stop", "re-arm"))
"""Faults that a message can begin. The two things that an operator does have messages of their own."""


class Message(Strict):
    """What every message may have: a word of the sender's that comes back with the answer."""

    ref: Annotated[str, Field(max_length=60)] | None = None


class Set(Message):
    """Give a control another value, in the unit that the control states."""

    do: Literal["set"]
    key: str = Field(max_length=120)
    value: float


class StartFault(Message):
    """Begin a fault now. Its other keys are those of `[[faults]]` in a scenario file, without `at_s`."""

    model_config = ConfigDict(extra="allow")

    do: Literal["fault"]
    kind: Literal["dropout", "stuck", "jump", "electrode-lift", "unbalanced-pulses", "controller-stall"]

    def fields(self) -> dict[str, Any]:
        """The fault's own keys and values, not yet checked."""
        return dict(self.model_extra or {})


class Plain(Message):
    """What needs no more words."""

    do: Literal["stop", "pause", "resume", "restart", "next", "keep", "compare"]


class ReArmNow(Message):
    """The operator re-arms and names what has latched."""

    do: Literal["rearm"]
    cause: str = Field(pattern=RULE_PATTERN)


class Pace(Message):
    """How many simulated seconds go by in one second of the wall clock."""

    do: Literal["pace"]
    factor: float = Field(ge=SLOWEST, le=FASTEST)


class Save(Message):
    """Write the current setting as NAME.toml into the session's folder."""

    do: Literal["save"]
    name: str = Field(pattern=NAME_PATTERN)


AnyMessage = Set | StartFault | Plain | ReArmNow | Pace | Save
_CHECKED: Final[TypeAdapter[AnyMessage]] = TypeAdapter(Annotated[AnyMessage, Field(discriminator="do")])


class RefusedError(Exception):
    """A message that can't be followed; the text says why, on one line."""


def read_message(message: object) -> AnyMessage:
    """`message` as one of the models above. Raises RefusedError in words on anything else."""
    if not isinstance(message, dict):
        raise RefusedError(f'found {shown(message)}, allowed: an object with "do"')
    for key, value in message.items():
        _plain(key, value)
    try:
        return _CHECKED.validate_python(message)
    except ValidationError as error:
        detail = error.errors(include_url=False, include_context=False)[0]
        where = key_path(part for part in detail["loc"][1:]) or "do"
        raise RefusedError(
            f"{_named(where)}: found {shown(detail['input'])}, {detail['msg'][0].lower()}{detail['msg'][1:]}"
        ) from None


def _plain(key: object, value: object) -> None:
    """Every message is flat: its values are words, numbers of at most 64 bits, true, false or null."""
    if not isinstance(key, str) or len(key) > _LONGEST_KEY:
        raise RefusedError(f"found a key {shown(key)}, allowed: names of at most {_LONGEST_KEY} letters")
    if value is not None and not isinstance(value, (str, int, float)):
        raise RefusedError(
            f"{_named(key)}: found a value of the kind {type(value).__name__}, allowed: text or a number"
        )
    if isinstance(value, int) and abs(value) > _LARGEST:
        raise RefusedError(f"{_named(key)}: found a whole number of more than 64 bits, allowed: at most 2^63 - 1")


def _named(key: str) -> str:
    """A key as a refusal names it: on one line, whatever it holds."""
    return key if key.isprintable() else shown(key)


def short_of(message: object) -> object:
    """What a refusal says of the message that it refuses: itself when it is small and plain, else its beginning."""
    try:
        return message if isinstance(message, dict) and len(repr(message)) < _LONGEST else shown(message)
    except (ValueError, RecursionError):  # a number of thousands of digits; nesting without end
        return "a message that can't be shown"


def checked_fault(asked: StartFault) -> Fault:
    """The fault that a message asks for, as if scheduled at 0 s. Raises RefusedError with every key at fault."""
    problems: list[Problem] = []
    table = {"kind": asked.kind, "at_s": 0.0, **asked.fields()}
    if forbidden := {"at_s", "conditions"} & set(asked.fields()):
        raise RefusedError(f"{min(forbidden)}: a fault that begins now has none")
    fault = one_of(KINDS, "kind", table, "message", "fault", problems)
    if fault is None or problems:
        raise RefusedError(" ".join(str(InputError(problems)).split()))
    return cast("Fault", fault)
