"""Makes reports/example/: ``python -m tests.example`` runs the sample data and takes pictures of its report."""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
from pathlib import Path

from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service
from typer.testing import CliRunner

from lamplighter.cli import app

ROOT = Path(__file__).parents[1]
SAMPLE = ROOT / "sample_data"
INTO = ROOT / "reports" / "example"
TABLES = ("nodes.csv", "findings.csv", "visits.csv", "parts.csv")
SHOWN_NODE = "UW-003"
FLAGS = ("--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
         "--disable-component-update", "--disable-sync", "--hide-scrollbars")  # fmt: skip


def run(arguments: list[str]) -> None:
    """Run one command of the tool in this process; stop when it fails."""
    result = CliRunner().invoke(app, arguments, catch_exceptions=False)
    if result.exit_code:
        sys.exit(result.output)


def make_results(folder: Path) -> None:
    """Assess the sample data and plan the visits, as the README says."""
    files = ["--register", "register.csv", "--worklog", "worklog.csv", "--settings", "lamplighter.toml"]
    options = [o if o.startswith("--") else str(SAMPLE / o) for o in files]
    run(["assess", str(SAMPLE / "exports"), *options, "--out", str(folder)])
    run(["visits", str(folder)])


def browser(width: int, height: int) -> webdriver.Chrome:
    """Return Debian's chromium without a window."""
    options = Options()
    options.binary_location = shutil.which("chromium") or "chromium"
    for flag in (*FLAGS, f"--window-size={width},{height}"):
        options.add_argument(flag)
    driver = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
    driver.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600},
    )
    return driver


def take_pictures(page: Path) -> None:
    """Take the first screen on a desktop and on a phone, and one node's section."""
    for name, width, height, anchor in (
        ("report-desktop.png", 1280, 900, ""),
        ("report-phone.png", 390, 844, ""),
        ("report-node.png", 1280, 1200, SHOWN_NODE),
    ):
        driver = browser(width, height)
        try:
            driver.get(page.as_uri())
            if anchor:
                open_node(driver, anchor)
            driver.save_screenshot(str(INTO / name))
        finally:
            driver.quit()


def open_node(driver: webdriver.Chrome, node: str) -> None:
    """Open one node's section, wait until its charts are drawn, and bring it to the top."""
    from selenium.webdriver.support.ui import WebDriverWait

    section = driver.execute_script(
        "const n = [...document.querySelectorAll('details.node')].find("
        "d => d.querySelector('summary').textContent.includes(arguments[0])); n.open = true; return n;",
        node,
    )
    WebDriverWait(driver, 20).until(
        lambda d: d.execute_script("return arguments[0].querySelector('svg') !== null", section)
    )
    time.sleep(4)  # the fleet charts above are drawn meanwhile and move the page
    driver.execute_script("arguments[0].scrollIntoView()", section)
    time.sleep(1)


if __name__ == "__main__":
    INTO.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        make_results(folder)
        for table in TABLES:
            shutil.copy(folder / table, INTO / table)
        take_pictures(folder / "report.html")
