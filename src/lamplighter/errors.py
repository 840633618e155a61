"""The errors that the command line turns into one line and exit code 2."""

from __future__ import annotations

from pathlib import Path


class LamplighterError(Exception):
    """A problem the user can mend; its text is one line that names the remedy."""


class InputError(LamplighterError):
    """A file could not be read as what it should be.

    Parameters
    ----------
    problem : str
        What is wrong, in plain words.
    file : path or str, optional
        The file at fault.
    line : int, optional
        1-based line in that file.
    remedy : str, optional
        What the user can do about it.
    """

    def __init__(
        self, problem: str, *, file: str | Path | None = None, line: int | None = None, remedy: str | None = None
    ) -> None:
        self.problem, self.file, self.line, self.remedy = problem, file, line, remedy
        place = "" if file is None else f"{file}: " if line is None else f"{file}, line {line}: "
        super().__init__(" ".join(f"{place}{problem}{'' if remedy is None else f' ({remedy})'}".split()))

    def __reduce__(self) -> tuple:
        return (_rebuild, (type(self), self.problem, self.file, self.line, self.remedy))


class SettingsError(InputError):
    """A setting is unknown, of the wrong type, or out of its range."""


def _rebuild(
    kind: type[InputError], problem: str, file: str | None, line: int | None, remedy: str | None
) -> InputError:
    return kind(problem, file=file, line=line, remedy=remedy)
