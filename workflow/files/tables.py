"""A look on the frames of the clip: by tables, which the line applies itself, or by OpenColorIO."""

import numpy as np
import PyOpenColorIO as ocio

from files.look import plain, processor
from kerbwalk import hdr, look, signal

PER_CHANNEL = (
    ocio.Lut1DTransform,
    ocio.RangeTransform,
    ocio.ExponentTransform,
    ocio.ExponentWithLinearTransform,
    ocio.LogTransform,
    ocio.LogAffineTransform,
    ocio.LogCameraTransform,
)
# Backwards these are exponentials, whose polygons need more corners.
LOGARITHMS = (ocio.LogTransform, ocio.LogAffineTransform, ocio.LogCameraTransform)


def encoder(path, shows="bt709"):
    """What makes a frame the picture of the clip under a look: encode(rgb, planes), as kerbwalk.signal.encode has it.

    path: of a CTF or CLF file; shows: bt709, for which it makes the signal, pq or hlg, for which it makes light
    (kerbwalk.hdr), or linear (kerbwalk.signal.halves). What holds other steps than tables can say (those of many
    views), or any after a cube, is applied by OpenColorIO itself: to its very numbers, in some tenths of a second for a
    frame of 1080p.
    """
    tables = tabulated(path)
    if shows == "linear":
        return lambda rgb, planes: signal.halves(rgb, tables, planes)
    if tables is not None:
        code = signal.BT709 if shows == "bt709" else hdr.coding(shows)
        return lambda rgb, planes: signal.encode(rgb, tables, planes, code)
    exact = processor(path)

    def encode(rgb, planes):
        exact.applyRGB(rgb)
        signal.encode(rgb, signal.NO_LOOK, planes)

    return encode


def tabulated(path):
    """The look of a CTF or CLF file as steps that the line applies itself (kerbwalk.signal.encode).

    Each step is a matrix and then a curve a channel; a cube may come last. Returns float32 (n, 3, 4), the matrices; the
    curves as polygons, float32 flat, and where in there each lies, int64 (n, 3, 2); and float32 (m, m, m, 3), the cube
    (kerbwalk.signal); or None where the look holds a step of another kind, or one after the cube. All numbers come from
    OpenColorIO, at its full accuracy; it takes the place of OpenColorIO's own pass over the picture, which lasts five
    times as long.
    """
    steps, per_channel, cube = [np.eye(3, 4)], [[]], np.empty((0, 0, 0, 3), np.float32)
    with plain(path) as copy:
        group = ocio.Config.CreateRaw().getProcessor(ocio.FileTransform(copy)).createGroupTransform()
    for transform in _with_kinks_at_corners(group):
        if len(cube):
            return None
        if isinstance(transform, ocio.MatrixTransform):
            if per_channel[-1]:
                steps.append(np.eye(3, 4))
                per_channel.append([])
            steps[-1] = _of_matrix(transform) @ np.vstack([steps[-1], [0, 0, 0, 1]])
        elif isinstance(transform, (*PER_CHANNEL, ocio.CDLTransform)):
            per_channel[-1].append(transform)
        elif isinstance(transform, ocio.Lut3DTransform):
            size = transform.getGridSize()
            cube = np.array(transform.getData(), np.float32).reshape(size, size, size, 3)
        else:
            return None
    curves = [_polygons(transforms) for transforms in per_channel]
    # Channels with one curve share it, which leaves more room for it near the processor.
    kept, places, start = [], np.empty((len(steps), 3, 2), np.int64), 0
    for step, polygons in enumerate(curves):
        for channel, polygon in enumerate(polygons):
            if channel and np.array_equal(polygon, polygons[channel - 1]):
                places[step, channel] = places[step, channel - 1]
                continue
            kept.append(polygon.ravel())
            places[step, channel] = start, start + polygon.size
            start += polygon.size
    return np.array(steps, np.float32), np.concatenate(kept), places, cube


def _with_kinks_at_corners(group):
    """The transforms of a group, taken apart so that curves have kinks at corners of their polygons alone, and that
    what mixes the channels, as a CDL's saturation does, is a matrix.

    The corners are powers of two and, between them, all half floats: so a table over half floats comes first in its
    step, and clamps and powers have their kinks brought to 0 and 1.
    """
    for transform in group:
        parts = [transform]
        if isinstance(transform, ocio.CDLTransform):
            parts = _parts_of_cdl(transform)
        elif isinstance(transform, ocio.Lut1DTransform) and transform.getInputHalfDomain():
            parts = [ocio.MatrixTransform(), transform]
        elif isinstance(transform, ocio.RangeTransform) and not _is_plain(transform):
            parts = _parts_of_range(transform)
        for part in parts:
            part.setDirection(transform.getDirection())
        yield from parts if transform.getDirection() == ocio.TRANSFORM_DIR_FORWARD else reversed(parts)


def _parts_of_cdl(transform):
    first, clamp = ocio.CDLTransform(), ocio.CDLTransform()
    for part in (first, clamp):
        part.setStyle(transform.getStyle())
    parts = [first]
    if transform.getPower() == [1, 1, 1] and transform.getStyle() == ocio.CDL_NO_CLAMP:
        first.setSOP(transform.getSOP())
    else:
        first.setPower(transform.getPower())
        parts = [_scaled(transform.getSlope(), transform.getOffset()), first]
    if transform.getSat() != 1:
        parts.append(ocio.MatrixTransform.Sat(transform.getSat(), transform.getSatLumaCoefs()))
    return [*parts, clamp]


def _parts_of_range(transform):
    """A clamp, between two matrices that take its ends to 0 and 1 and back."""
    low, high = transform.getMinInValue(), transform.getMaxInValue()
    out_low, out_high = transform.getMinOutValue(), transform.getMaxOutValue()
    clamp = ocio.RangeTransform(0, 1, 0, 1)
    there = _scaled(np.full(3, 1 / (high - low)), np.full(3, -low / (high - low)))
    return [there, clamp, _scaled(np.full(3, out_high - out_low), np.full(3, out_low))]


def _is_plain(transform):
    """Whether a range's ends are 0 and 1 already, or one is open, or nothing is cut."""
    ends = transform.hasMinInValue() and transform.hasMaxInValue()
    cuts = transform.getStyle() == ocio.RANGE_CLAMP
    return not (ends and cuts) or (transform.getMinInValue(), transform.getMaxInValue()) == (0, 1)


def _scaled(slope, offset):
    return ocio.MatrixTransform(np.diag([*slope, 1.0]).ravel().tolist(), [*offset, 0.0])


def _of_matrix(transform):
    corners = look.applied(transform, np.vstack([np.eye(3), np.zeros(3)]))
    return np.column_stack([(corners[:3] - corners[3]).T, corners[3]])


def _polygons(transforms):
    """The polygons, float32 (3, 2 segments, 2), of transforms that leave the channels apart."""
    steep = any(isinstance(t, LOGARITHMS) and t.getDirection() == ocio.TRANSFORM_DIR_INVERSE for t in transforms)
    bits = signal.FINE if steep else signal.USUAL
    values = look.applied(ocio.GroupTransform(transforms), np.repeat(signal.corners(bits)[..., None], 3, axis=-1))
    return np.stack([signal.polygon(values[..., channel]) for channel in range(3)])
