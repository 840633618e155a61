"""One file: the view model in its template, with style, script and chart library inside and a strict content policy."""

from __future__ import annotations

import base64
import gzip
import hashlib
import importlib.util
from collections.abc import Iterator
from functools import cache
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from lamplighter.report.model import Report
from lamplighter.report.nodes import NEVER
from lamplighter.report.view import build_view
from lamplighter.results import Assessment
from lamplighter.settings.report import ReportSettings

HERE = Path(__file__).parent
CHART_STYLE_ID = "plotly.js-style-global"
"""The chart library adds no rules of its own when an element of this name is there."""


def write_report(assessment: Assessment, path: str | Path, settings: ReportSettings | None = None) -> Path:
    """Write an assessment as one self-contained page.

    Parameters
    ----------
    assessment : Assessment
    path : path
        File to write; replaced when it exists.
    settings : ReportSettings, optional
        Default: those the assessment was made with.

    Returns
    -------
    Path
        The file.
    """
    path = Path(path)
    view = build_view(assessment, settings)
    with open(path, "w", encoding="utf-8", newline="\n") as out:
        out.writelines(render_parts(view))
    return path


def render(report: Report) -> str:
    """Return the page as HTML; the same report gives the same text."""
    return "".join(render_parts(report))


def render_parts(report: Report) -> Iterator[str]:
    """Yield the page part by part: the whole of it, for a large fleet, would fill the memory."""
    script, style, chart_style = _asset("script.js"), _asset("style.css"), _asset("charts.css")
    library, library_hash = chart_library()
    policy = "; ".join((
        "default-src 'none'",
        f"script-src {_hash(script)} {library_hash}",
        f"style-src {_hash(style)} {_hash(chart_style)}",
        "img-src data:",
        "base-uri 'none'",
        "form-action 'none'",
    ))  # fmt: skip
    parts = _template().generate(
        r=report,
        policy=Markup(policy),
        script=Markup(script),
        style=Markup(style),
        chart_style=Markup(chart_style),
        chart_style_id=CHART_STYLE_ID,
        library=Markup(library),
    )
    part = ""
    for part in parts:
        yield part
    if not part.endswith("\n"):
        yield "\n"


@cache
def _template():
    environment = Environment(
        loader=PackageLoader("lamplighter.report", "templates"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=StrictUndefined,
    )
    environment.filters["key"] = _sort_key
    return environment.get_template("page.html")


@cache
def _asset(name: str) -> str:
    return (HERE / name).read_text(encoding="utf-8")


def _hash(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode('utf-8')).digest()).decode('ascii')}'"


@cache
def chart_library() -> tuple[str, str]:
    """Return the chart library, gzip in base64, and its hash for the content policy.

    It is taken from the installed plotly package and runs only when its text has that hash.
    """
    spec = importlib.util.find_spec("plotly")
    if spec is None or spec.origin is None:
        return "", ""
    text = (Path(spec.origin).parent / "package_data" / "plotly.min.js").read_text(encoding="utf-8")
    packed = base64.b64encode(gzip.compress(text.encode("utf-8"), 6, mtime=0)).decode("ascii")
    return packed, _hash(text)


def _sort_key(value: float) -> str:
    """Return a number to sort by as short text, empty when it stands for none."""
    return "" if value >= NEVER else f"{value:.12g}"
