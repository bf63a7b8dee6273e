"""`thenar report DIR...`: finished folders as one page that opens from disk."""

from __future__ import annotations

import argparse
from pathlib import Path

from thenar.caution import SHORT
from thenar.cli.page_file import refuse_unless_ours, write_page
from thenar.cli.show import progress, show_json
from thenar.report.folder import open_finished
from thenar.report.page_folders import report_page, trials_in
from thenar.report.page_frame import MARK
from thenar.report.page_results import RECORDS


def command(chosen: argparse.Namespace) -> int:
    """Write the page. Returns 0; bad input raises InputError."""
    folders = [Path(folder) for folder in chosen.folders]
    first = folders[0].resolve()
    out = Path(chosen.out) if chosen.out else folders[0].parent / f"{first.name}-report.html"
    refuse_unless_ours(out, folders, "report", MARK)
    opened = [open_finished(folder, "run", *RECORDS) for folder in folders]
    with progress(trials_in(opened), "reading traces", quiet=chosen.json) as advance:
        text = report_page(opened, advance, out.parent)
    write_page(out, text)
    size = len(text.encode())
    if chosen.json:
        show_json({"page": str(out), "bytes": size, "caution": SHORT})
    else:
        print(f"page: {out} ({size / 1e6:.1f} MB, opens without a network)\n{SHORT}")
    return 0
