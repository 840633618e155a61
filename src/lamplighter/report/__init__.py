"""From an assessment to a page a person reads."""

from lamplighter.report.page import render, write_report
from lamplighter.report.view import build_view

__all__ = ["build_view", "render", "write_report"]
