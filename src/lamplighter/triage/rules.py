"""The table of causes and of how likely each piece of evidence is under each of them."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass, fields
from functools import cache
from importlib.resources import files
from pathlib import Path

import numpy as np

from lamplighter.errors import InputError
from lamplighter.fleet import ACTIONS

SIGNALS = ("F", "C", "S", "M")
SUBJECTS = ("node", "gateway", "host")
_FIXED = ("evidence", "kinds", "checks", "present", "absent")


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseRule:
    """What a cause asks for.

    Parameters
    ----------
    cause : str
        Its name in plain words.
    subjects : tuple of str
        What it can befall: node, gateway, host.
    action : str
        What a person should do.
    signal : str
        NE 107 signal of the cause.
    prior : float
        Relative frequency among troubles [-].
    minutes : float
        Time the job takes on site [min].
    part : str
        What to bring: ``battery``, ``antenna``, ``gateway``, ``node`` or nothing.
    on_site : bool
        Whether a trip is needed.
    log_action : str
        The work log action that the job ends with.
    cautions : tuple of str
        Keys of the table of cautions.
    steps : tuple of str
        The job, step by step.
    """

    cause: str
    subjects: tuple[str, ...]
    action: str
    signal: str
    prior: float
    minutes: float
    part: str
    on_site: bool
    log_action: str
    cautions: tuple[str, ...]
    steps: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class EvidenceRule:
    """A piece of evidence.

    ``kinds`` are the finding kinds that show it; its absence counts once one of ``checks`` has looked.
    """

    evidence: str
    kinds: frozenset[str]
    checks: tuple[str, ...]
    present: str
    absent: str


@dataclass(frozen=True)
class Rules:
    """Causes, evidence, and the probability of each piece of evidence under each cause.

    ``likelihood`` has shape (n_evidence, n_causes), entries strictly between 0 and 1.
    """

    causes: tuple[CauseRule, ...]
    evidence: tuple[EvidenceRule, ...]
    likelihood: np.ndarray

    def cause(self, name: str) -> CauseRule:
        """Return the rule of a cause by name."""
        return next(c for c in self.causes if c.cause == name)


@cache
def load_rules(path: str = "") -> Rules:
    """Load the table of causes that comes along, with the likelihoods from ``path`` when one is given.

    Parameters
    ----------
    path : str
        A CSV file of the form of ``triage/data/evidence.csv``; empty for the one that comes along.

    Raises
    ------
    InputError
        When a table lacks a column, or a cell is not what it should be; names file and line.
    """
    return Rules(*_parse(_text("causes.csv"), *((Path(path).name, _read(path)) if path else _text("evidence.csv"))))


def _text(name: str) -> tuple[str, str]:
    return name, files("lamplighter.triage").joinpath("data", name).read_text(encoding="utf-8")


def _read(path: str) -> str:
    try:
        return Path(path).read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as bad:
        raise InputError(
            "cannot read the table of likelihoods", file=path, remedy="check rules_file in [triage]"
        ) from bad


def _parse(
    causes: tuple[str, str], name: str, text: str
) -> tuple[tuple[CauseRule, ...], tuple[EvidenceRule, ...], np.ndarray]:
    known = tuple(
        _cause(causes[0], line, row) for line, row in _rows(*causes, tuple(f.name for f in fields(CauseRule)))
    )
    names = [c.cause for c in known]
    table = _rows(name, text, (*_FIXED, *names))
    rules = tuple(_evidence(name, line, row) for line, row in table)
    likelihood = np.array([[_share(name, line, c, row[c]) for c in names] for line, row in table])
    return known, rules, likelihood


def _rows(file: str, text: str, needed: tuple[str, ...]) -> list[tuple[int, dict[str, str]]]:
    reader = csv.DictReader(io.StringIO(text))
    missing = [n for n in needed if n not in (reader.fieldnames or ())]
    if missing:
        raise InputError(f"has no column {missing[0]!r}", file=file, line=1, remedy=f"columns: {', '.join(needed)}")
    rows = []
    for row in reader:
        if None in row or None in row.values():
            raise InputError(
                "has too many or too few cells", file=file, line=reader.line_num, remedy="one cell a column"
            )
        rows.append((reader.line_num, {k: v.strip() for k, v in row.items()}))
    firsts = [row[needed[0]] for _, row in rows]
    for (line, _), first in zip(rows, firsts, strict=True):
        if not first or firsts.count(first) > 1:
            raise InputError(f"{needed[0]} {first!r} is empty or stands here twice", file=file, line=line)
    return rows


def _cause(file: str, line: int, row: dict[str, str]) -> CauseRule:
    for column, allowed in (("signal", SIGNALS), ("on_site", ("yes", "no")), ("log_action", ACTIONS)):
        if row[column] not in allowed:
            raise InputError(
                f"{column} {row[column]!r}", file=file, line=line, remedy=f"use one of {', '.join(allowed)}"
            )
    return CauseRule(
        cause=row["cause"],
        subjects=tuple(row["subjects"].split()),
        action=row["action"],
        signal=row["signal"],
        prior=_share(file, line, "prior", row["prior"]),
        minutes=float(row["minutes"]),
        part=row["part"],
        on_site=row["on_site"] == "yes",
        log_action=row["log_action"],
        cautions=tuple(filter(None, row["cautions"].split(";"))),
        steps=tuple(filter(None, row["steps"].split("|"))),
    )


def _evidence(file: str, line: int, row: dict[str, str]) -> EvidenceRule:
    if not row["kinds"]:
        raise InputError("column kinds is empty", file=file, line=line, remedy="name the finding kinds that show it")
    return EvidenceRule(
        evidence=row["evidence"],
        kinds=frozenset(row["kinds"].split()),
        checks=tuple(row["checks"].split()),
        present=row["present"],
        absent=row["absent"],
    )


def _share(file: str, line: int, column: str, text: str) -> float:
    try:
        share = float(text)
    except ValueError:
        share = float("nan")
    if not 0 < share < 1:
        raise InputError(
            f"column {column}: {text!r} is not a probability",
            file=file,
            line=line,
            remedy="use more than 0 and less than 1",
        )
    return share
