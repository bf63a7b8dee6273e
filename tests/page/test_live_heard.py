"""What a page may say, and how much of it."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from thenar.live.heard import BURST, MOST_BYTES, PER_SECOND, Allowance, understood
from thenar.live.session_messages import RefusedError

RIGHT: tuple[dict[str, Any], ...] = (
    {"do": "set", "key": "law.settings.deadband_N", "value": 0.4},
    {"do": "fault", "kind": "electrode-lift", "channel": "agonist", "contact_share": 0.2, "for_s": 2},
    {"do": "fault", "kind": "dropout", "for_s": 1.5},
    {"do": "rearm", "cause": "R33"},
    {"do": "pace", "factor": 0.25},
    {"do": "save", "name": "softer-gain-2"},
    *({"do": name} for name in ("stop", "pause", "resume", "restart", "next", "keep", "compare")),
)
WORDS = {message["do"] for message in RIGHT}
json_values = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(),
    lambda parts: st.lists(parts, max_size=4) | st.dictionaries(st.text(), parts, max_size=4),
    max_leaves=12,
)


@pytest.mark.parametrize("message", RIGHT, ids=lambda message: message["do"])
def test_each_word_of_the_page_is_understood(message: dict[str, Any]) -> None:
    assert understood(json.dumps(message), "page-1") == {**message, "ref": "page-1"}


def test_a_page_can_not_speak_in_the_name_of_another() -> None:
    assert understood('{"do":"keep","ref":"page-2"}', "page-1") == {"do": "keep", "ref": "page-1"}


@given(st.text() | st.binary() | json_values.map(json.dumps))
@example("[" * 4000)
@example('{"do":"set","key":"a","value":NaN}')
@example('{"do":"set","key":"a","value":1e999}')
@example('{"do":"set","key":"a","value":' + "9" * 4000 + "}")
@example('{"do":["set"]}')
@example('{"\\n":[]}')
@example('{"\\u2028":18446744073709551616}')
@example('{"do":"keep","\\n":1}')
@example('{"do":"fault","kind":"dropout","\\n":1}')
@example('"\\ud800"')
@example("\ud800")
def test_whatever_is_said_is_understood_or_refused_in_words(raw: str | bytes) -> None:
    words = ""
    try:
        found = understood(raw, "page-1")
    except RefusedError as error:
        words = str(error)
    else:
        assert found["do"] in WORDS
        return
    assert 0 < len(words) < 1000
    assert "\n" not in words


@pytest.mark.parametrize(
    "name",
    ["", "..", "../up", "a/b", "a\\b", "A", "a.toml", "-a", "a-", "a" * 61, "a b", "a\n", "a\0", "é", "law:x", 7, None],
)
def test_a_name_to_save_under_is_never_a_path(name: object) -> None:
    with pytest.raises(RefusedError, match="name"):
        understood(json.dumps({"do": "save", "name": name}), "page-1")


@pytest.mark.parametrize(
    ("message", "words"),
    [
        ({"do": "load", "file": "x.toml"}, "'load'"),
        ({"do": "set", "key": "a"}, "value"),
        ({"do": "set", "key": "a", "value": True}, "value"),
        ({"do": "set", "key": "a", "value": 1, "file": "x"}, "file"),
        ({"do": "stop", "later": 1}, "later"),
        ({"do": "fault"}, "kind"),
        ([], "object"),
    ],
)
def test_a_refusal_says_what_is_wrong(message: object, words: str) -> None:
    with pytest.raises(RefusedError, match=words):
        understood(json.dumps(message), "page-1")


def test_a_long_message_is_refused_before_it_is_read() -> None:
    long = json.dumps({"do": "set", "key": "a", "value": 1}) + " " * MOST_BYTES
    with pytest.raises(RefusedError, match="at most"):
        understood(long, "page-1")


def test_a_page_may_say_a_burst_and_then_so_many_a_second() -> None:
    now = 0.0
    allowance = Allowance(lambda: now)
    assert sum(allowance.spend() for _ in range(1000)) == BURST
    now = 1.0
    assert sum(allowance.spend() for _ in range(1000)) == PER_SECOND
    now = 1e6
    assert sum(allowance.spend() for _ in range(1000)) == BURST
