"""Settings: defaults, ranges, unknown names, and the round trip through TOML."""

from __future__ import annotations

import tomllib
from dataclasses import fields, is_dataclass
from pathlib import Path

import pytest

from lamplighter.errors import SettingsError
from lamplighter.settings import Settings, load_settings, read_settings, settings_toml

SECTIONS = [f for f in fields(Settings) if is_dataclass(f.default_factory)]


def test_defaults_survive_a_round_trip_through_a_file(tmp_path: Path) -> None:
    path = tmp_path / "lamplighter.toml"
    path.write_text(settings_toml(Settings()), encoding="utf-8")
    assert read_settings(path) == Settings()


def test_changed_values_survive_too() -> None:
    chosen = load_settings(
        {
            "timezone": "America/Denver",
            "columns": {'od"d\\': "x\ny"},
            "weekly": {"mail_to": ["a@b.example", "c@d.example"]},
        }
    )
    assert load_settings(tomllib.loads(settings_toml(chosen))) == chosen


@pytest.mark.parametrize("section", SECTIONS, ids=lambda f: f.name)
def test_every_setting_has_a_unit_a_reason_and_a_source(section) -> None:
    for f in fields(section.default_factory):
        assert f.metadata["unit"], f.name
        assert f.metadata["reason"].endswith("."), f.name
        assert f.metadata["source"], f.name


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ({"stuk": {}}, "did you mean stuck"),
        ({"weekly": {"inbx": "a"}}, "did you mean inbox"),
        ({"weekly": {"keep_weeks": 0}}, "outside its range"),
        ({"weekly": {"keep_weeks": "many"}}, "must be a whole number"),
        ({"weekly": {"stale_hours": True}}, "must be a number"),
        ({"weekly": {"notify_at": "X"}}, "use one of F, C, S, M"),
        ({"weekly": {"stale_hours": float("nan")}}, "outside its range"),
        ({"weekly": 3}, "must be a section"),
        ({"timezone": "Mars/Olympus"}, "not known"),
        ({"timezone": {}}, "wrong shape"),
        ({"columns": {"node": 3}}, "must be text"),
    ],
)
def test_a_wrong_setting_is_refused_with_a_remedy(data: dict, words: str) -> None:
    with pytest.raises(SettingsError, match=words):
        load_settings(data)


def test_whole_numbers_pass_for_numbers() -> None:
    assert load_settings({"weekly": {"stale_hours": 24}}).weekly.stale_hours == 24.0


@pytest.mark.parametrize(
    ("content", "words"),
    [(b"a = [", "not a valid settings file"), (b"\xff\xfe\x00", "not UTF-8"), (None, "cannot read")],
)
def test_an_unreadable_file_is_one_line_with_its_name(tmp_path: Path, content: bytes | None, words: str) -> None:
    path = tmp_path / "lamplighter.toml"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(SettingsError, match=words) as caught:
        read_settings(path)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_the_error_names_the_file_of_a_wrong_setting(tmp_path: Path) -> None:
    path = tmp_path / "s.toml"
    path.write_text("[weekly]\nkeep_weeks = -1\n", encoding="utf-8")
    with pytest.raises(SettingsError, match=r"s\.toml: \[weekly\] setting keep_weeks"):
        read_settings(path)


def test_a_file_that_is_no_toml_is_refused_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "lamplighter.toml"
    path.write_text('timezone = "UTC"\n[data\n')
    with pytest.raises(SettingsError) as caught:
        read_settings(path)
    assert caught.value.line == 2
    assert caught.value.remedy


def test_a_wrong_value_names_its_section(tmp_path: Path) -> None:
    path = tmp_path / "lamplighter.toml"
    path.write_text('[data]\nabsent_share = "x"\n')
    with pytest.raises(SettingsError, match=r"\[data\] setting absent_share must be a number"):
        read_settings(path)
