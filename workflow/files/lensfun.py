"""Lenses of Lensfun's database, as the numbers of kerbwalk.lens.

The numbers are found from what Lensfun itself makes of points and of light, so that whatever a lens's own model and
units are, and however Lensfun interpolates between focal lengths and apertures, the result is its.
"""

import lensfunpy
import numpy as np

from kerbwalk import lens

# Places from the middle on at which Lensfun is asked, in radii; terms of the polynomials that go through its answers.
ASKED = np.linspace(0.05, 1, 24)
DISTORTION, LATERAL, VIGNETTING = 4, 2, 3
# Metres: a lens that is set to less vignettes a little otherwise.
FAR = 1000.0
# On which distortion does not depend.
ANY = 8.0
# Millimetres by which a focal length may lie outside a lens's range.
ROUNDED = 1.0


def find(camera, name, focal, aperture, size):
    """A lens of the database.

    camera, name: of camera and lens as EXIF has them (files.metadata); focal: mm; aperture: f-number or None, without
    which vignetting is left; size: (width, height) of the photos. Returns (its name there, lens for kerbwalk.lens).
    Raises LookupError with what is missing.
    """
    database = lensfunpy.Database()
    bodies = [b for b in database.cameras if camera and _together(b).casefold() == camera.casefold()]
    if not bodies:
        raise LookupError(f"the camera {camera} is not in Lensfun's database" if camera else "EXIF names no camera")
    if not focal:
        raise LookupError("EXIF has no focal length")
    # Where the lens is fixed (the mount's name begins in lower case) it is not by its name that Lensfun knows it.
    fixed = bodies[0].mount[0].islower()
    if not (name or fixed):
        raise LookupError("EXIF names no lens")
    fitting = [
        one
        for one in database.find_lenses(bodies[0], None, None if fixed else name)
        if one.min_focal - ROUNDED <= focal <= max(one.max_focal, one.min_focal) + ROUNDED
    ]
    if not fitting:
        raise LookupError(f"the lens {name or 'of the ' + camera} is not in Lensfun's database for {focal:g} mm")
    if fitting[0].type != lensfunpy.LensType.RECTILINEAR:
        raise LookupError(f"the lens {fitting[0].model} is a fisheye")
    return _together(fitting[0]), _numbers(fitting[0], bodies[0].crop_factor, focal, aperture, size)


def _together(one):
    """Maker and model as files.metadata puts them together."""
    return one.model if one.model.startswith(one.maker) else f"{one.maker} {one.model}"


def _numbers(found, crop, focal, aperture, size):
    result = lens.plain(size)
    middle, radius = np.array(result["middle"]), result["radius"]
    flags = lensfunpy.ModifyFlags.DISTORTION | lensfunpy.ModifyFlags.TCA
    ask = _asking(found, crop, size, focal, aperture or ANY, flags)
    straight = middle + ASKED[:, None] * radius * (middle / np.linalg.norm(middle))
    photo = _each(ask.apply_geometry_distortion, straight)
    if photo is not None:
        terms = _fit(ASKED, np.linalg.norm(photo - middle, axis=1) / radius / ASKED, range(DISTORTION + 1))
        # As large in the middle as in the photo: the focal length is then that of EXIF.
        terms = [term / terms[0] ** (k + 1) for k, term in enumerate(terms)]
        result["distortion"] = _shortened(terms[1:])
    coloured = _each(ask.apply_subpixel_distortion, straight)
    if coloured is not None:
        away = np.linalg.norm(coloured - middle, axis=-1) / radius / ASKED[:, None]
        red, blue = (_shortened(_fit(ASKED, away[:, c] - 1, range(LATERAL + 1))) for c in (0, 2))
        result["lateral"] = {"red": red, "blue": blue} if red or blue else None
    if aperture:
        result["vignetting"] = _vignetting(found, crop, size, focal, aperture)
    return result


def _vignetting(found, crop, size, focal, aperture):
    # A picture of the same shape, as Lensfun's answer does not depend on its size.
    small = [max(2, round(side * 240 / max(size))) for side in size]
    ask = _asking(found, crop, small, focal, aperture, lensfunpy.ModifyFlags.VIGNETTING)
    picture = np.ones((small[1], small[0], 3), np.float32)
    if not ask.apply_color_modification(picture):
        return []
    y, x = (np.arange(side) - (side - 1) / 2 for side in picture.shape[:2])
    q = np.hypot(x, y[:, None]).ravel() / np.hypot(x[-1], y[-1])
    return _shortened(_fit(q, 1 / picture[..., 1].ravel().astype(float) - 1, [2 * k + 2 for k in range(VIGNETTING)]))


def _asking(found, crop, size, focal, aperture, flags):
    ask = lensfunpy.Modifier(found, crop, *size)
    ask.initialize(focal, aperture, FAR, scale=1.0, pixel_format=np.float32, flags=int(flags))
    return ask


def _each(function, points):
    """Lensfun's answers for points (n, 2), or None where the lens has no such numbers."""
    answers = [function(float(x), float(y), 1, 1) for x, y in points]
    return None if answers[0] is None else np.array(answers, float)[:, 0, 0]


def _fit(x, y, powers):
    return np.linalg.lstsq(np.power(x[:, None], list(powers)), y, rcond=None)[0].tolist()


def _shortened(terms):
    """The terms, or none where all together come to nothing (Lensfun answers in single precision)."""
    return [round(term, 9) for term in terms] if np.abs(terms).max() > 2e-6 else []
