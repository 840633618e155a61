"""The public names are what they say, whatever was imported before them."""

from __future__ import annotations

import subprocess
import sys

import pytest

import lamplighter


@pytest.mark.parametrize("name", lamplighter.__all__)
def test_every_public_name_is_there(name: str) -> None:
    assert callable(getattr(lamplighter, name))


@pytest.mark.parametrize(
    "first", ["lamplighter.cli", "lamplighter.pipeline", "lamplighter.report", "lamplighter.weekly"]
)
def test_functions_stay_functions_whatever_was_imported_first(first: str) -> None:
    code = (
        f"import {first}; from lamplighter import assess, read_exports, write_report; "
        "print(callable(assess), callable(read_exports), callable(write_report))"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.split() == ["True"] * 3


def test_an_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        lamplighter.nothing  # noqa: B018
