"""The history: check-ins of all weeks in one folder, safe to interrupt at any instant."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from lamplighter.intake.files import Broken, find_exports
from lamplighter.intake.store.collect import collect_with
from lamplighter.intake.store.exports import ExportReader
from lamplighter.intake.store.found import CollectResult, Progress
from lamplighter.intake.store.history import History
from lamplighter.intake.store.upkeep import Forgetting, describe, forget, plan_forgetting, verify
from lamplighter.settings import Settings

__all__ = ["CollectResult", "Forgetting", "History", "collect", "describe", "forget", "plan_forgetting", "verify"]


def collect(
    paths: Sequence[str | Path],
    history_dir: str | Path,
    settings: Settings | None = None,
    *,
    units: Mapping[str, str] | None = None,
    progress: Progress | None = None,
) -> CollectResult:
    """Append exports to a history, all of them or, when anything goes wrong, none.

    Files whose content was collected before are skipped; check-ins that are there already count as
    duplicates; late rows find their place. A reader sees the history as before or as after.

    Parameters
    ----------
    paths : sequence of str or Path
        Files, folders or globs.
    history_dir : str or Path
        The history; made when missing.
    settings : Settings, optional
    units : mapping of node to unit, optional
        Units of readings, from the register.
    progress : callable, optional
        Called with the number of files done and in all.

    Returns
    -------
    CollectResult

    Raises
    ------
    InputError
        When nothing can be read, the folder cannot be written, or another run is writing to it.
    """
    chosen = settings or Settings()
    direct: dict[Path, bool] = {}
    for export in find_exports(paths, chosen.intake.max_expansion):
        path = Path(export.name if isinstance(export, Broken) else export.path)
        direct[path] = direct.get(path, False) or export.direct
    reader = ExportReader(chosen, units or {}, frozenset(p for p, named in direct.items() if named))
    return collect_with(sorted(direct), history_dir, chosen, reader, progress)
