"""The text of an empty recording: what each column is, how it is recorded safely, and three example rows."""

from __future__ import annotations

import textwrap
from typing import Final

from thenar.fit.kinds import DATE_COLUMN, Column, Kind

_WIDTH: Final = 100
_SAFELY: Final = (
    "How to record it: only under your lab's own protocol, approved by your ethics board, with a trained person there "
    "who does nothing else. thenar is a simulator and no medical device: it gives no limits for people, and no "
    "permission to record anyone."
)
_WITHOUT_STIMULATION_RULES: Final = """\
Before: explain it, ask about what rules the person out, look at the skin of the hand.
Stop at once when the person asks, at pain, numbness or cramp.
After: look at the skin again, and write down what happened.
Never write a name or a date of birth into this file."""
_STIMULATION_RULES: Final = """\
Before: explain it, ask about what rules stimulation out, look at the skin where the pads will be (whole, clean, dry).
Let the person try the stop switch that cuts the current, and keep it in the free hand.
Begin below what can be felt and go up in small steps, with rests.
Never go beyond what the person calls comfortable, and never beyond your protocol.
Stop at once when the person asks, at pain, burning, cramp, dizziness, redness that stays, a lifted pad, a stray force.
After: look at the skin again, and write down what happened.
Never write a name or a date of birth into this file."""
_OWN: Final = {
    "estimator": """\
Pinch the reference sensor and the sensor under test together, without stimulation: slow ramps and holds.
Cover the forces that you need, five minutes or more, with pauses against tiredness. Let go and grip anew several times.
Where stimulation must be on while you record, the rules for it come first: `thenar template session` lists them.""",
    "recruitment": """\
One row a step. The hand rests and is held still; each step several times, in mixed order, at two widths or more.
Go from no contraction at all to the highest comfortable step. Rest between the steps.
Note in the column response whether a contraction was seen or felt, below the first force too.""",
    "muscle": """\
Single pulses first, then short trains at several rates with rests between, one of each repeated.
A fatigue run only if your protocol has one. A row for each pulse, at the time when it begins.""",
    "wearer": """\
No stimulation, no pads. A person holds a target on a screen at several levels of comfortable force.
Some with the own force shown and some without, with rests; five minutes or more.""",
    "session": """\
What your own rig logged in a session that your protocol allowed; nothing is recorded for this alone.""",
}
_EMPTY: Final = "An empty cell means: nothing at this time. Columns of different rates may share the file so."
_EMPTY_IN_STEPS: Final = "A cell may be empty only in a column that may be left out."
_WITH_STIMULATION: Final = ("recruitment", "muscle", "session")


def template_text(kind: Kind) -> str:
    """The CSV text for `kind`; it passes the reader but for its length."""
    rules = _STIMULATION_RULES if kind.name in _WITH_STIMULATION else _WITHOUT_STIMULATION_RULES
    advice = [*_OWN[kind.name].splitlines(), *rules.splitlines()]
    lines = [f"# thenar recording: {kind.name}", *_said(f"{kind.words}.")]
    lines += [*_said(_SAFELY), *(line for rule in advice for line in _said(f"- {rule}", "  "))]
    lines += ["#", "# Columns (decimal points, commas between columns, UTF-8; lines with # at the start are left out):"]
    lines += [line for column in kind.columns for line in _said(_about(column), "    ")]
    lines += _said("Ranges are what the reader of the file takes for plausible: no limits for a person, and no advice.")
    lines += _said(_EMPTY if kind.timed else _EMPTY_IN_STEPS)
    lines += _said(f"When it was recorded: a line '# {DATE_COLUMN}: 2026-11-03' or a column {DATE_COLUMN}.")
    lines += ["# The three rows below are examples: put your own in their place.", "#"]
    return "\n".join([*lines, ",".join(kind.names), *(",".join(row) for row in kind.example), ""])


def _about(column: Column) -> str:
    bounds = "" if column.unit in {"0 or 1", "s"} else f", {column.low:g} to {column.high:g}"
    return f"{column.name} [{column.unit}{bounds}] {column.words}; {'needed' if column.needed else 'may be left out'}"


def _said(text: str, further: str = "") -> list[str]:
    """`text` as lines of comment."""
    text = text[0].upper() + text[1:] if not further else text
    return textwrap.wrap(
        text,
        _WIDTH,
        initial_indent="# ",
        subsequent_indent=f"# {further}",
        break_on_hyphens=False,
        break_long_words=False,
    )
