"""Colour spaces and white points, from their primaries.

The working space is linear light with the primaries of ITU-R BT.2020 and white D65: wide enough for
nearly every surface colour and for lamps, with the same white as the display, so that nothing has to
be adapted on the way.
"""

import numpy as np

# CIE 1931 xy of the primaries (red, green, blue) and of white D65, as the Recommendations give them.
BT709 = ((0.640, 0.330), (0.300, 0.600), (0.150, 0.060))
BT2020 = ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046))
D65 = (0.3127, 0.3290)
# White of the ICC's and the DNG specification's connection space.
D50 = (0.3457, 0.3585)
# Weights of R', G', B' in luma, ITU-R BT.709-6, item 3.2.
LUMA_BT709 = np.array([0.2126, 0.7152, 0.0722])
# Luminance of the BT.2020 primaries, ITU-R BT.2020-2 table 4.
LUMINANCE_BT2020 = np.array([0.2627, 0.6780, 0.0593])


def xy_to_xyz(xy):
    """CIE XYZ with Y = 1 of a chromaticity xy."""
    x, y = xy
    return np.array([x / y, 1.0, (1 - x - y) / y])


def rgb_to_xyz(primaries, white):
    """The 3x3 matrix from linear RGB to CIE XYZ (Y of white = 1).

    Source: SMPTE RP 177:1993, derivation of the normalised primary matrix (method from memory).
    """
    columns = np.column_stack([xy_to_xyz(p) for p in primaries])
    return columns * np.linalg.solve(columns, xy_to_xyz(white))


XYZ_TO_BT709 = np.linalg.inv(rgb_to_xyz(BT709, D65))
XYZ_TO_WORKING = np.linalg.inv(rgb_to_xyz(BT2020, D65))
BT709_TO_WORKING = XYZ_TO_WORKING @ rgb_to_xyz(BT709, D65)


def adaptation(white, wanted):
    """3x3: XYZ seen under one white to XYZ that look the same under another, both chromaticities xy.

    The linear Bradford transform (Lam 1985; as in ICC.1:2010, annex E).
    """
    bradford = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
    change = (bradford @ xy_to_xyz(wanted)) / (bradford @ xy_to_xyz(white))
    return np.linalg.solve(bradford, change[:, None] * bradford)


def kelvin_of(xy):
    """The correlated colour temperature of a chromaticity: of the nearest black body in CIE 1960 uv, 1000 to 25000 K.

    The Planckian locus by the rational approximation of Krystek 1985 (Color Research & Application 10(1), from
    memory), searched in steps of a fiftieth of a mired.
    """
    x, y = xy
    mired = np.arange(40, 1000, 0.02)
    k = 1e6 / mired
    u = (0.860117757 + 1.54118254e-4 * k + 1.28641212e-7 * k * k) / (1 + 8.42420235e-4 * k + 7.08145163e-7 * k * k)
    v = (0.317398726 + 4.22806245e-5 * k + 4.20481691e-8 * k * k) / (1 - 2.89741816e-5 * k + 1.61456053e-7 * k * k)
    scale = -2 * x + 12 * y + 3
    return float(k[np.argmin(np.square(u - 4 * x / scale) + np.square(v - 6 * y / scale))])


def white_from_kelvin(kelvin, tint=0.0):
    """Chromaticity xy of the light of a colour temperature.

    kelvin: 1667 to 25000. tint: distance from the locus towards green (positive: the light is greener
    than the locus), in 1/3000 of CIE 1960 uv, perpendicular to it.
    Daylight locus from 5000 K (CIE 15, daylight illuminants), Planckian locus to 4000 K (Kim et al. 2002,
    US patent 7024034, cubic approximation; both from memory), blended in between, where they run side by side.
    """
    point = _locus_uv(kelvin)
    step = _locus_uv(kelvin * 1.001) - point
    # Towards hotter light u falls; turned by a quarter the step points to green (higher v).
    normal = np.array([step[1], -step[0]]) / np.hypot(*step)
    u, v = point + normal * tint / 3000
    scale = 2 * u - 8 * v + 4
    return np.array([3 * u / scale, 2 * v / scale])


def _locus_uv(kelvin):
    share = np.clip((kelvin - 4000) / 1000, 0, 1)
    x, y = (1 - share) * _planckian_xy(min(kelvin, 5000)) + share * _daylight_xy(max(kelvin, 4000))
    scale = -2 * x + 12 * y + 3
    return np.array([4 * x / scale, 6 * y / scale])


def _daylight_xy(kelvin):
    t = 1e3 / kelvin
    if kelvin <= 7000:
        x = np.polyval([-4.6070, 2.9678, 0.09911, 0.244063], t)
    else:
        x = np.polyval([-2.0064, 1.9018, 0.24748, 0.237040], t)
    return np.array([x, -3.0 * x * x + 2.870 * x - 0.275])


def _planckian_xy(kelvin):
    t = 1e3 / kelvin
    if kelvin <= 4000:
        x = np.polyval([-0.2661239, -0.2343589, 0.8776956, 0.179910], t)
    else:
        x = np.polyval([-3.0258469, 2.1070379, 0.2226347, 0.240390], t)
    if kelvin <= 2222:
        y = np.polyval([-1.1063814, -1.34811020, 2.18555832, -0.20219683], x)
    elif kelvin <= 4000:
        y = np.polyval([-0.9549476, -1.37418593, 2.09137015, -0.16748867], x)
    else:
        y = np.polyval([3.0817580, -5.87338670, 3.75112997, -0.37001483], x)
    return np.array([x, y])


def srgb_to_light(signal):
    """Linear light of an sRGB signal, an array of 0..1 (IEC 61966-2-1, from memory)."""
    return np.where(signal <= 0.04045, signal / 12.92, ((signal + 0.055) / 1.055) ** 2.4)
