"""The look that both pictures share: colours, line styles, margins, the caution and the alt text.

Every colour has at least 3:1 contrast against white, and what shares a panel differs in line style or place
as well as in colour, so that a picture survives a grey print and colour-blind eyes (a test measures both).
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final, NamedTuple

import matplotlib
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

from thenar.caution import MARGIN, SHORT
from thenar.safety.deviation import Deviation

INK: Final = "#20242b"
QUIET: Final = "#6b6f76"
BAND: Final = "#ece7dc"
FORCE: Final = "#17518f"
ESTIMATE: Final = "#b8561b"
AGONIST: Final = "#0c6e63"
ANTAGONIST: Final = "#7a3fb0"
HALTED: Final = "#f3d9d4"
CONDITION_LOOKS: Final = {
    "unassisted": ("#6b6f76", "o"),
    "assisted": ("#17518f", "D"),
    "stimulation-only": ("#b8561b", "^"),
}

DPI: Final = 160
SMALL: Final = 8.0
BODY: Final = 9.0
LARGE: Final = 12.5
EDGE_IN: Final = 0.2
SHORTEST: Final = 8
FOOTER_LINE_IN: Final = 0.16
DEVIATIONS_SHOWN: Final = 3


class Margins(NamedTuple):
    """Empty borders of a figure, in inches."""

    left: float
    right: float
    top: float
    bottom: float


@contextmanager
def house_style() -> Iterator[None]:
    """Draw with the library's own defaults, whatever the user's settings are, and never read "$" as a formula."""
    defaults = matplotlib.rcParamsDefault.items()
    settings: Any = {key: value for key, value in defaults if not key.startswith(("backend", "webagg"))}
    settings |= {"text.parse_math": False, "axes.edgecolor": QUIET, "axes.linewidth": 0.7, "font.size": BODY}
    settings |= {"text.color": INK, "axes.labelcolor": INK, "xtick.color": INK, "ytick.color": INK}
    settings |= {"path.simplify_threshold": 0.2, "hatch.linewidth": 0.5}
    with matplotlib.rc_context(settings), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing")
        yield


def new_figure(width_in: float, height_in: float) -> Figure:
    """A white figure of a size in inches, drawn by Agg and known to no global state."""
    figure = Figure(figsize=(width_in, height_in), dpi=DPI, facecolor="white")
    FigureCanvasAgg(figure)
    return figure


def place(figure: Figure, left: float, top: float, width: float, height: float, **shared: Any) -> Axes:
    """Axes whose upper left corner lies `left` and `top` inches from that of the figure, `width` x `height` inches."""
    full_width, full_height = figure.get_size_inches()
    box = (left / full_width, 1 - (top + height) / full_height, width / full_width, height / full_height)
    axes = figure.add_axes(box, **shared)
    axes.spines[["top", "right"]].set_visible(False)
    axes.tick_params(labelsize=SMALL, length=3)
    return axes


def write_at(figure: Figure, left: float, top: float, text: str, **look: Any) -> Text:
    """Text whose upper left corner lies `left` and `top` inches from that of the figure."""
    width, height = figure.get_size_inches()
    chosen: dict[str, Any] = {"ha": "left", "fontsize": BODY} | look
    return figure.text(left / width, 1 - top / height, text, va="top", **chosen)


def heading(figure: Figure, left: float, title: str, line: str) -> None:
    """The title and one line under it, `left` inches from the figure's edge."""
    for top, words, look in ((0.22, title, {"fontsize": LARGE, "fontweight": "bold"}), (0.50, line, {"color": QUIET})):
        written = write_at(figure, left, top, " ".join(words.split()), **look)
        fit(figure, written, figure.get_size_inches()[0] - left - EDGE_IN)


def unless_doubted(line: str, misfits: Sequence[str]) -> str:
    """The line under a fit's title, or why the fit doesn't describe its recording."""
    return f"NOT BELIEVED: {'; '.join(misfits)}" if misfits else line


def fit(figure: Figure, written: Text, width_in: float) -> None:
    """Shorten a text until it is at most `width_in` inches wide."""
    while written.get_window_extent().width / figure.dpi > width_in and len(written.get_text()) > SHORTEST:
        written.set_text(shortened(written.get_text(), len(written.get_text()) - 2))


class Loosened(NamedTuple):
    """Limits that a picture must own up to: bounds looser than in the shipped profile `based_on`. None by default."""

    based_on: str = ""
    deviations: Sequence[Deviation] = ()

    def lines(self) -> list[str]:
        """One line for each of the first few, and how many more there are."""
        shown = [f"Limits deviate from {self.based_on}: {found}" for found in self.deviations[:DEVIATIONS_SHOWN]]
        left = len(self.deviations) - len(shown)
        return [*shown, f"and {left} more, all in summary.json"] if left else shown

    def height_in(self) -> float:
        """Room in inches that the lines need above the caution."""
        return FOOTER_LINE_IN * len(self.lines())

    def words(self) -> str:
        """All of them as sentences for the alt text, with a space before; "" when there are none."""
        told = "; ".join(str(found) for found in self.deviations)
        return f" Limits deviate from {self.based_on}: {told}." if told else ""


AS_SHIPPED: Final = Loosened()
"""No bound is looser than in a shipped profile."""


def footer(figure: Figure, left: float, loosened: Loosened) -> None:
    """The lower margin: loosened limits, a line each, then the caution in two lines."""
    width, height = figure.get_size_inches()
    top = height - 0.44 - loosened.height_in()
    for line in loosened.lines():
        fit(figure, write_at(figure, left, top, line, fontsize=SMALL), width - left - EDGE_IN)
        top += FOOTER_LINE_IN
    write_at(figure, left, height - 0.44, MARGIN, fontsize=SMALL, fontweight="bold", linespacing=1.35)


def shortened(text: str, length: int) -> str:
    """`text` on one line of at most `length` characters."""
    line = " ".join(text.split())
    return line if len(line) <= length else line[: length - 3].rstrip() + "..."


def save(figure: Figure, file: Path, title: str, alt_text: str) -> None:
    """Write a PNG that carries its alt text and the caution in its metadata (nothing that changes from run to run)."""
    metadata = {"Title": title, "Description": alt_text, "Disclaimer": SHORT}
    figure.savefig(file, format="png", dpi=DPI, metadata=metadata)
