"""A look's CLF file as tables, which the line applies itself."""

import numpy as np
import PyOpenColorIO as ocio

from files.look import plain
from files.stage import StageError
from kerbwalk import signal

PER_CHANNEL = (
    ocio.Lut1DTransform,
    ocio.RangeTransform,
    ocio.ExponentTransform,
    ocio.ExponentWithLinearTransform,
    ocio.LogTransform,
    ocio.LogAffineTransform,
    ocio.LogCameraTransform,
)


def tabulated(path):
    """The look of a CLF file as steps that the line applies itself (kerbwalk.signal.encode).

    Each step is a matrix and then a curve a channel; a cube may come last. Returns float32 (n, 3, 4),
    (n, 3, 2 SEGMENTS, 2), the curves as polygons, and (m, m, m, 3), the cube (kerbwalk.signal). All numbers
    come from OpenColorIO, at its full accuracy; it takes the place of OpenColorIO's own pass over the picture, which
    lasts five times as long.
    Raises StageError where the look holds a step of another kind, or one after the cube.
    """
    steps, per_channel, cube = [np.eye(3, 4)], [[]], np.empty((0, 0, 0, 3), np.float32)
    with plain(path) as copy:
        group = ocio.Config.CreateRaw().getProcessor(ocio.FileTransform(copy)).createGroupTransform()
    for transform in _without_saturation(group):
        if len(cube):
            raise StageError(f"{path}: cannot be applied, as a {type(transform).__name__} comes after its cube")
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
            raise StageError(f"{path}: cannot be applied, as it holds a {type(transform).__name__}")
    polygons = [_polygons(ocio.GroupTransform(transforms)) for transforms in per_channel]
    return np.array(steps, np.float32), np.array(polygons), cube


def _without_saturation(group):
    """The transforms of a group, with each CDL's saturation, which mixes the channels, as a matrix of its own."""
    for transform in group:
        if not isinstance(transform, ocio.CDLTransform):
            yield transform
            continue
        slope_offset_power, clamp = ocio.CDLTransform(), ocio.CDLTransform()
        slope_offset_power.setSOP(transform.getSOP())
        for part in (slope_offset_power, clamp):
            part.setStyle(transform.getStyle())
        parts = [slope_offset_power, ocio.MatrixTransform.Sat(transform.getSat(), transform.getSatLumaCoefs()), clamp]
        for part in parts:
            part.setDirection(transform.getDirection())
        yield from parts if transform.getDirection() == ocio.TRANSFORM_DIR_FORWARD else reversed(parts)


def _of_matrix(transform):
    corners = np.vstack([np.eye(3), np.zeros(3)]).astype(np.float32)
    _apply(transform, corners)
    return np.column_stack([(corners[:3] - corners[3]).T, corners[3]])


def _polygons(transform):
    """The polygons, float32 (3, 2 SEGMENTS, 2), of a transform that leaves the channels apart."""
    places = signal.corners()
    rgb = np.repeat(places[..., None], 3, axis=-1)
    _apply(transform, rgb)
    return np.stack([signal.polygon(rgb[..., channel]) for channel in range(3)])


def _apply(transform, rgb):
    exact = ocio.Config.CreateRaw().getProcessor(transform)
    exact.getOptimizedCPUProcessor(ocio.OPTIMIZATION_LOSSLESS).applyRGB(rgb)
