"""The shell blocks of the pages in docs/, and what each page shows as their output.

A fence of kind `sh` begins a block, one of kind `sh quick` a cheap block. A fence of kind `text` right behind it is an
excerpt of what it prints: in it `...` on a line of its own stands for any lines, and within a line for any text. A
command that is meant to fail says `# exit code N` behind itself and ends its block.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"

_FENCE = re.compile(r"^```(?P<kind>[^\n`]*)\n(?P<inside>.*?)^```$", re.MULTILINE | re.DOTALL)
_CODE = re.compile(r"# exit code (\d+)\s*$")


class Block(NamedTuple):
    """One shell block: page (path in docs/), line of its fence from 1, commands, is it cheap, excerpt ("" for none)."""

    page: str
    line: int
    commands: str
    quick: bool
    shown: str

    @property
    def exit_code(self) -> int:
        """The code that the block's last command is meant to end with."""
        said = _CODE.search(self.commands)
        return int(said[1]) if said else 0


def pages() -> list[Path]:
    """Every page in docs/, sorted by path."""
    return sorted(DOCS.rglob("*.md"))


def blocks_of(page: Path) -> list[Block]:
    """The page's shell blocks in reading order."""
    text = page.read_text("utf-8")
    fences = list(_FENCE.finditer(text))
    found = []
    for place, fence in enumerate(fences):
        kind = fence["kind"].split()
        if kind[:1] != ["sh"]:
            continue
        after = fences[place + 1] if place + 1 < len(fences) else None
        is_shown = after is not None and after["kind"] == "text" and not text[fence.end() : after.start()].strip()
        shown = after["inside"] if after is not None and is_shown else ""
        line = text.count("\n", 0, fence.start()) + 1
        found.append(Block(page.relative_to(DOCS).as_posix(), line, fence["inside"], "quick" in kind, shown))
    return found


def play(block: Block, folder: Path) -> str:
    """What a block prints in `folder`, run as a reader does. AssertionError when its exit code isn't the one said."""
    paths = os.pathsep.join([str(Path(sys.executable).parent), os.environ["PATH"]])
    bash = shutil.which("bash")
    assert bash is not None
    done = subprocess.run(
        [bash, "-e", "-o", "pipefail", "-c", block.commands],
        cwd=folder,
        env={**os.environ, "PATH": paths, "COLUMNS": "120"},
        capture_output=True,
        text=True,
        check=False,
    )
    where = f"docs/{block.page}, line {block.line}"
    printed = done.stdout + done.stderr
    assert done.returncode == block.exit_code, f"{where}: exit code {done.returncode}\n{printed[-3000:]}"
    assert "Traceback" not in printed, f"{where}\n{printed[-3000:]}"
    return printed


def clone(folder: Path) -> Path:
    """A folder that holds what a reader's clone holds of files the pages read. Nothing is written into the real one."""
    for name in ("scenarios/gallery", "safety/profiles"):
        shutil.copytree(ROOT / name, folder / name)
    return folder


def missing_lines(shown: str, printed: str) -> list[str]:
    """Lines of an excerpt that what was printed does not hold, or not in this order."""
    there = [line.rstrip() for line in printed.splitlines()]
    at = 0
    missing = []
    for line in filter(None, map(str.rstrip, shown.splitlines())):
        if line.strip() == "...":
            continue
        wanted = re.compile(".*".join(re.escape(part) for part in line.split("...")))
        place = next((n for n in range(at, len(there)) if wanted.fullmatch(there[n])), None)
        if place is None:
            missing.append(line)
        else:
            at = place + 1
    return missing


def joined_lines(commands: str) -> Iterator[str]:
    """The lines of a shell block, continued ones as one."""
    yield from commands.replace("\\\n", " ").splitlines()
