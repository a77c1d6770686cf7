"""Write a report: all three files, or none."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from calibration.files import write_files
from cli.report.document import report_document

if TYPE_CHECKING:
    from vision.result import JobResult


def write_report(
    result: JobResult, folder: Path, written: datetime | None = None
) -> dict[str, Path]:
    """Write report.json, report.csv and report.html into a folder, which is made if need be.

    Returns
    -------
    The paths by "json", "csv", "html".

    Raises
    ------
    WitmarkError
        Where the folder cannot be written.
    """
    # Pictures and page load OpenCV and Jinja, which reading a report back does not need.
    from cli.report.page import html_page
    from cli.report.pictures import figures
    from cli.report.rows import feature_rows

    document = report_document(result, written)
    texts = {
        "json": json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n",
        "csv": feature_rows(document),
        "html": html_page(document, figures(result.picture)),
    }
    paths = {kind: folder / f"report.{kind}" for kind in texts}
    write_files({paths[kind]: text.encode("utf-8") for kind, text in texts.items()})
    return paths
