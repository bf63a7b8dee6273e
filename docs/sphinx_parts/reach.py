"""What the theme leaves out for those who read without a mouse or without sight."""

from __future__ import annotations

from typing import Any, Final

from sphinx.application import Sphinx

MENDED: Final = (
    # What may scroll sideways takes the focus, so that keys scroll it.
    ("<pre", '<pre tabindex="0"'),
    ('<div class="table-wrapper', '<div tabindex="0" class="table-wrapper'),
    # A heading without a level is none to a reading aid.
    ('class="caption" role="heading"', 'class="caption" role="heading" aria-level="2"'),
)
PARTS: Final = ("body", "furo_navigation_tree")
"""The parts of a page that the builder and the theme hand over as HTML."""


def mended(html: str) -> str:
    """The same HTML with `MENDED` put right."""
    for found, instead in MENDED:
        html = html.replace(found, instead)
    return html


def _on_page(_: Sphinx, __: str, ___: str, context: dict[str, Any], ____: object) -> None:
    for part in PARTS:
        if part in context:
            context[part] = mended(context[part])


def setup(app: Sphinx) -> dict[str, Any]:
    """Mend every page, after the theme (which comes at 500) has made its parts."""
    app.connect("html-page-context", _on_page, priority=900)
    return {"version": "1", "parallel_read_safe": True, "parallel_write_safe": True}
