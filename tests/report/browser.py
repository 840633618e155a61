"""A real browser for the tests of the page: Debian's chromium, headless, off the network."""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

CHROMIUM, DRIVER = "/usr/bin/chromium", "/usr/bin/chromedriver"
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--hide-scrollbars",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip
DESKTOP, PHONE = (1440, 900), (390, 844)


def missing() -> str:
    """Return why there is no browser, empty when there is one."""
    absent = [path for path in (CHROMIUM, DRIVER) if shutil.which(path) is None]
    return f"{' and '.join(absent)} not installed" if absent else ""


def axe_source() -> str | None:
    """Return the accessibility checker's script, when AXE_CORE names it."""
    path = Path(os.environ.get("AXE_CORE", ""))
    return path.read_text(encoding="utf-8") if path.is_file() else None


class Browser:
    """One browser session, with what the tests ask of it."""

    def __init__(self, profile: Path) -> None:
        from selenium import webdriver
        from selenium.webdriver.chrome.service import Service

        options = webdriver.ChromeOptions()
        options.binary_location = CHROMIUM
        for flag in (*FLAGS, f"--user-data-dir={profile}"):
            options.add_argument(flag)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
        self.driver = webdriver.Chrome(options=options, service=Service(DRIVER))
        self.size(*DESKTOP)

    def cdp(self, name: str, **parameters: Any) -> dict:
        """Send a command of the browser's own protocol."""
        return self.driver.execute_cdp_cmd(name, parameters)

    def size(self, width: int, height: int) -> None:
        """Set the size of the window in CSS pixels."""
        self.cdp("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=False)

    def js(self, script: str, *arguments: Any) -> Any:
        """Run a script and return its value."""
        return self.driver.execute_script(script, *arguments)

    def open(self, path: Path, size: tuple[int, int] = DESKTOP, wait: bool = True) -> None:
        """Open a page, and wait until the fleet charts stand."""
        self.size(*size)
        self.driver.get("about:blank")
        self.driver.get_log("browser")
        self.driver.get(path.as_uri())
        if wait and self.js("return document.querySelector('figure[data-panel]') !== null"):
            self.until(lambda: self.js("return document.documentElement.dataset.fleet") == "drawn")

    def until(self, holds: Callable[[], Any], seconds: float = 15.0) -> Any:
        """Wait until something holds, and return it."""
        end = time.monotonic() + seconds
        while not (value := holds()):
            assert time.monotonic() < end, "the page took too long"
            time.sleep(0.03)
        return value

    def keys(self, *keys: str) -> None:
        """Press keys where the focus is."""
        from selenium.webdriver.common.action_chains import ActionChains

        ActionChains(self.driver, duration=0).send_keys(*keys).perform()

    def complaints(self) -> list[str]:
        """Return what the console said since the page was opened."""
        return [entry["message"] for entry in self.driver.get_log("browser")]

    def rows(self) -> list[str]:
        """Return the nodes of the table that are shown, in order."""
        return self.js(
            "return [...document.querySelectorAll('#node-table tbody tr:not([hidden])')]"
            ".map(r => r.cells[2].querySelector('a').textContent)"
        )

    def draw(self, place: int = 0) -> str:
        """Open a node's section and wait for its charts; return its anchor."""
        anchor = self.js("return document.querySelectorAll('details.node:not(.shared)')[arguments[0]].id", place)
        self.js("document.getElementById(arguments[0]).open = true", anchor)
        state = "return document.getElementById(arguments[0]).dataset.state"
        self.until(lambda: self.js(state, anchor) == "drawn")
        return anchor
