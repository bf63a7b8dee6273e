"""Whatever is said to a session is a message or is refused in words; nothing else ever comes of it."""

from __future__ import annotations

import json
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from thenar.live.session_messages import LIVE_FAULTS, RefusedError, StartFault, checked_fault, read_message, short_of
from thenar.live.session_plain import plain_said

JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda below: st.lists(below, max_size=4) | st.dictionaries(st.text(max_size=12), below, max_size=4),
    max_leaves=12,
)
WORDS = ("set", "fault", "stop", "rearm", "pace", "pause", "resume", "restart", "next", "keep", "compare", "save")
KEYS = ("do", "key", "value", "kind", "for_s", "channel", "cause", "factor", "name", "ref", "contact_share", "at_s")
NEARLY = st.fixed_dictionaries(
    {"do": st.sampled_from(WORDS)},
    optional={key: JSON | st.sampled_from([*LIVE_FAULTS, "agonist", "R33", 0.5, 1.0, 4]) for key in KEYS[1:]},
)


def refusal_of(message: Any) -> str | None:
    """Why a message is refused, None when it isn't."""
    try:
        asked = read_message(message)
        if isinstance(asked, StartFault):
            checked_fault(asked)
    except RefusedError as error:
        return str(error)
    return None


@given(message=JSON | NEARLY | st.dictionaries(st.sampled_from(KEYS), JSON))
def test_any_json_is_a_message_or_is_refused_on_one_line(message: Any) -> None:
    why = refusal_of(message)
    if why is None:
        assert message["do"] in WORDS
    else:
        assert 10 < len(why) < 2_000
        assert "\n" not in why
    json.dumps(plain_said({"is": "refused", "message": short_of(message)}), allow_nan=False)


@given(digits=st.integers(4_000, 6_000), depth=st.integers(1, 3_000))
def test_numbers_without_end_and_nesting_without_end_are_refused_too(digits: int, depth: int) -> None:
    nested: Any = []
    for _ in range(depth):
        nested = [nested]
    for value in (10**digits, -(10**digits), nested):
        message = {"do": "set", "key": "law.settings.deadband_N", "value": value}
        assert "value: found" in str(refusal_of(message))
        short_of(message)
