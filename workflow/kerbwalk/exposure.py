"""What the camera's settings say of the light in a photo."""

import numpy as np


def known_stops(shutter, aperture, iso):
    """Exposure in stops from the camera's settings, up to a constant: log2(t S / N^2).

    The arithmetic of APEX, -Tv - Av + Sv (ISO 2720, CIPA DC-008 annex C; from memory). Arrays, NaN where unknown.
    """
    return np.log2(shutter * iso / np.square(aperture))
