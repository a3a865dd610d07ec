"""A real browser: the distribution's Chromium, driven over its own debugging protocol."""

import base64
import contextlib
import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

import pytest
from selenium.webdriver import ActionChains, Chrome, ChromeOptions
from selenium.webdriver.chrome.service import Service

PHONE, DESK = (390, 844), (1280, 800)
NARROW = (360, 740)
AXE = resources.files("axe_core_python").joinpath("axe.min.js").read_text(encoding="utf-8")
SIZES = {"phone": PHONE, "desk": DESK, "narrow": NARROW}


@dataclass
class Browser:
    """A browser and what it has asked for and complained of so far."""

    driver: Chrome

    def dressed(self, size: tuple[int, int], *, dark: bool) -> None:
        """Take the size of a screen [CSS pixels], and its owner's taste."""
        phone = size[0] < 500
        metrics = {"width": size[0], "height": size[1], "deviceScaleFactor": 2 if phone else 1}
        self.driver.execute_cdp_cmd(
            "Emulation.setDeviceMetricsOverride", {**metrics, "mobile": phone}
        )
        taste = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [taste]})

    def open(self, url: str) -> None:
        self.driver.get(url)

    def run(self, script: str, *given: Any) -> Any:
        """Return what a script returns that runs in the page."""
        return self.driver.execute_script(script, *given)

    def keys(self, *pressed: str) -> None:
        """Press keys, whatever has the focus."""
        ActionChains(self.driver).send_keys(*pressed).perform()

    def text(self, name: str) -> str:
        """Return the text of an element by its id."""
        told: str = self.run("return document.getElementById(arguments[0]).textContent", name)
        return told

    def picture(self, file: Path) -> None:
        """Keep a picture of the whole page."""
        box = self.run("return [document.documentElement.scrollWidth, document.body.scrollHeight]")
        clip = {"x": 0, "y": 0, "width": box[0], "height": box[1], "scale": 1}
        told = self.driver.execute_cdp_cmd(
            "Page.captureScreenshot", {"captureBeyondViewport": True, "clip": clip}
        )
        file.write_bytes(base64.b64decode(told["data"]))

    def asked(self) -> list[str]:
        """Return the addresses that were asked for since the last time."""
        messages = (json.loads(e["message"])["message"] for e in self.driver.get_log("performance"))
        return [
            m["params"]["request"]["url"]
            for m in messages
            if m["method"] == "Network.requestWillBeSent"
        ]

    def complaints(self) -> list[str]:
        """Return what stood on the console since the last time."""
        return [entry["message"] for entry in self.driver.get_log("browser")]


def program(name: str) -> str:
    """Return the path of a system program, as the fixture `system_program` does for one test."""
    path = shutil.which(name)
    if path is None and os.environ.get("NIGHTRIG_SYSTEM") == "required":
        pytest.fail(f"{name} is not installed, and NIGHTRIG_SYSTEM=required")
    return path or pytest.skip(f"{name} is not installed")


@contextlib.contextmanager
def browsing(find: Callable[[str], str]) -> Iterator[Browser]:
    """Start a browser that reaches nothing but this computer; `find` gives a program's path."""
    options = ChromeOptions()
    options.binary_location = find("chromium")
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        for argument in (
            "--headless=new",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-dev-shm-usage",
            "--disable-background-networking",
            "--disable-component-update",
            "--no-first-run",
            "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
            f"--user-data-dir={profile}",
        ):
            options.add_argument(argument)
        options.set_capability("goog:loggingPrefs", {"performance": "ALL", "browser": "ALL"})
        driver = Chrome(options, Service(find("chromedriver")))
        try:
            yield Browser(driver)
        finally:
            driver.quit()


def fits(browser: Browser, size: tuple[int, int]) -> bool:
    """Tell whether nothing reaches beyond the sides of a screen."""
    wide: int = browser.run("return document.documentElement.scrollWidth")
    return wide <= size[0]


def faults(browser: Browser) -> list[str]:
    """Return what axe-core finds against WCAG 2.2, levels A and AA, and against good practice."""
    browser.run(AXE)
    told = browser.driver.execute_async_script(
        "const done = arguments[0]; axe.run().then(done, (e) => done({violations: [String(e)]}))"
    )
    assert told["passes"], "axe-core looked at nothing"
    return [json.dumps(fault) for fault in told["violations"]]
