"""Writes the generated parts of the README: ``python -m tests.docs``; a test says when they are out of date."""

from __future__ import annotations

import re
from dataclasses import fields, is_dataclass
from pathlib import Path

import typer.main

from lamplighter.cli import app
from lamplighter.settings import Settings

README = Path(__file__).parents[1] / "README.md"


def settings_reference() -> str:
    """Return every setting with default, unit, reason and source, a table a section."""
    parts = []
    for section in fields(Settings):
        if not is_dataclass(section.default_factory):
            continue
        rows = ["| setting | default | unit | why | source |", "|---|---|---|---|---|"]
        values = section.default_factory()
        for f in fields(values):
            cells = (
                f"`{f.name}`",
                f"`{_shown(getattr(values, f.name))}`",
                *(f.metadata[k] for k in ("unit", "reason", "source")),
            )
            rows.append("| " + " | ".join(c.replace("|", "\\|") for c in cells) + " |")
        parts.append(f"#### `[{section.name}]`\n\n" + "\n".join(rows))
    return "\n\n".join(parts)


def _shown(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return str(list(value)) if isinstance(value, tuple) else str(value)


def command_reference() -> str:
    """Return every command with its options."""
    parts = []
    for name, command in sorted(typer.main.get_command(app).commands.items()):
        lines = [f"#### `lamplighter {name}`", "", " ".join((command.help or "").split("\n\n")[0].split()), ""]
        rest = [" ".join(p.split()) for p in (command.help or "").split("\n\n")[1:]]
        lines += [line for p in rest for line in (p, "")]
        lines += ["| option | meaning |", "|---|---|"]
        for p in command.params:
            if p.name == "help":
                continue
            label = ", ".join(p.opts) if p.param_type_name == "option" else f"`{p.name.upper()}`"
            text = " ".join((getattr(p, "help", None) or "").split())
            lines.append(f"| `{label}` | {text} |".replace("``", "`"))
        parts.append("\n".join(lines))
    return "\n\n".join(parts)


BLOCKS = {"settings": settings_reference, "commands": command_reference}


def rendered(text: str) -> str:
    """Return the README with its generated blocks made anew."""
    for name, make in BLOCKS.items():
        begin, end = f"<!-- {name}: made by python -m tests.docs -->", f"<!-- end of {name} -->"
        pattern = re.compile(re.escape(begin) + ".*?" + re.escape(end), re.DOTALL)
        text = pattern.sub(lambda _, b=begin, e=end, m=make: f"{b}\n\n{m()}\n\n{e}", text)
    return text


if __name__ == "__main__":
    README.write_text(rendered(README.read_text(encoding="utf-8")), encoding="utf-8")
