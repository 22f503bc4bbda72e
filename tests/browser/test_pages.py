"""The pages in a real Chromium: nothing fetched from outside, no word in the console, every name shown as text."""

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
import yaml
from selenium.webdriver import ActionChains, Keys
from selenium.webdriver.common.actions.action_builder import ActionBuilder

from files import ffmpeg
from house import settings

NAME = '<img src=x onerror=alert(1)> 50%20 #"ü'
REFERENCE = "<script>alert(2)<&script> 2.dng"
SCHEMES = ("light", "dark")
SCREEN = {"width": 1200, "height": 900, "deviceScaleFactor": 1, "mobile": False}
TEMPLATES = Path(__file__).parents[2] / "workflow" / "report"


def open_page(browser, file, width=1200, scheme="light"):
    """Open a page; returns the addresses of all requests that it caused."""
    screen = SCREEN | {"width": width, "mobile": width < 500}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", screen)
    features = [{"name": "prefers-color-scheme", "value": scheme}]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})
    for log in ("browser", "performance"):
        browser.get_log(log)
    browser.get(file.as_uri())
    messages = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
    return [m["params"]["request"]["url"] for m in messages if m["method"] == "Network.requestWillBeSent"]


@pytest.fixture(params=["index.html", f"{NAME}/report.html", f"{NAME}/contact.html"], ids=["index", "report", "looks"])
def page(request, night):
    return night / request.param


def test_nothing_from_outside_and_no_word_in_the_console(browser, page):
    requests = open_page(browser, page)
    assert [url for url in requests if not url.startswith(("file:", "data:"))] == []
    assert browser.get_log("browser") == []
    assert page.stat().st_size < 5_000_000
    loaded = "return performance.getEntriesByType('navigation')[0].loadEventEnd"
    assert 0 < browser.execute_script(loaded) < 1000, "milliseconds until all is there"


def test_names_are_text(browser, page):
    open_page(browser, page)
    assert browser.execute_script("return document.querySelectorAll('b, i, [onerror], [onload]').length") == 0
    scripts = browser.execute_script("return [...document.scripts].map(one => one.textContent)")
    own = (TEMPLATES / "page.js").read_text(encoding="utf-8")
    assert scripts in ([], [own]), "no script but the page's own"
    assert NAME in browser.execute_script("return document.body.innerText")


def test_every_picture_is_whole(browser, page):
    open_page(browser, page)
    broken = "return [...document.images].filter(i => !i.complete || !i.naturalWidth).length"
    assert browser.execute_script(broken) == 0
    assert browser.execute_script("return document.images.length") > 0


def test_the_clip_and_the_unprocessed_one_play_in_step(browser, night):
    open_page(browser, night / NAME / "report.html")
    played = browser.execute_async_script(
        """const done = arguments[0], videos = [...document.querySelectorAll('video')];
        for (const video of videos) video.onerror = () => done('error ' + video.error.message);
        document.querySelector('#both').click();
        const played = Promise.all(videos.map(video => new Promise(resolve => {
            video.ontimeupdate = () => { if (video.currentTime > 0) resolve([video.videoWidth, video.videoHeight]); };
        })));
        played.then(sizes => {
            videos[0].onpause = () => setTimeout(() => done([...sizes, videos[1].paused,
                Math.abs(videos[0].currentTime - videos[1].currentTime) < 0.05]), 50);
            document.querySelector('#both').click();
        });"""
    )
    clip, unprocessed, paused, together = played
    assert clip == [640, 360]
    assert unprocessed[0] / unprocessed[1] == pytest.approx(16 / 9, rel=0.02)
    assert paused and together


def test_the_unprocessed_clip_shows_the_photos_as_taken(night):
    folder = night / NAME
    width, height = 280, 158
    found = list(ffmpeg.frames(folder / "work" / "unprocessed.mp4", (width, height)))
    assert len(found) == 6
    # every second photo of these is a tenth lighter: what the clip evens stands here as it was
    means = [frame[40:120, 60:220].mean() for frame in found]
    assert min(means[1], means[5]) > 1.02 * max(means[0], means[4])


def test_the_divider_moves_by_mouse_and_keys(browser, night):
    open_page(browser, night / NAME / "report.html")
    slider = browser.find_element("css selector", ".wipe input")
    at = "return arguments[0].parentElement.style.getPropertyValue('--at')"
    ActionChains(browser).move_to_element_with_offset(slider, -slider.size["width"] // 4, 0).click().perform()
    assert browser.execute_script(at, slider) == "25%"
    slider.send_keys(Keys.ARROW_RIGHT)
    assert browser.execute_script(at, slider) == "26%"
    assert slider.get_attribute("aria-valuetext") == "26 % before"


@pytest.fixture
def clipboard(browser):
    """A function that reads the clipboard."""
    for name in ("clipboard-read", "clipboard-write"):
        permission = {"permission": {"name": name}, "setting": "granted"}
        browser.execute_cdp_cmd("Browser.setPermission", permission)
    read = "const done = arguments[0]; navigator.clipboard.readText().then(done, error => done(String(error)))"
    return lambda: browser.execute_async_script(read)


def click_on_plan(browser, x, y):
    """Click on the reference photo near fractions of its width and height; returns those of the pixel clicked on."""
    plan = browser.find_element("css selector", ".plan")
    browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", plan)
    rect = browser.execute_script("return arguments[0].getBoundingClientRect()", plan)
    right, down = round(rect["left"] + x * rect["width"]), round(rect["top"] + y * rect["height"])
    mouse = ActionBuilder(browser)
    mouse.pointer_action.move_to_location(right, down).click()
    mouse.perform()
    return pytest.approx([(right - rect["left"]) / rect["width"], (down - rect["top"]) / rect["height"]], abs=0.001)


def own_setting(browser, clipboard, reference=True):
    """What was copied, as the settings that a shoot.yaml with it has; it must be one that the schema takes, and where
    it is a point of the reference photo (reference) name that, which is left off here."""
    text = clipboard()
    assert browser.find_element("css selector", "#lines").get_attribute("value") == text
    assert "Copied" in browser.find_element("css selector", "#said").text
    found = yaml.safe_load(text)
    settings.check(found, "the clipboard", night=False)
    assert not reference or found.pop("reference") == REFERENCE
    return found


@pytest.mark.parametrize("width", [360, 1200])
def test_a_click_on_the_photo_copies_a_line_for_the_settings(browser, night, clipboard, width):
    open_page(browser, night / NAME / "report.html", width)
    hold = click_on_plan(browser, 0.3, 0.8)
    assert own_setting(browser, clipboard) == {"hold": hold}
    browser.find_element("css selector", "[value=neutral]").click()
    neutral = click_on_plan(browser, 0.6, 0.15)
    assert own_setting(browser, clipboard)["look"]["white_balance"]["neutral"] == neutral
    browser.find_element("css selector", "[value=centre]").click()
    click_on_plan(browser, 0.7, 0.6)
    centre = click_on_plan(browser, 0.4, 0.4)
    # all that was chosen, the last of each kind
    found = own_setting(browser, clipboard)
    neutral = {"white_balance": {"neutral": neutral}}
    assert found == {"hold": hold, "look": neutral, "framing": {"centre": centre}}
    box = browser.find_element("css selector", "#lines")
    assert box.get_attribute("value").count("\n") == 3 and box.size["height"] > 60, "no line is hidden"
    # a page that changes its size afterwards has the cross where it was
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", SCREEN | {"width": 800})
    cross, plan = (browser.find_element("css selector", f".plan{on}").rect for on in (" [data-of=centre]", ""))
    middle = (cross["x"] + cross["width"] / 2 - plan["x"]) / plan["width"]
    assert middle == pytest.approx(centre.expected[0], abs=0.002)
    assert browser.get_log("browser") == []


def test_a_point_by_keys_alone_and_a_candidate(browser, night, clipboard):
    open_page(browser, night / NAME / "report.html")
    left, top = (browser.find_element("css selector", name) for name in ("#x", "#y"))
    left.send_keys("0.25")
    top.send_keys("0.5", Keys.ARROW_UP, Keys.ENTER)
    assert own_setting(browser, clipboard) == {"hold": [0.25, 0.501]}
    top.send_keys(Keys.BACKSPACE * 5 + "1.5" + Keys.ENTER)
    assert clipboard().endswith("\nhold: [0.250, 0.501]"), "a point outside the photo is refused"
    second = browser.find_elements("css selector", ".spot")[1]
    assert second.text == "2"
    second.send_keys(Keys.ENTER)
    assert own_setting(browser, clipboard) == {"hold": [0.2, 0.7]}
    assert pressed(browser, ".spot") == ["2"] and not crosses(browser)
    click_on_plan(browser, 0.7, 0.2)
    assert pressed(browser, ".spot") == [] and crosses(browser) == ["still"]
    browser.find_element("css selector", "[value=neutral]").click()
    click_on_plan(browser, 0.6, 0.3)
    assert crosses(browser) == ["still", "grey"]
    browser.find_element("css selector", "#empty").click()
    assert not crosses(browser) and browser.find_element("css selector", "#lines").get_attribute("value") == ""
    click_on_plan(browser, 0.6, 0.3)
    assert own_setting(browser, clipboard).keys() == {"look"}


def pressed(browser, kind):
    return [one.text for one in browser.find_elements("css selector", f'{kind}[aria-pressed="true"]')]


def crosses(browser):
    """The words at the places that are marked as chosen."""
    return [one.text for one in browser.find_elements("css selector", ".cross") if one.is_displayed()]


def test_the_place_that_is_held_is_marked_among_the_candidates(browser, night):
    open_page(browser, night / NAME / "report.html")
    rows = browser.find_elements("css selector", '[aria-label="Candidates for the hold point"] tbody tr')
    assert [row.text.endswith("held") for row in rows] == [True, False]


def test_a_look_from_the_sheet(browser, night, clipboard):
    open_page(browser, night / NAME / "contact.html")
    own, warm = browser.find_elements("css selector", ".looks button")
    assert (own.text, warm.text) == ("1 as it is", "2 <b>warm: 'a', {b} #1")
    warm.click()
    assert own_setting(browser, clipboard, False) == {"look": {"cdl": "<b>warm: 'a', {b} #1.cc"}}
    assert pressed(browser, "button") == [warm.text]
    own.click()
    assert own_setting(browser, clipboard, False) == {"look": {"cdl": None}}
    assert pressed(browser, "button") == [own.text]


def test_a_finding_leads_to_its_photo(browser, night):
    open_page(browser, night / NAME / "report.html")
    for link in browser.find_elements("css selector", "[aria-labelledby=audit] a"):
        assert browser.execute_script("return document.querySelector(arguments[0].hash) !== null", link)


def test_every_link_leads_somewhere(browser, page):
    open_page(browser, page)
    links = browser.execute_script("return [...document.links].map(link => link.href)")
    assert links or page.name == "contact.html"
    for link in links:
        open_by_address(browser, link)


def open_by_address(browser, address):
    """Fails where the file of an address is not there: the driver raises on its error page."""
    browser.get(address)
    assert browser.current_url == address


@pytest.mark.parametrize("width", [320, 1200])
@pytest.mark.parametrize("scheme", SCHEMES)
def test_nothing_sticks_out_of_the_page(browser, page, width, scheme):
    open_page(browser, page, width, scheme)
    across = "return document.documentElement.scrollWidth"
    assert browser.execute_script(across) <= width
    # WCAG 2.2, 1.4.4 (1.4.10 for 320 pixels): twice the text.
    browser.execute_script("document.documentElement.style.fontSize = '200%'")
    assert browser.execute_script(across) <= width
    (line,) = browser.find_elements("css selector", "#lines") or [browser.find_element("css selector", "body")]
    assert browser.execute_script("return arguments[0].scrollHeight <= arguments[0].clientHeight", line)


def test_on_a_phone_what_is_said_of_a_file_takes_few_lines(browser, night):
    """The table of deliverables is wider than the screen, and is moved in its place."""
    open_page(browser, night / NAME / "report.html", 360)
    cell = browser.find_element("css selector", ".made tbody td")
    assert "enlarged 1.25 times from the photos" in cell.text
    line = browser.execute_script("return parseFloat(getComputedStyle(arguments[0]).lineHeight)", cell)
    assert cell.size["height"] < 5 * line


def test_nothing_moves_by_itself(browser, page):
    """Where less motion is asked for, and so everywhere."""
    open_page(browser, page)
    features = [{"name": "prefers-reduced-motion", "value": "reduce"}]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})
    moving = """return document.getAnimations().length
        + [...document.querySelectorAll('video')].filter(one => one.autoplay || !one.paused).length
        + [...document.querySelectorAll('*')].filter(one => {
            const {transitionDuration, scrollBehavior} = getComputedStyle(one);
            return transitionDuration !== '0s' || scrollBehavior !== 'auto';
        }).length"""
    assert browser.execute_script(moving) == 0


def test_print_shows_all_rows_and_nothing_to_press(browser, night):
    open_page(browser, night / NAME / "report.html")
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    for cut_off in browser.find_elements("css selector", ".long"):
        assert browser.execute_script("return arguments[0].scrollHeight <= arguments[0].clientHeight", cut_off)
    assert not browser.find_element("css selector", "#both").is_displayed()
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})


def test_light_and_dark_differ(browser, page):
    grounds = []
    for scheme in SCHEMES:
        open_page(browser, page, scheme=scheme)
        grounds.append(browser.execute_script("return getComputedStyle(document.documentElement).backgroundColor"))
    assert grounds[0] != grounds[1]


def test_what_the_report_says(browser, night):
    open_page(browser, night / NAME / "report.html")
    text = browser.execute_script("return document.body.innerText")
    for said in (
        "6 frames, 0.25 s at 23.976 frames a second",
        "7 photos, of which 1 makes no frame: 6 frames.",
        "bumped: its <aim> is off",
        "<b>cut</b>.dng is empty",
        "hold: [0.500, 0.500]",
        "look.white_balance.kelvin",
        "decode",
        "<b>shoot</b>.yaml",
        "white_balance: {kelvin: 3200}",
        "limit 22.8 s",
        "enlarged 1.25 times from the photos",
    ):
        assert said in text
    text = browser.execute_script("return document.querySelector('details').textContent")
    assert "<script>alert(2)<&script> 2.dng and <script>alert(4)<&script> 4.dng" in text


def test_the_index_says_when_the_walk_was(browser, night):
    open_page(browser, night / "index.html")
    assert "2031-03-14, 6 frames" in browser.execute_script("return document.body.innerText")


def test_the_same_files_make_the_same_page(night):
    command = json.loads((night / "commands.json").read_text(encoding="utf-8"))
    page, card = night / NAME / "report.html", night / NAME / "work" / "card.json"
    clip = card.with_name("unprocessed.mp4")
    before = [file.read_bytes() for file in (page, card, clip)]
    script = Path(__file__).parents[2] / "scripts" / "report.py"
    subprocess.run([sys.executable, script, *command], check=True)
    assert [file.read_bytes() for file in (page, card, clip)] == before


def test_a_crop_that_moves_is_told_as_it_begins_and_ends(night, tmp_path):
    framing = json.loads((night / NAME / "work" / "framing.json").read_text(encoding="utf-8"))
    framing["moves"] = [[1.2**-part, 0.0, 0.0] for part in (0, 0.1, 0.3, 0.7, 0.9, 1)]
    (tmp_path / "framing.json").write_text(json.dumps(framing), encoding="utf-8")
    command = json.loads((night / "commands.json").read_text(encoding="utf-8"))
    own = {"framing": "framing.json", "out": "report.html", "unprocessed": "unprocessed.mp4", "card": "card.json"}
    for option, file in own.items():
        command += [f"--{option}", str(tmp_path / file)]
    script = Path(__file__).parents[2] / "scripts" / "report.py"
    subprocess.run([sys.executable, script, *command], check=True)
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "560 × 315 px</td><td>in the first frame, 467 × 262 px in the last, of 600 × 400 px" in page
    assert "in the mean of the clip's frames" in page


@pytest.fixture(scope="session")
def axe(tmp_path_factory):
    """The text of axe-core, a checker of accessibility (WCAG 2.2), from npm: the version and checksum of the lock."""
    if not shutil.which("npm"):
        pytest.skip("npm is missing: the pages are not checked with axe-core")
    folder = tmp_path_factory.mktemp("axe")
    for name in ("package.json", "package-lock.json"):
        shutil.copy(Path(__file__).with_name(name), folder)
    command = ["npm", "ci", "--prefix", folder, "--ignore-scripts", "--no-audit", "--no-fund"]
    if subprocess.run(command, capture_output=True).returncode:
        pytest.skip("axe-core cannot be fetched with npm: the pages are not checked with it")
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
