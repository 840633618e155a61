"""An export's bytes: its first lines, and its blocks of rows."""

from __future__ import annotations

from collections.abc import Iterator

from lamplighter.errors import InputError
from lamplighter.intake.files import READ_ERRORS, Export, opened, refuse_no_text, unreadable
from lamplighter.intake.plan import Plan
from lamplighter.intake.recognise import make_plan
from lamplighter.intake.text import HEAD_BYTES, Block, TextStream, blocks_of, encoding_of
from lamplighter.settings import Settings


def plan_of(export: Export, settings: Settings) -> Plan:
    """Recognise how one export is to be read, as far as its first lines tell.

    Raises
    ------
    InputError
        When it cannot be read or is no export.
    """
    try:
        with opened(export, settings.intake.max_expansion) as raw:
            head = _head_of(raw)
    except InputError:
        raise
    except READ_ERRORS as bad:
        raise unreadable(export.name, bad) from bad
    refuse_no_text(head, export.name)
    encoding = settings.intake.encoding if settings.intake.encoding != "auto" else encoding_of(head)
    try:
        text = head.decode(encoding, errors="replace")
    except LookupError as bad:
        raise InputError(f"encoding {encoding!r} is not known", remedy="use utf-8, utf-16 or cp1252") from bad
    text = text.lstrip("\ufeff").replace("\r\n", "\n").replace("\r", "\n")
    whole = text if len(head) < HEAD_BYTES else text[: text.rfind("\n") + 1] or text
    return make_plan(whole, encoding, export.name, export.stem, settings)


def _head_of(raw) -> bytes:
    """First bytes of a stream; of one that breaks off, what there is."""
    head = b""
    while len(head) < HEAD_BYTES:
        try:
            more = raw.read(HEAD_BYTES - len(head) if not head else 4096)
        except READ_ERRORS:
            if not head:
                raise
            break
        if not more:
            break
        head += more
    return head


def blocks_after_heading(
    export: Export, plan: Plan, settings: Settings, broken: list[str] | None = None
) -> Iterator[Block]:
    """Yield the blocks of an export without the lines up to its headings.

    A file that breaks off (a cut archive, a failing disk) gives what it holds; the reason is added to ``broken``.
    """
    intake = settings.intake
    try:
        with opened(export, intake.max_expansion) as raw:
            stream = TextStream(raw, plan.encoding)
            for block in blocks_of(stream, int(intake.block_mb * 1e6), intake.max_quoted_lines):
                rest = _without_heading(block, plan.heading_line)
                if rest.data:
                    yield rest
            if stream.cut and broken is not None:
                broken.append(stream.cut)
    except InputError:
        raise
    except READ_ERRORS as bad:
        raise unreadable(export.name, bad) from bad


def _without_heading(block: Block, heading_line: int) -> Block:
    if block.line > heading_line:
        return block
    place = 0
    for _ in range(heading_line - block.line + 1):
        end = block.data.find(b"\n", place)
        if end < 0:
            return Block(b"", block.line, False)
        place = end + 1
    return Block(block.data[place:], heading_line + 1, block.quoted)
