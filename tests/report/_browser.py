"""Chromium without a window, by selenium: what a page looks like, and what it says of itself."""

from __future__ import annotations

import base64
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any

from selenium import webdriver
from selenium.webdriver.chrome.service import Service

TALL = 900


@contextmanager
def browser() -> Iterator[Browser]:
    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium") or "chromium"
    for word in ("headless=new", "no-sandbox", "disable-gpu", "disable-dev-shm-usage"):
        options.add_argument(f"--{word}")
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options, Service(shutil.which("chromedriver")))
    try:
        yield Browser(driver)
    finally:
        driver.quit()


class Browser:
    """One page at a time; nothing of it is taken from anywhere else."""

    def __init__(self, driver: webdriver.Chrome) -> None:
        self.driver = driver

    def show(self, path: Path, width: int, *, dark: bool = False, paper: bool = False) -> None:
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.tell("Emulation.setEmulatedMedia", media="print" if paper else "", features=[scheme])
        self.tell(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=TALL,
            deviceScaleFactor=1,
            mobile=False,
        )
        self.driver.get(path.as_uri())

    def tell(self, command: str, **values: object) -> dict[str, Any]:
        answer: dict[str, Any] = self.driver.execute_cdp_cmd(command, values)
        return answer

    def run(self, script: str, *values: object) -> Any:
        return self.driver.execute_script(script, *values)

    def said(self) -> list[str]:
        lines: list[dict[str, str]] = self.driver.get_log("browser")  # type: ignore[no-untyped-call]
        return [line["message"] for line in lines]

    def printed(self) -> bytes:
        sheet = self.tell("Page.printToPDF", printBackground=True, preferCSSPageSize=True)
        return base64.b64decode(sheet["data"])

    def violations(self) -> list[str]:
        """What axe-core finds, each with the first place."""
        self.run(axe())
        found = self.driver.execute_async_script(
            "const done = arguments[0]; axe.run(document, {}).then(r => done(r.violations.map("
            "v => v.id + ': ' + v.help + ': ' + v.nodes[0].html + ' ' + v.nodes[0].failureSummary"
            ")), e => done([String(e)]))"
        )
        return list(found)


@cache
def axe() -> str:
    """The accessibility rules of axe-core, which tests/oracles.sh installs by npm."""
    root = subprocess.run(["npm", "root", "--global"], capture_output=True, text=True, check=True)
    return Path(root.stdout.strip(), "axe-core", "axe.min.js").read_text()
