"""The frame of a report: head, caution, parts and code in one file that needs nothing from outside.

The page states by hash which scripts and styles may run; whatever else got into it is inert even if it were markup.
"""

from __future__ import annotations

import hashlib
from base64 import b64encode
from collections.abc import Mapping, Sequence
from typing import Final, NamedTuple

from thenar.caution import CONTRAINDICATIONS, SHORT, STOP_CRITERIA
from thenar.page import SCRIPTS, STYLES, piece
from thenar.report.evidence_html import STYLE, listed, section, text

MARK: Final = '<meta name="generator" content="thenar report">'
IS_NOT: Final = (
    "Simulation only. No medical device, no clinical limit, and no statement that anything is safe.",
    (
        "No approval and no advice: contraindications, stop criteria and every decision about a person belong to your "
        "ethics board, your local codes and licensed practice."
    ),
    "No result about people: every number holds for people only as far as the models do.",
)
CODE: Final = (*SCRIPTS, "report.js")
LOOK: Final = (*STYLES, "report.css")


class Part(NamedTuple):
    """One part of the page: its anchor, its title, and HTML."""

    name: str
    title: str
    html: str


def cautions() -> str:
    """What to ask about before anyone is stimulated, and when to stop: topics, not a list that replaces another."""
    return (
        f"<p>{text(SHORT)}</p><p>Ask about these before anyone is stimulated (topics, not a complete list; authorities "
        f"disagree):</p>{listed(CONTRAINDICATIONS)}<p>Stop at once when:</p>{listed(STOP_CRITERIA)}"
        "<p>Models leave out most of what a body does. Where this text and your ethics board, your local codes or a "
        "licensed practitioner differ, they are right.</p>"
    )


def page(title: str, line: str, warnings: Sequence[str], parts: Sequence[Part], blocks: Mapping[str, str]) -> str:
    """The whole page. `line`: under the title; `warnings`: above all parts; `blocks`: JSON texts by element id."""
    with_code = bool(blocks)
    scripts = [piece(name) for name in CODE] if with_code else []
    styles = [STYLE, *(piece(name) for name in LOOK)]
    links = "".join(f'<a href="#{part.name}">{text(part.title)}</a> ' for part in parts)
    told = "".join(f'<p class="warn">{text(warning)}</p>' for warning in warnings)
    body = "".join(section(part.name, part.title, part.html) for part in parts)
    data = "".join(
        f'<script type="application/json" id="{name}">{_inert(block)}</script>' for name, block in blocks.items()
    )
    return (
        f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">{MARK}{_policy(scripts, styles)}'
        f"<title>{text(title)}</title>"
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        + "".join(f"<style>{style}</style>" for style in styles)
        + f'</head><body><a class="skip" href="#{parts[0].name}">Skip to the first part</a>'
        f"<header><h1>{text(title)}</h1><p>{text(line)}</p>"
        f'<div class="not"><h2>What this is not</h2>{listed(IS_NOT)}</div>{told}</header>'
        f'<nav aria-label="Parts of this page">{links}</nav><main>{body}</main><footer><p>{text(SHORT)}</p></footer>'
        + data
        + "".join(f"<script>{script}</script>" for script in scripts)
        + "</body></html>\n"
    )


def _policy(scripts: Sequence[str], styles: Sequence[str]) -> str:
    allowed = " ".join(map(_hash, scripts)) or "'none'"
    return (
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; img-src data:; '
        f"script-src {allowed}; style-src {' '.join(map(_hash, styles))}; base-uri 'none'; form-action 'none'\">"
    )


def _hash(content: str) -> str:
    return f"'sha256-{b64encode(hashlib.sha256(content.encode()).digest()).decode('ascii')}'"


def _inert(block: str) -> str:
    """JSON in which nothing can end the element that holds it."""
    return block.replace("<", "\\u003c")
