"""A look on the frames of the clip: by tables, which the line applies itself, or by OpenColorIO."""

import numpy as np
import PyOpenColorIO as ocio

from files.look import plain, processor
from kerbwalk import hdr, look, signal
from kerbwalk.colour import LUMINANCE_BT2020

# Those that CURVE stands for, as polygons through OpenColorIO's own numbers.
PER_CHANNEL = (ocio.Lut1DTransform, ocio.ExponentTransform, ocio.ExponentWithLinearTransform)
LOGARITHMS = (ocio.LogTransform, ocio.LogAffineTransform, ocio.LogCameraTransform)
INFINITE, BACKWARDS = float("inf"), ocio.TRANSFORM_DIR_INVERSE
# A 3-D table that says nothing of its interpolation is one that OpenColorIO takes in cubes.
IN_TETRAHEDRA = (ocio.INTERP_TETRAHEDRAL, ocio.INTERP_BEST)


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
        code = signal.BT709 if shows == "bt709" else coding(shows)
        return lambda rgb, planes: signal.encode(rgb, tables, planes, code)
    exact = processor(path)

    def encode(rgb, planes):
        exact.applyRGB(rgb)
        signal.encode(rgb, signal.NO_LOOK, planes)

    return encode


def coding(kind):
    """How kerbwalk.signal.encode makes a signal of high dynamic range, a kind of kerbwalk.hdr's."""
    curves = hdr.curves(kind, signal.corners().astype(np.float64))
    return signal.coding(LUMINANCE_BT2020, *(None if curve is None else signal.polygon(curve) for curve in curves))


def tabulated(path):
    """The look of a CTF or CLF file as steps that the line applies itself (kerbwalk.signal.encode).

    Returns the steps' kinds, int64 (n,), their numbers, float32 (n, 3, NUMBERS), where their tables lie, int64
    (n, 3, 2), the tables, float32 flat, and the cube, which may come last, float32 (m, m, m, 3) (kerbwalk.signal); or
    None where the look holds a step of another kind, or one after the cube. The steps are those that OpenColorIO itself
    would take without loss; it takes the place of OpenColorIO's own pass over the picture, which lasts ten times as
    long.
    """
    steps, cube = [], np.empty((0, 0, 0, 3), np.float32)
    with plain(path) as copy:
        exact = ocio.Config.CreateRaw().getProcessor(ocio.FileTransform(copy))
        group = exact.getOptimizedProcessor(ocio.OPTIMIZATION_LOSSLESS).createGroupTransform()
    for transform in group:
        if len(cube):
            return None
        if isinstance(transform, ocio.Lut3DTransform):
            if transform.getInterpolation() not in IN_TETRAHEDRA or transform.getDirection() == BACKWARDS:
                return None
            size = transform.getGridSize()
            cube = np.array(transform.getData(), np.float32).reshape(size, size, size, 3)
        elif (found := _steps_of(transform)) is None:
            return None
        else:
            steps += found
    numbers = np.zeros((len(steps), 3, signal.NUMBERS), np.float32)
    places, kept, start = np.zeros((len(steps), 3, 2), np.int64), [np.empty(0, np.float32)], 0
    for k, (_, values) in enumerate(steps):
        if np.shape(values)[1] <= signal.NUMBERS:
            numbers[k, :, : np.shape(values)[1]] = values
            continue
        for channel, table in enumerate(values):
            # Channels with one curve share it, which leaves more room for it near the processor.
            if channel and np.array_equal(table, values[channel - 1]):
                places[k, channel] = places[k, channel - 1]
                continue
            kept.append(table)
            places[k, channel] = start, start + len(table)
            start += len(table)
    return np.array([kind for kind, _ in steps], np.int64), numbers, places, np.concatenate(kept), cube


def _steps_of(transform):
    """What stands for a transform: a list of (kind, values a channel); None where nothing does."""
    if isinstance(transform, ocio.MatrixTransform):
        return [(signal.MATRIX, _of_matrix(transform))]
    if isinstance(transform, ocio.CDLTransform):
        return _of_cdl(transform)
    if isinstance(transform, ocio.RangeTransform):
        return [(signal.POWER, [_of_range(transform)] * 3)]
    if isinstance(transform, LOGARITHMS):
        return [_of_log(transform)]
    backwards = transform.getDirection() == BACKWARDS
    if not isinstance(transform, PER_CHANNEL):
        return None
    if isinstance(transform, ocio.Lut1DTransform) and transform.getInputHalfDomain() and not backwards:
        values = np.reshape(transform.getData(), (-1, 3)).T
        return [(signal.HALVES, [signal.halves_table(channel).ravel() for channel in values])]
    values = look.applied(transform, np.repeat(signal.corners()[..., None], 3, axis=-1))
    return [(signal.CURVE, [signal.polygon(values[..., channel]).ravel() for channel in range(3)])]


def _of_matrix(transform):
    """Rows of four: a matrix and what it adds."""
    whole = np.vstack(
        [np.c_[np.reshape(transform.getMatrix(), (4, 4))[:3, :3], transform.getOffset()[:3]], [0, 0, 0, 1]]
    )
    return (np.linalg.inv(whole) if transform.getDirection() == BACKWARDS else whole)[:3]


def _of_cdl(transform):
    """ASC CDL 1.2: slope, offset, power, saturation; clamped to 0..1 before the power and at the end, or not."""
    sop = np.reshape(transform.getSOP(), (3, 3))
    clamps = transform.getStyle() == ocio.CDL_ASC
    ends = (0, 1) if clamps else (-INFINITE, INFINITE)
    clamp = [(signal.POWER, [(1, 0, *ends, 1)] * 3)] * clamps
    weights, saturation = transform.getSatLumaCoefs(), transform.getSat()
    if transform.getDirection() == BACKWARDS:
        # OpenColorIO's own limit for what it divides by.
        slope, power, saturation = (1 / np.maximum(part, 0.01) for part in (sop[0], sop[2], saturation))
        roots = (signal.POWER, [(1, 0, *ends, root) for root in power])
        last = (signal.POWER, [(back, -offset * back, *ends, 1) for back, offset in zip(slope, sop[1], strict=True)])
        return [*clamp, (signal.SATURATION, [(*weights, saturation)] * 3), roots, last]
    powers = (signal.POWER, [(slope, offset, *ends, power) for slope, offset, power in sop.T])
    return [powers, (signal.SATURATION, [(*weights, saturation)] * 3), *clamp]


def _of_range(transform):
    """Slope, offset, least, most and a power of 1."""
    low = transform.getMinInValue(), transform.getMinOutValue()
    high = transform.getMaxInValue(), transform.getMaxOutValue()
    if transform.getDirection() == BACKWARDS:
        low, high = low[::-1], high[::-1]
    slope, below, above = 1, transform.hasMinInValue(), transform.hasMaxInValue()
    if below and above:
        slope = (high[1] - low[1]) / (high[0] - low[0])
    offset = low[1] - slope * low[0] if below else high[1] - high[0]
    return slope, offset, low[1] if below else -INFINITE, high[1] if above else INFINITE, 1


def _of_log(transform):
    """A logarithm's kind and numbers, each rounded where OpenColorIO rounds it (its LogOpCPU and LogUtils).

    One that is not a camera's has no straight part.
    """
    single, base, camera = np.float32, transform.getBase(), isinstance(transform, ocio.LogCameraTransform)
    backwards, log2_base = transform.getDirection() == BACKWARDS, np.log2(single(base))
    parameters, numbers = ("LogSideSlope", "LogSideOffset", "LinSideSlope", "LinSideOffset"), []
    for channel in range(3):
        log_slope, log_offset, slope, offset = 1, 0, 1, 0
        if not isinstance(transform, ocio.LogTransform):
            log_slope, log_offset, slope, offset = (getattr(transform, f"get{p}Value")()[channel] for p in parameters)
        edge, log_edge, steep, start = -INFINITE, -INFINITE, 1, 0
        if camera:
            edge = transform.getLinSideBreakValue()[channel]
            inside, steep = slope * edge + offset, transform.getLinearSlopeValue()[channel]
            if not transform.isLinearSlopeValueSet():
                steep = log_slope * slope / (inside * np.log(base))
            log_edge = np.log2(single(inside)) * (single(log_slope) / log2_base) + single(log_offset)
            start = log_edge - single(steep) * single(edge)
        if backwards:
            factor = log2_base / single(log_slope)
            numbers.append((log_edge, 1 / single(steep), -start, -log_offset, factor, -offset, 1 / single(slope)))
        else:
            numbers.append((edge, steep, start, slope, offset, log_slope / log2_base, log_offset))
    return signal.UNLOG if backwards else signal.LOG, numbers
