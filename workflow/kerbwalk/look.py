"""One grade for the whole shoot, as an OpenColorIO transform from decoded frames to the display.

The steps, in this order:
1. matrix: white balance, camera to working space, exposure, saturation about BT.2020 luminance;
2. ASC CDL v1.2 (no clamping), in a log encoding of the working space with ACEScct's constants
   (Academy S-2016-001, from memory): the encoding in which the trade grades scene light;
3. tone curve a channel: contrast about mid grey, toe, shoulder (`tone`), to display-linear light;
4. matrix to BT.709 primaries, clip to the display's range;
5. the inverse of the BT.1886 EOTF with a black of zero: light to the power 1/2.4;
6. the user's own cube for that signal, or the cube that a graded still makes (kerbwalk.match).

A view of an OpenColorIO config, if one is named, stands in for steps 3 to 5, in its own steps (`through_view`). For a
display of high dynamic range the tone curve's shoulder goes on to its brightest light, and that light, in BT.2020, is
the result (`to_light`); scene-linear pictures have steps 1 and 2 alone (`grade`).
A look is kept in two files: CTF, OpenColorIO's own format, which has words for all steps there are, and CLF, which
other programs read and which has none for some steps of views (`in_clf`).
"""

import numpy as np
import PyOpenColorIO as ocio

from kerbwalk import colour

MID_GREY = 0.18
# From this part of the brightest there can be on light bends towards white at the latest.
LIFTED = 0.85
# Scene light at which the shaper of a cube goes over from linear to logarithmic, and the cube's points a side.
SHAPER, BAKED = 0.0005, 65
CLF, CTF = "Academy/ASC Common LUT Format", "Color Transform Format"
# Constants of ACEScct for OpenColorIO's camera-style log transform.
_CCT = {
    "base": 2.0,
    "logSideSlope": [1 / 17.52] * 3,
    "logSideOffset": [9.72 / 17.52] * 3,
    "linSideSlope": [1.0] * 3,
    "linSideOffset": [0.0] * 3,
    "linSideBreak": [0.0078125] * 3,
}


def tone(x, contrast=1.0, toe=0.0, shoulder=0.0, peak=1.0, pivot=MID_GREY, top=1.0):
    """The tone curve, scene-linear to display-linear, of our own design.

    x: array, scene-linear, mid grey 0.18; peak: the brightest scene value there can be; top: the display's brightest
    light, diffuse white being 1. Returns values in 0..top.
    Contrast is a power about the pivot. The toe takes v = x / 0.18 below mid grey to
    v (1 - a (1 - v)^2), a = 0.9 toe: slope 1 at mid grey, 1 - a at black. The shoulder starts at
    k = 1 - 0.8 shoulder, or at 0.85 of the peak if that is less, with slope 1 and brings the peak to exactly the top
    along a hyperbola u / (1 + u (U - 1) / U), U the peak in the same units: below k all displays show the same. So a
    lamp that the sensor clipped, of which is known but that it was brighter, is white at whatever exposure, and never a
    grey disc in a darkened picture. Mid grey stays where it is, if it is the pivot (and not itself near the peak).
    """
    grade = pivot * np.power(np.maximum(np.append(x, peak), 0) / pivot, contrast)
    v = np.minimum(grade / MID_GREY, 1)
    low = grade * (1 - 0.9 * toe * np.square(1 - v))
    low, peak = low[:-1].reshape(np.shape(x)), low[-1]
    knee = min(1 - 0.8 * shoulder, LIFTED * peak)
    if knee > top - 1e-9 or peak <= 0:
        return np.minimum(low, top)
    u = np.clip(low - knee, 0, peak - knee) / (top - knee)
    most = (peak - knee) / (top - knee)
    rolled = knee + (top - knee) * u / (1 + u * (most - 1) / most)
    return np.minimum(np.where(low > knee, rolled, low), top)


def saturation_matrix(saturation):
    """3x3 matrix in the working space: 0 leaves BT.2020 luminance alone, 1 changes nothing."""
    return saturation * np.eye(3) + (1 - saturation) * np.tile(colour.LUMINANCE_BT2020, (3, 1))


def transform(to_working, settings, cdl=None, full=1.0):
    """The look as an OpenColorIO GroupTransform.

    to_working: 3x3, a decoded frame to the working space; settings: dict with exposure (stops), contrast, toe,
    shoulder, saturation; cdl: CDLTransform or None; full: the level of a decoded frame where all of the sensor's
    channels are full.
    Its input is a decoded frame divided by its white level, its output the BT.709 signal R'G'B' for a BT.1886 display.
    The brightest that the curve brings to white is the lowest channel of what is full: so a lamp's core, of which no
    colour is known, is white under whatever white balance.
    """
    steps = to_light(to_working, settings, cdl, full)
    steps.appendTransform(_matrix(np.linalg.inv(colour.BT709_TO_WORKING)))
    steps.appendTransform(ocio.RangeTransform(minInValue=0, minOutValue=0, maxInValue=1, maxOutValue=1))
    steps.appendTransform(ocio.ExponentTransform(value=[2.4] * 3 + [1], direction=ocio.TRANSFORM_DIR_INVERSE))
    return steps


def to_light(to_working, settings, cdl=None, full=1.0, top=1.0):
    """The part of the look up to light on a display, of BT.2020 primaries, 1 at diffuse white and at most `top`.

    As transform() otherwise.
    """
    steps = grade(to_working, settings, cdl)
    core = applied(steps, np.full((1, 3), full))[0]
    # A step of half floats below, so that what is full is white whatever the table's corners.
    steps.appendTransform(_tone_lut(settings, peak=float(core.min()) * (1 - 2**-10), top=top))
    return steps


def through_view(to_working, settings, cdl, view):
    """The look by a view of an OpenColorIO config instead of our own tone curve.

    As transform(); view: the Processor from the working space to the display's signal.
    """
    steps = grade(to_working, settings, cdl)
    for step in view.createGroupTransform():
        steps.appendTransform(step)
    steps.appendTransform(ocio.RangeTransform(minInValue=0, minOutValue=0, maxInValue=1, maxOutValue=1))
    return steps


def in_clf(steps, full):
    """A look in steps that CLF has words for: a new GroupTransform, or the very same where there is nothing to do.

    steps: GroupTransform; full: as for transform(). All from the first step to the last one that CLF has no words for
    become a cube of 65 points a side over a logarithmic shaper, from black to twice what is full; what comes before and
    after stays exact. The error is stated in tests/references/test_views.py.
    """
    wordless = [k for k, step in enumerate(steps) if not _has_words(step)]
    if not wordless:
        return steps
    every = list(steps)
    result, baked = ocio.GroupTransform(every[: wordless[0]]), every[wordless[0] : wordless[-1] + 1]
    top = 2 * float(applied(result, np.full((1, 3), full)).max())
    result.appendTransform(_curve(lambda x: np.log1p(np.maximum(x, 0) / SHAPER) / np.log1p(top / SHAPER)))
    places = SHAPER * np.expm1(np.linspace(0, 1, BAKED) * np.log1p(top / SHAPER))
    colours = np.stack(np.meshgrid(places, places, places, indexing="ij"), axis=-1)
    result.appendTransform(cube(applied(ocio.GroupTransform(baked), colours)))
    for step in every[wordless[-1] + 1 :]:
        result.appendTransform(step)
    return result


def _has_words(step):
    try:
        ocio.GroupTransform([step]).write(CLF, ocio.Config.CreateRaw())
    except ocio.Exception:
        return False
    return True


def grade(to_working, settings, cdl=None):
    """The part of the look in scene light: white balance, exposure, saturation, CDL. A new GroupTransform."""
    gain = 2.0 ** settings["exposure"]
    steps = ocio.GroupTransform()
    steps.appendTransform(_matrix(gain * saturation_matrix(settings["saturation"]) @ to_working))
    if cdl is not None:
        cdl.setStyle(ocio.CDL_NO_CLAMP)
        steps.appendTransform(ocio.LogCameraTransform(**_CCT))
        steps.appendTransform(cdl)
        steps.appendTransform(ocio.LogCameraTransform(**_CCT, direction=ocio.TRANSFORM_DIR_INVERSE))
    return steps


def applied(steps, rgb):
    """A transform's result: rgb and it float32 (..., 3).

    At OpenColorIO's full accuracy: its quick powers are off by a third of a per cent of bright light after a CDL.
    """
    result = np.array(rgb, np.float32)
    exact = ocio.Config.CreateRaw().getProcessor(steps)
    exact.getOptimizedCPUProcessor(ocio.OPTIMIZATION_LOSSLESS).applyRGB(result)
    return result


def cdl_transform(slope=(1, 1, 1), offset=(0, 0, 0), power=(1, 1, 1), saturation=1.0):
    """An ASC CDL from its numbers."""
    return ocio.CDLTransform(slope=list(slope), offset=list(offset), power=list(power), sat=float(saturation))


def cube(colours):
    """A 3-D table of colours as a transform, interpolated in tetrahedra.

    colours: (m, m, m, 3), by red, green, blue.
    """
    table = ocio.Lut3DTransform(len(colours))
    table.setInterpolation(ocio.INTERP_TETRAHEDRAL)
    table.setData(np.asarray(colours, np.float32).ravel())
    return table


def cc_text(cdl):
    """An ASC CDL as the text of a .cc file."""
    group = ocio.GroupTransform()
    group.appendTransform(cdl)
    return group.write("ColorCorrection", ocio.Config.CreateRaw())


def text(steps, language, title="kerbwalk look", output="BT.709 R'G'B' for a BT.1886 display"):
    """A look as the text of a file. language: CLF (Academy S-2014-006) or CTF; output: what it gives, in words."""
    steps.getFormatMetadata().setID(title)
    metadata = steps.getFormatMetadata()
    metadata.addChildElement("InputDescriptor", "scene-linear camera RGB as decoded, 0 to 1")
    metadata.addChildElement("OutputDescriptor", output)
    return steps.write(language, ocio.Config.CreateRaw())


def _matrix(matrix):
    full = np.eye(4)
    full[:3, :3] = matrix
    return ocio.MatrixTransform(full.ravel().tolist())


def _tone_lut(settings, peak, top):
    named = {key: settings[key] for key in ("contrast", "toe", "shoulder", "pivot")}
    return _curve(lambda x: tone(x, **named, peak=peak, top=top))


def _curve(function):
    """A curve at every half float, so that dark tones are as finely sampled as bright ones."""
    halves = np.arange(65536, dtype=np.uint16).view(np.float16).astype(np.float64)
    halves = np.clip(np.nan_to_num(halves, nan=0.0), 0, 65504)
    lut = ocio.Lut1DTransform(65536, inputHalfDomain=True)
    lut.setData(np.repeat(function(halves), 3).astype(np.float32))
    return lut
