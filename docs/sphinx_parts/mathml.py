"""Formulas as MathML, which browsers draw by themselves: no script, no font and no network."""

from __future__ import annotations

from typing import Any

from docutils import nodes
from latex2mathml.converter import convert
from sphinx.application import Sphinx


def _mathml(latex: str, display: str) -> str:
    return convert(latex.strip(), display=display)


def _inline(writer: Any, node: nodes.math) -> None:
    writer.body.append(_mathml(node.astext(), "inline"))
    raise nodes.SkipNode


def _block(writer: Any, node: nodes.math_block) -> None:
    """Rows of an `aligned` block are formulas of their own, one below the other."""
    for line in node.astext().split(r"\\"):
        # An own overflow: a long formula scrolls on a narrow screen, and the page doesn't.
        writer.body.append(f'<div class="formula" tabindex="0">{_mathml(line, "block")}</div>\n')
    raise nodes.SkipNode


def setup(app: Sphinx) -> dict[str, Any]:
    """Register the renderer under the name `mathml`."""
    app.add_html_math_renderer("mathml", (_inline, None), (_block, None))
    return {"version": "1", "parallel_read_safe": True, "parallel_write_safe": True}
