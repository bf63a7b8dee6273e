"""What every page of thenar is made of: the chart library, our charts over it, and the look.

`uplot.min.js` and `uplot.min.css` are uPlot 1.6.32 as published (MIT, `LICENSE.uplot`), unchanged.
"""

from __future__ import annotations

from importlib import resources
from typing import Final

SCRIPTS: Final = ("uplot.min.js", "charts_thin.js", "charts_paint.js", "charts.js")
"""Files of this package that make `thenarCharts`, in the order of loading."""

STYLES: Final = ("uplot.min.css", "look.css")
"""Their style sheets."""


def piece(name: str) -> str:
    """The text of one file of this package."""
    return resources.files(__name__).joinpath(name).read_text(encoding="utf-8")
