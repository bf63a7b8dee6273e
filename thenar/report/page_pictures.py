"""Pictures inside a page: smaller than on disk, each with the alt text that it carries."""

from __future__ import annotations

from base64 import b64encode
from html import escape
from io import BytesIO
from pathlib import Path
from typing import Final

from PIL import Image

from thenar.shared.errors import InputError, Problem

COLOURS: Final = 96
"""Enough for lines, letters and their soft edges; our pictures use a dozen colours."""


def figure(file: Path) -> str:
    """The picture `file` (a PNG that thenar drew) as HTML, with its own words as alt text and open to read below it.

    Raises InputError when it can't be read.
    """
    try:
        with Image.open(file) as opened:
            opened.load()
            words = {key: str(value) for key, value in opened.info.items() if isinstance(value, str)}
            flat = Image.new("RGB", opened.size, "white")
            flat.paste(opened, mask=opened.getchannel("A") if opened.mode == "RGBA" else None)
    except (OSError, ValueError, SyntaxError) as error:
        raise InputError([Problem(str(file), "", str(error) or type(error).__name__, "a picture of thenar")]) from None
    few = flat.quantize(COLOURS, dither=Image.Dither.NONE)
    kept = BytesIO()
    few.save(kept, "PNG", optimize=True)
    content = b64encode(kept.getvalue()).decode("ascii")
    alt = words.get("Description", f"The picture {file.name}")
    return (
        f'<figure><img src="data:image/png;base64,{content}" alt="{escape(alt)}" width="{flat.width}" '
        f'height="{flat.height}"><figcaption>{escape(file.name)}</figcaption>'
        f"<details><summary>{escape(file.name)} in words</summary><p>{escape(alt)}</p></details></figure>"
    )


def figures(folder: Path, names: tuple[str, ...] | None = None) -> str:
    """All pictures of `folder` in the order of `names` (those of them that are there), else in that of their names."""
    files = sorted(folder.glob("*.png")) if names is None else [folder / name for name in names]
    return "".join(figure(file) for file in files if file.is_file())
