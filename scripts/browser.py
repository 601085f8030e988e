"""Headless Chromium for the scripts that look at pages.

Needs chromium and chromedriver (Debian packages chromium, chromium-driver). Speaks the WebDriver
protocol (W3C Recommendation, 2018) and the browser's own additions to it, with the standard
library alone.
"""
import base64
import json
import shutil
import socket
import subprocess
import tempfile
import time
import urllib.error
import urllib.request

SWITCHES = [
    "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--hide-scrollbars", "--disable-dev-shm-usage",
]


class Browser:
    """One headless Chromium, driven over WebDriver."""

    def __init__(self, driver, browser, *switches):
        self.profile = tempfile.TemporaryDirectory()
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        self.driver = subprocess.Popen(
            [driver, f"--port={port}"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        self.base = f"http://127.0.0.1:{port}"
        self.await_driver()
        options = {
            "binary": browser,
            "args": [*SWITCHES, *switches, f"--user-data-dir={self.profile.name}"],
        }
        wanted = {
            "browserName": "chrome",
            "goog:chromeOptions": options,
            "goog:loggingPrefs": {"browser": "ALL", "performance": "ALL"},
        }
        reply = self.call("POST", "/session", {"capabilities": {"alwaysMatch": wanted}})
        self.base += f"/session/{reply['sessionId']}"

    def await_driver(self):
        for _ in range(100):
            try:
                self.call("GET", "/status")
                return
            except OSError:
                time.sleep(0.1)
        raise RuntimeError("chromedriver does not answer")

    def call(self, method, path, body=None):
        data = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(
            self.base + path, data, {"Content-Type": "application/json"}, method=method
        )
        with urllib.request.urlopen(request, timeout=60) as reply:
            return json.load(reply)["value"]

    def open(self, address):
        self.call("POST", "/url", {"url": address})

    def run(self, script):
        return self.call("POST", "/execute/sync", {"script": script, "args": []})

    def tell(self, command, **parameters):
        body = {"cmd": command, "params": parameters}
        return self.call("POST", "/goog/cdp/execute", body)

    def size(self, width, height):
        self.tell(
            "Emulation.setDeviceMetricsOverride",
            width=width, height=height, deviceScaleFactor=1, mobile=False,
        )

    def scheme(self, name):
        feature = {"name": "prefers-color-scheme", "value": name}
        self.tell("Emulation.setEmulatedMedia", features=[feature])

    def find(self, selector):
        found = self.call("POST", "/element", {"using": "css selector", "value": selector})
        return f"/element/{next(iter(found.values()))}"

    def click(self, selector):
        self.call("POST", self.find(selector) + "/click", {})

    def type(self, selector, text):
        self.call("POST", self.find(selector) + "/value", {"text": text})

    def log(self, kind):
        return self.call("POST", "/se/log", {"type": kind})

    def picture(self, path):
        height = self.run("return document.documentElement.scrollHeight")
        width = self.run("return window.innerWidth")
        self.size(width, min(height, 8000))
        path.write_bytes(base64.b64decode(self.call("GET", "/screenshot")))

    def close(self):
        try:
            self.call("DELETE", "")
        finally:
            self.driver.terminate()
            self.driver.wait()
            self.profile.cleanup()


def requests_of(log):
    """Addresses that the page asked for; pictures inside it are none."""
    for entry in log:
        message = json.loads(entry["message"])["message"]
        if message["method"] == "Network.requestWillBeSent":
            address = message["params"]["request"]["url"]
            if not address.startswith("data:"):
                yield address


def ground(browser):
    return browser.run("return getComputedStyle(document.body).backgroundColor")


def open_browser(*switches):
    """A browser, or None with the reason printed where there is none or it does not start."""
    driver, chromium = shutil.which("chromedriver"), shutil.which("chromium")
    if not driver or not chromium:
        print("chromium and chromedriver are needed (Debian: chromium chromium-driver)")
        return None
    try:
        return Browser(driver, chromium, *switches)
    except (OSError, RuntimeError) as error:
        print(f"the browser does not start: {error}")
        return None


def troubles_of(browser):
    """Console messages of a problem since the last look."""
    for entry in browser.log("browser"):
        if entry["level"] in ("SEVERE", "WARNING"):
            yield f"console: {entry['message']}"


def layout_of(browser):
    """What is wrong with how the page stands on a screen of 360 px."""
    browser.size(360, 800)
    wide = browser.run("return document.documentElement.scrollWidth")
    if wide > 360:
        yield f"{wide} px wide on a screen of 360 px"
    charts = browser.run(
        "return [...document.querySelectorAll('svg')].map("
        "one => one.getAttribute('role') === 'img' && !!one.querySelector('title')?.textContent"
        " && one.getBoundingClientRect().width > 100)"
    )
    if not all(charts):
        yield f"a chart without title or size: {charts}"
    unnamed = browser.run("return [...document.querySelectorAll('img')].filter(i => !i.alt).length")
    if unnamed:
        yield f"{unnamed} pictures without words"


def grounds_of(browser):
    """What is wrong with the ground of the page on light and dark screens, and under the switch."""
    browser.scheme("light")
    light = ground(browser)
    browser.scheme("dark")
    dark = ground(browser)
    if light == dark:
        yield f"the ground is {light} on dark screens too"
    browser.run("document.getElementById('night').click()")
    red = ground(browser)
    if red != "rgb(0, 0, 0)":
        yield f"the ground under the switch is {red}"
    browser.run("document.getElementById('night').click()")
    browser.scheme("light")
