"""Running things for the benchmark: each in a process of its own, timed, with the peak memory of it and its workers."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import psutil

EVERY_S = 0.25
"""How often memory is sampled [s]: often enough to see a step of a run, seldom enough not to slow it."""


@dataclass(frozen=True)
class Timed:
    """Wall time and processor time [s], peak memory with all workers [bytes], and what it printed.

    Memory is the sum over the process and all below it of their proportional set sizes (what processes share is divided
    among them), sampled; or what the process alone has had at the most, where that is more.
    """

    seconds: float
    cpu: float
    peak: float
    out: str

    @property
    def data(self) -> dict:
        """The last line it printed, as JSON."""
        return json.loads(self.out.splitlines()[-1])


class Watch:
    """Samples the memory of a process and all below it, in a thread, until told to stop."""

    def __init__(self, pid: int) -> None:
        self.peak = 0
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._look, args=(pid,), daemon=True)
        self._thread.start()

    def _look(self, pid: int) -> None:
        with suppress(psutil.NoSuchProcess):
            top = psutil.Process(pid)
            while not self._over.wait(EVERY_S):
                now = sum(map(memory_of, [top, *top.children(recursive=True)]))
                self.peak = max(self.peak, now, high_water(pid))

    def stop(self) -> int:
        """Return the greatest memory seen [bytes]."""
        self._over.set()
        self._thread.join()
        return self.peak


def memory_of(process: psutil.Process) -> int:
    """Return the memory of a process, what it shares divided among those that share it; 0 when it is gone [bytes]."""
    try:
        full = process.memory_full_info()
    except psutil.Error:
        return 0
    return getattr(full, "pss", full.uss)


def high_water(pid: int) -> int:
    """Return the most that a process alone has had in memory since it began, where the system tells it [bytes].

    What the parent is told at the end is no help: it counts from the parent's own memory on.
    """
    with suppress(OSError), open(f"/proc/{pid}/status", encoding="utf-8") as status:
        return next((1024 * int(line.split()[1]) for line in status if line.startswith("VmHWM:")), 0)
    return 0


def run(*command: str | Path) -> Timed:
    """Run a command to its end.

    Raises
    ------
    RuntimeError
        When it fails.
    """
    began = time.perf_counter()
    process = subprocess.Popen([str(c) for c in command], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    watch = Watch(process.pid)
    with process.stdout, process.stderr:
        out, err = process.stdout.read(), process.stderr.read()
    peak = watch.stop()
    _, status, usage = os.wait4(process.pid, 0)
    seconds = time.perf_counter() - began
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise RuntimeError(f"{' '.join(map(str, command))}\n{err}")
    return Timed(seconds, usage.ru_utime + usage.ru_stime, peak, out)


def python(*arguments: str | Path) -> Timed:
    """Run this Python."""
    return run(sys.executable, *arguments)
