"""The two bar charts of the evidence page, as SVG text: they need no colour, and every bar has its number beside it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from html import escape
from typing import Any, Final

from thenar.report.evidence_words import NO_RUN

ROW, LABEL, BAR, NUMBER = 15, 34, 250, 150
"""Height of a row and widths of the three columns, in pixels of the drawing."""
_WIDTH: Final = LABEL + BAR + NUMBER
_HATCH: Final = (
    '<pattern id="hatch" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
    '<rect width="5" height="5" fill="#fff"/><rect width="2.2" height="5" fill="#000"/></pattern>'
)


def closest_chart(rows: Sequence[Mapping[str, Any]]) -> str:
    """Each requirement's closest admitted value as a share of its bound. `rows`: those of the evidence record."""
    body = []
    for place, row in enumerate(rows):
        campaign = row["campaign"]
        closest = None if campaign == NO_RUN else campaign["closest"]
        told = NO_RUN if campaign == NO_RUN else "no single value" if closest is None else _percent(closest["share"])
        length = 0.0 if closest is None else min(float(closest["share"]), 1.2) / 1.2 * BAR
        body.append(_label(place, row["id"]) + _bar(place, length, "#555") + _number(place, length, told))
    at_bound = LABEL + BAR / 1.2
    line = f'<line x1="{at_bound:.1f}" y1="14" x2="{at_bound:.1f}" y2="{_height(rows)}" stroke="#000" '
    line += 'stroke-dasharray="3 3"/>' + f'<text x="{at_bound:.1f}" y="10" text-anchor="middle">the bound</text>'
    return _drawing(rows, "Closest admitted value as a share of its bound", "".join(body) + line)


def offences_chart(rows: Sequence[Mapping[str, Any]]) -> str:
    """Offences under the same attacks with the interlock off (hatched) and on (black), on a logarithmic scale."""
    campaigns = [row["campaign"] for row in rows if row["campaign"] != NO_RUN]
    most = max([10, *(max(one["violations_off"], one["violations_on"]) for one in campaigns)])
    body = []
    for place, row in enumerate(rows):
        campaign = row["campaign"]
        if campaign == NO_RUN:
            body.append(_label(place, row["id"]) + _number(place, 0, NO_RUN))
            continue
        off, on = campaign["violations_off"], campaign["violations_on"]
        lengths = [BAR * math.log10(1 + count) / math.log10(1 + most) for count in (off, on)]
        bars = _bar(place, lengths[0], "url(#hatch)") + _bar(place, lengths[1], "#000")
        body.append(_label(place, row["id"]) + bars + _number(place, max(lengths), f"off {off}, on {on}"))
    return _drawing(rows, "Offences under the same attacks, interlock off and on", "".join(body))


def _percent(share: float) -> str:
    """A share that is cut, never rounded up: 99.97 % must not read 100 %."""
    return f"{math.floor(share * 1_000) / 10:g} %"


def _height(rows: Sequence[object]) -> int:
    return 18 + ROW * len(rows)


def _drawing(rows: Sequence[object], title: str, body: str) -> str:
    height = _height(rows)
    return (
        f'<svg viewBox="0 0 {_WIDTH} {height}" role="img" aria-label="{escape(title)}" '
        f'font-family="inherit" font-size="10"><title>{escape(title)}</title><defs>{_HATCH}</defs>{body}</svg>'
    )


def _label(place: int, text: str) -> str:
    return f'<text x="0" y="{_baseline(place)}">{escape(text)}</text>'


def _bar(place: int, length: float, fill: str) -> str:
    if length <= 0:
        return ""
    top = _baseline(place) - 9
    return f'<rect x="{LABEL}" y="{top}" width="{length:.1f}" height="10" fill="{fill}" stroke="#000"/>'


def _number(place: int, length: float, text: str) -> str:
    return f'<text x="{LABEL + length + 5:.1f}" y="{_baseline(place)}">{escape(text)}</text>'


def _baseline(place: int) -> int:
    return 28 + ROW * place
