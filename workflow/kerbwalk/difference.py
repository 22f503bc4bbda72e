"""How different two colours look: CIE 1976 L*a*b* and CIEDE2000."""

import numpy as np

from kerbwalk import colour


def lab_of_signal(signal):
    """CIE L*a*b* (n, 3), white D65, of a BT.709 signal R'G'B' (n, 3) in 0..1, as a BT.1886 display shows it.

    Source: CIE 15, CIELAB; ITU-R BT.1886 with a black of zero.
    """
    xyz = np.power(np.clip(signal, 0, 1), 2.4) @ np.linalg.inv(colour.XYZ_TO_BT709).T
    t = xyz / colour.xy_to_xyz(colour.D65)
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t * (29 / 6) ** 2 / 3 + 4 / 29)
    return np.stack([116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], axis=-1)


def ciede2000(one, other):
    """The colour difference (n,) of two sets of L*a*b* (n, 3).

    Source: CIE 142-2001, as written out by Sharma, Wu & Dalal 2005, "The CIEDE2000 color-difference formula:
    implementation notes, supplementary test data, and mathematical observations".
    """
    (l1, a1, b1), (l2, a2, b2) = (np.moveaxis(np.asarray(lab, float), -1, 0) for lab in (one, other))
    mean7 = ((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2) ** 7
    g = 1.5 - 0.5 * np.sqrt(mean7 / (mean7 + 25.0**7))
    c1, c2 = np.hypot(g * a1, b1), np.hypot(g * a2, b2)
    h1, h2 = (np.degrees(np.arctan2(b, g * a)) % 360 for a, b in ((a1, b1), (a2, b2)))
    grey = c1 * c2 == 0
    turn = np.where(grey, 0, (h2 - h1 + 180) % 360 - 180)
    # a difference of exactly 180 degrees counts as positive
    turn = np.where((turn == -180) & (h2 > h1), 180, turn)
    lightness, chroma = (l1 + l2) / 2, (c1 + c2) / 2
    hue = np.where(grey, h1 + h2, (h1 + h2) / 2 + 180 * (np.abs(h1 - h2) > 180)) % 360
    t = 1 - 0.17 * _cos(hue - 30) + 0.24 * _cos(2 * hue) + 0.32 * _cos(3 * hue + 6) - 0.20 * _cos(4 * hue - 63)
    chroma7 = chroma**7
    rotation = (
        -2 * np.sqrt(chroma7 / (chroma7 + 25.0**7)) * np.sin(np.radians(60) * np.exp(-np.square((hue - 275) / 25)))
    )
    off = np.square(lightness - 50)
    dl = (l2 - l1) / (1 + 0.015 * off / np.sqrt(20 + off))
    dc = (c2 - c1) / (1 + 0.045 * chroma)
    dh = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(turn / 2)) / (1 + 0.015 * chroma * t)
    return np.sqrt(np.maximum(dl * dl + dc * dc + dh * dh + rotation * dc * dh, 0))


def _cos(degrees):
    return np.cos(np.radians(degrees))
