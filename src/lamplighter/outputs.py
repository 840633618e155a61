"""Writes an assessment into a folder: the report, the tables and the JSON."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryFile

import pandas as pd

from lamplighter.errors import InputError
from lamplighter.report import write_report
from lamplighter.results import Assessment, write_assessment
from lamplighter.tables import (
    FINDING_COLUMNS,
    GAP_COLUMNS,
    NODE_COLUMNS,
    REJECT_COLUMNS,
    result_rows,
    write_csv,
)


def ready_folder(folder: str | Path) -> Path:
    """Make a folder to write into, so that a wrong one is told before the work and not after it.

    Raises
    ------
    InputError
        When it cannot be made or written.
    """
    folder = Path(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with TemporaryFile(dir=folder):
            pass
    except OSError as bad:
        said = "" if isinstance(bad, FileNotFoundError) else f": {bad.strerror}"
        raise InputError(
            f"cannot write into this folder{said}", file=folder, remedy="choose another --out folder"
        ) from bad
    return folder


def write_outputs(assessment: Assessment, rejects: pd.DataFrame, folder: str | Path) -> Path:
    """Write report.html, nodes.csv, findings.csv, gaps.csv, rejects.csv and assessment.json.

    Parameters
    ----------
    assessment : Assessment
    rejects : DataFrame
        Rejected records: file, line, reason, text.
    folder : path
        Made when missing; files of an earlier run are replaced.

    Returns
    -------
    Path
        The report.

    Raises
    ------
    InputError
        When the folder cannot be written.
    """
    folder = ready_folder(folder)
    try:
        write_csv(folder / "nodes.csv", NODE_COLUMNS, result_rows(assessment.nodes, NODE_COLUMNS))
        write_csv(folder / "findings.csv", FINDING_COLUMNS, result_rows(assessment.findings, FINDING_COLUMNS))
        write_csv(folder / "gaps.csv", GAP_COLUMNS, result_rows(assessment.gaps, GAP_COLUMNS))
        write_csv(
            folder / "rejects.csv", REJECT_COLUMNS, rejects[list(REJECT_COLUMNS)].itertuples(index=False, name=None)
        )
        write_assessment(assessment, folder / "assessment.json")
        write_report(assessment, folder / "report.html")
    except OSError as bad:
        raise InputError(f"cannot write: {bad.strerror}", file=folder, remedy="choose another --out folder") from bad
    return folder / "report.html"
