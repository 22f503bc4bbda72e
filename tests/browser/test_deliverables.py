"""What the deliverables for the web are to a real Chromium: they load, have their size, and play."""

import numpy as np
import pytest

from files import encoders, ffmpeg
from house import recipes, settings
from kerbwalk import signal

SIZE, FRAMES = (320, 180), 24
STANDARD = settings.load(settings.SCHEMA.parents[2] / "config" / "config.yaml")
# Chromium as Debian builds it has no HEVC, ProRes or DNxHR, which are for editors and television sets.
CLIPS, PICTURES = ("h264", "av1"), ("webp", "avif", "gif", "jpeg")
PLAY = """const done = arguments[0], video = document.createElement('video');
video.muted = true; video.loop = true;
video.onerror = () => done('error ' + video.error.message);
video.ontimeupdate = () => { if (video.currentTime > 0.2)
    done([video.videoWidth, video.videoHeight, video.duration]); };
video.src = '%s'; document.body.append(video); video.play();"""
SHOW = """const done = arguments[0], image = new Image();
image.onerror = () => done('error');
image.onload = () => image.decode().then(() => done([image.naturalWidth, image.naturalHeight]), () => done('broken'));
image.src = '%s'; document.body.append(image);"""


@pytest.fixture(scope="module")
def folder(no_look, tmp_path_factory):
    """One file of each codec, of a bright bar that moves over a night, beside an empty page."""
    folder = tmp_path_factory.mktemp("web")
    (folder / "page.html").write_text("<!doctype html><title>web</title><body></body>", encoding="utf-8")
    planes = np.empty((3, SIZE[1], SIZE[0]), np.uint16)
    encoded = ["-c:v", "ffv1", *ffmpeg.BT709_TAGS, folder / "master.mkv"]
    with ffmpeg.writer(SIZE, ffmpeg.MASTER_FORMAT, 24, *encoded) as write:
        for k in range(FRAMES):
            picture = np.full((SIZE[1], SIZE[0], 3), 0.1, np.float32)
            picture[:, 10 * k : 10 * k + 40] = (0.9, 0.6, 0.2)
            signal.encode(picture, no_look, planes)
            write(planes)
    for codec in (*CLIPS, *PICTURES):
        own = {"recipes": {"own": {"codec": codec}}, "deliverables": ["own"]}
        recipe = recipes.resolved(STANDARD | own, "here")["own"] | {"size": list(SIZE)}
        if codec == "jpeg":
            shown = next(encoders.pictures(recipe, folder / "master.mkv"))
            encoders.write_jpeg(shown, recipe["quality"], folder / "own.jpeg")
        else:
            encoders.from_master(recipe, folder / "master.mkv", {}, folder / f"own.{codec}.{recipe['ending']}")
    return folder


def asked(browser, folder, codec, script):
    browser.get((folder / "page.html").as_uri())
    name = next(path for path in folder.iterdir() if codec in path.name).name
    found = browser.execute_async_script(script % name)
    assert browser.get_log("browser") == []
    return found


@pytest.mark.parametrize("codec", CLIPS)
def test_clips_play(browser, folder, codec):
    width, height, duration = asked(browser, folder, codec, PLAY)
    assert (width, height) == SIZE
    assert duration == pytest.approx(FRAMES / 24, abs=0.01)


@pytest.mark.parametrize("codec", PICTURES)
def test_pictures_are_shown(browser, folder, codec):
    assert asked(browser, folder, codec, SHOW) == list(SIZE)
