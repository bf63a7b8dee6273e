"""What a page may say, and how much of it."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from thenar.live.heard import BURST, MOST_BYTES, PER_SECOND, WORDS, Allowance, RefusedError, understood

RIGHT: tuple[dict[str, Any], ...] = (
    {"do": "set", "key": "law.settings.deadband_N", "value": 0.4},
    {"do": "fault", "kind": "electrode-lift", "channel": "agonist", "contact_share": 0.2, "for_s": 2},
    {"do": "fault", "kind": "dropout", "for_s": 1.5},
    {"do": "rearm", "cause": "R33"},
    {"do": "pace", "factor": 0.25},
    {"do": "save", "name": "softer-gain-2"},
    *({"do": name} for name in ("stop", "pause", "resume", "restart", "next", "keep", "compare")),
)
json_values = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(),
    lambda parts: st.lists(parts, max_size=4) | st.dictionaries(st.text(), parts, max_size=4),
    max_leaves=12,
)


@pytest.mark.parametrize("message", RIGHT, ids=lambda message: message["do"])
def test_each_word_of_the_page_is_understood(message: dict[str, Any]) -> None:
    assert understood(json.dumps(message)) == message


def test_every_word_has_its_case() -> None:
    assert {message["do"] for message in RIGHT} == WORDS


@given(st.text() | st.binary() | json_values.map(json.dumps))
@example("[" * 4000)
@example('{"do":"set","key":"a","value":NaN}')
@example('{"do":"set","key":"a","value":1e999}')
@example('{"do":"set","key":"a","value":' + "9" * 4000 + "}")
@example('{"do":["set"]}')
@example('"\\ud800"')
@example("\ud800")
def test_whatever_is_said_is_understood_or_refused_in_words(raw: str | bytes) -> None:
    words = ""
    try:
        found = understood(raw)
    except RefusedError as error:
        words = str(error)
    else:
        assert found["do"] in WORDS
        return
    assert 0 < len(words) < 300
    assert "\n" not in words


@given(st.sampled_from(RIGHT), st.text(min_size=1, max_size=12), json_values)
def test_no_message_carries_a_value_that_is_no_plain_word_or_number(
    right: dict[str, Any], name: str, value: object
) -> None:
    try:
        found = understood(json.dumps({**right, name: value}))
    except RefusedError:
        return
    for part in found.values():
        assert isinstance(part, str | int | float)
        assert not isinstance(part, bool)
        assert isinstance(part, str) or (math.isfinite(part) and abs(part) <= 1e15)


@pytest.mark.parametrize(
    "name",
    ["", "..", "../up", "a/b", "a\\b", "A", "a.toml", "-a", "a-", "a" * 41, "a b", "a\n", "a\0", "é", "law:x", 7, None],
)
def test_a_name_to_save_under_is_never_a_path(name: object) -> None:
    with pytest.raises(RefusedError, match="a-z, 0-9 and -"):
        understood(json.dumps({"do": "save", "name": name}))


@pytest.mark.parametrize(
    ("message", "words"),
    [
        ({"do": "load", "file": "x.toml"}, '"do" must be one of'),
        ({"do": "set", "key": "a"}, '"set" takes "key" and "value"'),
        ({"do": "set", "key": "a", "value": True}, "must be a number"),
        ({"do": "set", "key": "a", "value": 1, "file": "x"}, '"set" takes'),
        ({"do": "stop", "later": 1}, '"stop" takes nothing more'),
        ({"do": "fault"}, 'takes "kind"'),
        ({"do": "fault", "kind": "dropout", "a b": 1}, "letters, digits"),
        ({"do": "fault", "kind": "dropout", "a": [1]}, "must be a number"),
        ([], "one JSON object"),
    ],
)
def test_a_refusal_says_what_is_wanted(message: object, words: str) -> None:
    with pytest.raises(RefusedError, match=words):
        understood(json.dumps(message))


def test_a_long_message_is_refused_before_it_is_read() -> None:
    long = json.dumps({"do": "set", "key": "a", "value": 1}) + " " * MOST_BYTES
    with pytest.raises(RefusedError, match="at most"):
        understood(long)


def test_a_page_may_say_a_burst_and_then_so_many_a_second() -> None:
    now = 0.0
    allowance = Allowance(lambda: now)
    assert sum(allowance.spend() for _ in range(1000)) == BURST
    now = 1.0
    assert sum(allowance.spend() for _ in range(1000)) == PER_SECOND
    now = 1e6
    assert sum(allowance.spend() for _ in range(1000)) == BURST
