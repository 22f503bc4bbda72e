"""Light on a display, as the signals of ITU-R BT.2100, PQ and HLG, and what their pictures hold.

Light has the primaries of BT.2020 and is 1 at diffuse white, which lies at 203 cd/m2 (ITU-R BT.2408, table 1); the
brightest is 1000 cd/m2, HLG's nominal peak, for which its system gamma is 1.2.
"""

import numpy as np

from kerbwalk.colour import LUMINANCE_BT2020

WHITE, PEAK, GAMMA = 203.0, 1000.0, 1.2
# The brightest light, diffuse white being 1.
TOP = PEAK / WHITE
# ITU-R BT.2100-2, table 4 (PQ) and table 5 (HLG).
_M1, _M2 = 2610 / 16384, 2523 / 4096 * 128
_C1, _C2, _C3 = 3424 / 4096, 2413 / 4096 * 32, 2392 / 4096 * 32
_A = 0.17883277
_B, _C = 1 - 4 * _A, 0.5 - _A * np.log(4 * _A)
# Luminance of which a power with an exponent below 0 can be taken.
DARKEST = 2.0**-56


def pq(light):
    """The PQ signal of light in cd/m2, 0 to 10000. ITU-R BT.2100-2, table 4 (inverse EOTF); arrays."""
    power = np.power(np.clip(light, 0, 10000) / 10000, _M1)
    return np.power((_C1 + _C2 * power) / (1 + _C3 * power), _M2)


def pq_light(code):
    """Light in cd/m2 of a PQ signal, 0 to 1. ITU-R BT.2100-2, table 4 (EOTF); arrays."""
    power = np.power(np.clip(code, 0, 1), 1 / _M2)
    return 10000 * np.power(np.maximum(power - _C1, 0) / (_C2 - _C3 * power), 1 / _M1)


def hlg(scene):
    """The HLG signal of scene light, 0 to 1. ITU-R BT.2100-2, table 5 (OETF); arrays."""
    scene = np.clip(scene, 0, 1)
    return np.where(scene <= 1 / 12, np.sqrt(3 * scene), _A * np.log(np.maximum(12 * scene - _B, 1e-9)) + _C)


def hlg_scene(code):
    """Scene light, 0 to 1, of an HLG signal. ITU-R BT.2100-2, table 5 (inverse OETF); arrays."""
    code = np.clip(code, 0, 1)
    return np.where(code <= 0.5, np.square(code) / 3, (np.exp((code - _C) / _A) + _B) / 12)


def lightening(luminance):
    """What display light (1 at diffuse white) of a luminance is multiplied by to be HLG's scene light.

    The inverse OOTF: display light is PEAK Y^(GAMMA - 1) times scene light of luminance Y (ITU-R BT.2100-2, table 5).
    """
    display = np.maximum(luminance, DARKEST) * WHITE / PEAK
    return np.power(display, 1 / GAMMA - 1) * WHITE / PEAK


def curves(kind, light):
    """The curves that make a signal, "pq" or "hlg", of display light.

    light: where they are wanted, 1 at diffuse white; arrays. Returns what light is multiplied by for its luminance, or
    None, and what then makes the signal of it.
    """
    return (None, pq(WHITE * light)) if kind == "pq" else (lightening(light), hlg(light))


def light(codes, kind):
    """Display light in cd/m2, (..., 3), of R'G'B' signals, 0 to 1, of a kind."""
    if kind == "pq":
        return pq_light(codes)
    scene = hlg_scene(codes)
    return PEAK * np.power(scene @ LUMINANCE_BT2020, GAMMA - 1)[..., None] * scene


def content_light(pictures, kind):
    """(MaxCLL, MaxFALL) of pictures, cd/m2, whole numbers: the brightest pixel's brightest channel, and of the means of
    the pixels' brightest channels the greatest of a picture.

    pictures: uint16 (h, w, 3), R'G'B', 65535 at full signal. Source: CTA-861.3, annex P (from memory).
    """
    brightest = average = 0.0
    for picture in pictures:
        if kind == "pq":
            # The brightest channel has the greatest code, and of codes there are few.
            counts = np.bincount(picture.max(axis=-1).ravel(), minlength=65536)
            known = pq_light(np.arange(65536) / 65535)
            most, mean = known[np.flatnonzero(counts)[-1]], known @ counts / counts.sum()
        else:
            found = light(picture / np.float32(65535), kind).max(axis=-1)
            most, mean = found.max(), found.mean()
        brightest, average = max(brightest, most), max(average, mean)
    return round(float(brightest)), round(float(average))
