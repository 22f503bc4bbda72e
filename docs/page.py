"""Photograph the report of a demo's shoot for docs/walk.md, with Chromium and the test environment's Python."""

import argparse
import base64
import shutil
from pathlib import Path

import cv2
import numpy as np
from selenium import webdriver

ROOT = Path(__file__).resolve().parents[1]
# What is shown, from the page's top; the picture's width in the docs.
SCREEN, WIDTH = (1160, 1500), 800


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.ArgumentDefaultsHelpFormatter)
    parser.add_argument("--shoot", type=Path, default=ROOT / "demo-night" / "results" / "tram-square")
    report = parser.parse_args().shoot.resolve() / "report.html"

    options = webdriver.ChromeOptions()
    for argument in ("--headless=new", "--no-sandbox", "--hide-scrollbars"):
        options.add_argument(argument)
    options.binary_location = shutil.which("chromium")
    browser = webdriver.Chrome(options=options, service=webdriver.ChromeService(shutil.which("chromedriver")))
    try:
        screen = {"width": SCREEN[0], "height": SCREEN[1], "deviceScaleFactor": 1, "mobile": False}
        browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", screen)
        browser.get(report.as_uri())
        # Its two clips and the first divider, then the photo to choose on.
        shots = [shot(browser, 0)]
        browser.execute_script("document.querySelector('#framing').scrollIntoView()")
        shots.append(shot(browser, browser.execute_script("return scrollY")))
    finally:
        browser.quit()
    pictures = [cv2.resize(one, (WIDTH, WIDTH * SCREEN[1] // SCREEN[0]), interpolation=cv2.INTER_AREA) for one in shots]
    gap = np.full((pictures[0].shape[0], 16, 3), 255, np.uint8)
    both = np.hstack([pictures[0], gap, pictures[1]])
    cv2.imwrite(str(ROOT / "docs" / "page.jpg"), both, [cv2.IMWRITE_JPEG_QUALITY, 82])


def shot(browser, top):
    """The page from `top` pixels on: uint8 (h, w, 3), BGR."""
    clip = {"x": 0, "y": top, "width": SCREEN[0], "height": SCREEN[1], "scale": 1}
    taken = browser.execute_cdp_cmd("Page.captureScreenshot", {"captureBeyondViewport": True, "clip": clip})
    return cv2.imdecode(np.frombuffer(base64.b64decode(taken["data"]), np.uint8), cv2.IMREAD_COLOR)


if __name__ == "__main__":
    main()
