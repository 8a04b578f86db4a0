"""A headless Chromium without a network, for the tests of the map."""

import json
import shutil
import tempfile
from contextlib import contextmanager

import pytest

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
DRIVER = shutil.which("chromedriver")

IN_A_BROWSER = [
    pytest.mark.browser,
    pytest.mark.skipif(not (CHROMIUM and DRIVER), reason="no chromium and chromedriver here"),
]
DESK, PHONE = (1280, 800), (390, 844)
FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--disable-dev-shm-usage",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


def start(size, profile, javascript=True):
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM
    for flag in (*FLAGS, f"--user-data-dir={profile}", "about:blank"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    if not javascript:
        content = {"profile.managed_default_content_settings.javascript": 2}
        options.add_experimental_option("prefs", content)
    driver = webdriver.Chrome(options=options, service=Service(DRIVER))
    driver.execute_cdp_cmd("Network.enable", {})
    none = {"offline": True, "latency": 0, "downloadThroughput": 0, "uploadThroughput": 0}
    driver.execute_cdp_cmd("Network.emulateNetworkConditions", none)
    driver.implicitly_wait(2)
    resize(driver, size)
    return driver


def resize(driver, size):
    metrics = {"width": size[0], "height": size[1], "deviceScaleFactor": 1, "mobile": size == PHONE}
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)


@contextmanager
def running(size=DESK):
    """A browser, closed at the end."""
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        driver = start(size, profile)
        try:
            yield driver
        finally:
            driver.quit()


def show(driver, url, size):
    """Open a page at a size, with the logs emptied before."""
    resize(driver, size)
    driver.get_log("performance")
    driver.get_log("browser")
    driver.get(url)
    return driver


def css(driver, selector):
    return driver.find_elements("css selector", selector)


def gone(driver, selector):
    """Tell whether there is no such element now; `css` would wait two seconds for one."""
    return driver.execute_script("return !document.querySelector(arguments[0])", selector)


def text(driver, selector):
    return driver.execute_script(
        "return document.querySelector(arguments[0]).textContent", selector
    )


def press(driver, selector, index=0):
    driver.execute_script(
        "document.querySelectorAll(arguments[0])[arguments[1]].click()", selector, index
    )


def requests(driver, url):
    sent = []
    for entry in driver.get_log("performance"):
        message = json.loads(entry["message"])["message"]
        if message["method"] == "Network.requestWillBeSent":
            params = message["params"]
            if params.get("documentURL") == url and params["request"]["url"] != url:
                sent.append(params["request"]["url"])
    return [u for u in sent if not u.startswith("data:")]


def faults(driver):
    return [e for e in driver.get_log("browser") if e["level"] in ("SEVERE", "WARNING")]


def switch(driver, label):
    """Press the switch of a layer by its words."""
    [box] = [n for n in css(driver, ".switch") if n.get_attribute("textContent") == label]
    driver.execute_script("arguments[0].querySelector('input').click()", box)
