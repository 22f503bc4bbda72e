"""Both pages in a real Chromium: nothing fetched from outside, nothing run, every name shown as text."""

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

NAME = '<img src=x onerror=alert(1)> 50%20 #"ü'
SCHEMES = ("light", "dark")
AXE = "axe-core@4.14.1"


def open_page(browser, file, width=1200, scheme="light"):
    """Open a page; returns the addresses of all requests that it caused."""
    screen = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 500}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", screen)
    features = [{"name": "prefers-color-scheme", "value": scheme}]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})
    for log in ("browser", "performance"):
        browser.get_log(log)
    browser.get(file.as_uri())
    messages = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
    return [m["params"]["request"]["url"] for m in messages if m["method"] == "Network.requestWillBeSent"]


@pytest.fixture(params=["index.html", f"{NAME}/report.html"], ids=["index", "report"])
def page(request, night):
    return night / request.param


def test_nothing_from_outside_and_no_word_in_the_console(browser, page):
    requests = open_page(browser, page)
    assert [url for url in requests if not url.startswith(("file:", "data:"))] == []
    assert browser.get_log("browser") == []
    assert page.stat().st_size < 5_000_000


def test_names_are_text(browser, page):
    open_page(browser, page)
    assert (
        browser.execute_script("return document.querySelectorAll('script, [onerror], [onload]').length") == 0
    )
    assert browser.execute_script("return document.querySelectorAll('b, i').length") == 0
    assert NAME in browser.execute_script("return document.body.innerText")


def test_every_picture_is_whole(browser, page):
    open_page(browser, page)
    broken = "return [...document.images].filter(i => !i.complete || !i.naturalWidth).length"
    assert browser.execute_script(broken) == 0
    assert browser.execute_script("return document.images.length") > 0


def test_the_clip_plays_on_the_page(browser, night):
    open_page(browser, night / NAME / "report.html")
    played = browser.execute_async_script(
        """const done = arguments[0], video = document.querySelector('video');
        video.onerror = () => done('error ' + video.error.message);
        video.ontimeupdate = () => { if (video.currentTime > 0) done([video.videoWidth, video.videoHeight]); };
        video.play().catch(error => done(String(error)));"""
    )
    assert played == [640, 360]


def test_every_link_leads_somewhere(browser, page):
    open_page(browser, page)
    links = browser.execute_script("return [...document.links].map(link => link.href)")
    assert links
    for link in links:
        open_by_address(browser, link)


def open_by_address(browser, address):
    """Fails where the file of an address is not there: the driver raises on its error page."""
    browser.get(address)
    assert browser.current_url == address


@pytest.mark.parametrize("width", [360, 1200])
@pytest.mark.parametrize("scheme", SCHEMES)
def test_nothing_sticks_out_of_the_page(browser, page, width, scheme):
    open_page(browser, page, width, scheme)
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width


def test_light_and_dark_differ(browser, page):
    grounds = []
    for scheme in SCHEMES:
        open_page(browser, page, scheme=scheme)
        grounds.append(
            browser.execute_script("return getComputedStyle(document.documentElement).backgroundColor")
        )
    assert grounds[0] != grounds[1]


def test_what_the_report_says(browser, night):
    open_page(browser, night / NAME / "report.html")
    text = browser.execute_script("return document.body.innerText")
    for said in (
        "6 frames, 0.25 s at 23.976 frames a second",
        "7 photos, 6 frames, as planned",
        "bumped: its <aim> is off",
        "<b>cut</b>.dng is empty",
        "hold: [0.500, 0.500]",
        "look.white_balance.kelvin",
        "decode",
    ):
        assert said in text
    text = browser.execute_script("return document.querySelector('details').textContent")
    assert "<script>alert(2)<&script> 2.dng and <script>alert(4)<&script> 4.dng" in text


def test_the_same_files_make_the_same_page(night):
    command = json.loads((night / "commands.json").read_text(encoding="utf-8"))
    page, card = night / NAME / "report.html", night / NAME / "work" / "card.json"
    before = page.read_bytes(), card.read_bytes()
    script = Path(__file__).parents[2] / "scripts" / "report.py"
    subprocess.run([sys.executable, script, *command], check=True)
    assert (page.read_bytes(), card.read_bytes()) == before


@pytest.fixture(scope="session")
def axe(tmp_path_factory):
    """The text of axe-core, a checker of accessibility, from the npm registry."""
    if not shutil.which("npm"):
        pytest.skip("npm is missing: the pages are not checked with axe-core")
    folder = tmp_path_factory.mktemp("axe")
    command = ["npm", "install", "--prefix", folder, "--ignore-scripts", "--no-audit", "--no-fund", AXE]
    if subprocess.run(command, capture_output=True).returncode:
        pytest.skip(f"{AXE} cannot be fetched with npm: the pages are not checked with it")
    return (folder / "node_modules" / "axe-core" / "axe.min.js").read_text(encoding="utf-8")


@pytest.mark.parametrize("width", [360, 1200])
@pytest.mark.parametrize("scheme", SCHEMES)
def test_accessibility(browser, page, axe, scheme, width):
    open_page(browser, page, width, scheme)
    browser.execute_script("document.querySelectorAll('details').forEach(one => one.open = true)")
    # Over the protocol, as the page's own policy lets no script run in it.
    browser.execute_cdp_cmd("Runtime.evaluate", {"expression": axe})
    found = browser.execute_async_script(
        "const done = arguments[0]; axe.run(document, {preload: false}).then(r => done(r.violations))"
    )
    assert [(v["id"], [n["html"][:200] for n in v["nodes"]][:3]) for v in found] == []
