"""Pictures inside a page: smaller than on disk, each with the alt text that it carries."""

from __future__ import annotations

import warnings
from base64 import b64encode
from html import escape
from io import BytesIO
from typing import Final

from PIL import Image

from thenar.report.folder import FinishedFolder, shown_whole
from thenar.shared.errors import InputError, Problem

COLOURS: Final = 96
"""Enough for lines, letters and their soft edges; our pictures use a dozen colours."""
MOST_PIXELS: Final = 40_000_000


def figure(folder: FinishedFolder, name: str) -> str:
    """The picture `name` (a PNG that thenar drew) as HTML, with its own words as alt text and open to read below it.

    Raises InputError when it can't be read.
    """
    content = folder.content(name)
    try:
        with warnings.catch_warnings(), Image.open(BytesIO(content), formats=("PNG",)) as opened:
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            if opened.width * opened.height > MOST_PIXELS:
                found = f"{opened.width} x {opened.height} pixels"
                raise InputError([Problem(folder.file(name), "", found, f"at most {MOST_PIXELS} pixels")])
            opened.load()
            words = {key: str(value) for key, value in opened.info.items() if isinstance(value, str)}
            flat = Image.new("RGB", opened.size, "white")
            flat.paste(opened, mask=opened.getchannel("A") if opened.mode == "RGBA" else None)
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError, Image.DecompressionBombWarning) as error:
        found = shown_whole(str(error) or type(error).__name__)
        raise InputError([Problem(folder.file(name), "", found, "a picture of thenar")]) from None
    few = flat.quantize(COLOURS, dither=Image.Dither.NONE)
    kept = BytesIO()
    few.save(kept, "PNG", optimize=True)
    packed = b64encode(kept.getvalue()).decode("ascii")
    alt = words.get("Description", f"The picture {name}")
    return (
        f'<figure><img src="data:image/png;base64,{packed}" alt="{escape(alt)}" width="{flat.width}" '
        f'height="{flat.height}"><figcaption>{escape(name)}</figcaption>'
        f"<details><summary>{escape(name)} in words</summary><p>{escape(alt)}</p></details></figure>"
    )


def figures(folder: FinishedFolder, names: tuple[str, ...] | None = None) -> str:
    """All pictures of `folder` in the order of `names` (those of them that are there), else in that of their names."""
    listed = folder.names("*.png") if names is None else [name for name in names if name in folder]
    return "".join(figure(folder, name) for name in listed)
