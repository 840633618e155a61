"""Running things for the benchmark: each in a process of its own, timed, with its peak memory."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

MB = 1e6


@dataclass(frozen=True)
class Timed:
    """Wall time and processor time [s], peak memory of the process [bytes], and what it printed."""

    seconds: float
    cpu: float
    peak: float
    out: str

    @property
    def data(self) -> dict:
        """The last line it printed, as JSON."""
        return json.loads(self.out.splitlines()[-1])


def run(*command: str | Path) -> Timed:
    """Run a command to its end.

    Raises
    ------
    RuntimeError
        When it fails.
    """
    began = time.perf_counter()
    process = subprocess.Popen([str(c) for c in command], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    with process.stdout, process.stderr:
        out, err = process.stdout.read(), process.stderr.read()
    _, status, usage = os.wait4(process.pid, 0)
    seconds = time.perf_counter() - began
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise RuntimeError(f"{' '.join(map(str, command))}\n{err}")
    unit = 1 if sys.platform == "darwin" else 1024
    return Timed(seconds, usage.ru_utime + usage.ru_stime, usage.ru_maxrss * unit, out)


def python(*arguments: str | Path) -> Timed:
    """Run this Python."""
    return run(sys.executable, *arguments)
