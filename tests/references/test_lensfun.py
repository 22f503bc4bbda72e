"""Our numbers of a lens against Lensfun itself (through lensfunpy): where each colour lies, and how much light is left.

Lensfun's database holds models of several kinds; these are on bodies of four sensor sizes, one with a lens that is
fixed.
"""

import lensfunpy
import numpy as np
import pytest

from files import lensfun
from kerbwalk import lens

SIZE = (1500, 1000)
LENSES = [
    ("Canon EOS 5D Mark III", "EF24-105mm f/4L IS USM", 24.0, 4.0),
    ("Canon EOS 5D Mark III", "EF24-105mm f/4L IS USM", 60.0, 8.0),
    ("FUJIFILM X-T3", "XF23mmF1.4 R", 23.0, 5.6),
    ("OLYMPUS IMAGING CORP. E-M1", "OLYMPUS M.12-40mm F2.8", 12.0, 5.6),
    ("NIKON CORPORATION NIKON D750", "AF-S NIKKOR 24-120mm f/4G ED VR", 35.0, 8.0),
    ("Canon PowerShot G7 X", "8.8-36.8 mm", 8.8, 4.0),
]


def of_the_database(camera, name):
    database = lensfunpy.Database()
    body = next(b for b in database.cameras if camera.casefold().endswith(b.model.casefold()))
    return body, database.find_lenses(body, None, None if body.mount[0].islower() else name)[0]


@pytest.mark.parametrize(("camera", "name", "focal", "aperture"), LENSES)
def test_a_lens_is_as_lensfun_has_it(camera, name, focal, aperture):
    body, one = of_the_database(camera, name)
    asked = lensfunpy.Modifier(one, body.crop_factor, *SIZE)
    asked.initialize(focal, aperture, 1000.0, scale=1.0, pixel_format=np.float32)
    known, ours = lensfun.find(camera, name, focal, aperture, SIZE)
    assert one.model in known
    lens.check(ours)
    y, x = np.mgrid[: SIZE[1] : 25, : SIZE[0] : 25].astype(float)
    straight = np.stack([x, y], axis=-1)
    lensfuns = np.array([asked.apply_subpixel_geometry_distortion(*point, 1, 1) for point in straight.reshape(-1, 2)])
    lensfuns = lensfuns.reshape(*straight.shape[:2], 3, 2)
    # Ours keeps the middle's size, which Lensfun's may change: its straight picture is ours, scaled, by what one corner
    # tells.
    middle = np.array(ours["middle"])
    corner = lens.to_straight(ours, lensfuns[0, 0, 1]) - middle
    scale = np.linalg.norm(corner) / np.linalg.norm(middle)
    for channel, colour in enumerate(("red", "green", "blue")):
        there = lens.to_photo(ours, middle + scale * (straight - middle), colour)
        np.testing.assert_allclose(there, lensfuns[..., channel, :], atol=0.02)
    picture = np.ones((*SIZE[::-1], 3), np.float32)
    if asked.apply_color_modification(picture):
        left = lens.light(ours, np.stack(np.meshgrid(np.arange(SIZE[0]), np.arange(SIZE[1])), axis=-1))
        np.testing.assert_allclose(1 / picture[..., 1], left, atol=2e-4)


@pytest.mark.parametrize(
    ("camera", "name", "focal", "words"),
    [
        ("Lumenwright Noctule 2", "18 mm", 18.0, "the camera Lumenwright Noctule 2 is not"),
        (None, "18 mm", 18.0, "EXIF names no camera"),
        ("Canon EOS 5D Mark III", "Wunderglas 50mm f/2", 50.0, "the lens Wunderglas 50mm f/2 is not"),
        ("Canon EOS 5D Mark III", None, 50.0, "EXIF names no lens"),
        ("Canon EOS 5D Mark III", "EF24-105mm f/4L IS USM", None, "no focal length"),
        ("Canon EOS 5D Mark III", "EF24-105mm f/4L IS USM", 200.0, "is not in Lensfun's database for 200 mm"),
        ("Canon EOS 5D Mark III", "Canon EF 8-15mm f/4L Fisheye USM", 10.0, "is a fisheye"),
    ],
)
def test_what_is_not_known_is_said(camera, name, focal, words):
    with pytest.raises(LookupError, match=words):
        lensfun.find(camera, name, focal, 8.0, SIZE)
