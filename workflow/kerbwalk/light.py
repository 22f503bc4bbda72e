"""Find how bright each photo is against the others, from what corresponds in them."""

import functools
import itertools
from dataclasses import dataclass, replace

import cv2
import numpy as np

WHITE = 65535
# Grey of red, green, blue and a mask.
GREY = np.array([0.25, 0.5, 0.25, 0], np.float32)
# Red, green and blue above this are not trusted, nor what lies beside more than so much of a clipped pixel.
LIMITS = np.array([0.9 * WHITE, 0.9 * WHITE, 0.9 * WHITE, 0.01], np.float32)
# What a pixel holds that is not to be compared: so far below nothing that no mean in which it has a part is above.
HIDDEN = -1e20
# Below this level (of 65535) noise and black level decide, and a ratio means nothing.
DARK = 130
# Beside those of single steps there are links over so many, each twice the last, not farther off what single steps
# tell than this (log). Of one length so many at most lie over a place of the walk.
LONG, ASTRAY, OVERLAP = (2, 4, 8), 0.05, 2
# The flow is sought down to half the size (1: halved once), in patches side by side; more steps towards it find nothing
# better.
FINEST, STRIDE, TOWARDS = 1, 8, 8
# It is kept for patches of so many pixels a side, which take one more step at the full size, of no more than so many
# pixels, and a short one where slopes are no more than noise has (log a pixel).
PATCH, STEP, FLAT = 8, 1.0, 0.01
# Smaller pictures (pixels a side) are widened for it, as OpenCV fails on the smallest.
LEAST = 32
# Sums are compared over blocks of this many proxy pixels a side. Photos some steps apart are compared at one over HALF
# of the size: they have more to lose by flow than by size, and are many.
BLOCK, HALF = 6, 2
# In pictures of fewer pixels all are compared at their full size: there a half is too little to go by.
LARGE = 80000
# Of a block so much has to be seen in both; and of blocks so many.
WHOLE, MIN_BLOCKS = 0.5, 40
# Parts of the picture, each followed through the photos by itself, are so many blocks a side.
PART = 7
# Blocks are judged with those around them, this many a side.
AROUND = 7
# Standard deviations: how well flow lays a block (pixels); what no block and no link is better than (log); how a
# lens's vignetting and its change between two photos may be (log, at the corner), also if a bus lights one of them.
LAID, BLOCK_FLOOR, LINK_FLOOR = 0.3, 2e-3, 6e-4
VIGNETTING, BREATHING, STEADY = 0.3, 0.007, 0.001
PRIOR = np.array([0, VIGNETTING**-2, BREATHING**-2])
# Links over so many steps tell the lens's vignetting. What they say together errs by so many times what it would if
# each saw something else, and by this at least.
FAR, ALIKE, LENS_FLOOR = 4, 3.0, 0.01
# Where Tukey's biweight ends, standard deviations. Far less than the 4.685 of textbooks: of a bus's light on a wall
# the weak outskirts do harm, and there are blocks enough.
END = 2.0
# Links in which fewer than this part of the blocks agree are the less trusted, as with a bus here in the one photo and
# there in the other.
AGREE = 0.8
# What blocks agree on is sought on a grid (log: its step, and steps to either side of the median), their standard
# deviations rounded to these; this many a side make one more value of their mean, as sky is noisy but wide.
FINE, SPAN, SIZES, WIDE = 1e-3, 250, np.geomspace(2e-3, 0.08, 9), 3
# Their correlations are as long; nothing that comes round reaches the middle.
LENGTH = 1024
# How blocks err: this part normally, and beyond that the rest, on average by so much (log) to either side; where a bus
# lights the picture, and where it does by less, or by more, as a lamp did that goes out in a dark lane, most of the
# rest by so much to one side, or, if it moves, to both.
PLAIN, LIT, FAINT, STRONG = (0.6, 0.1), (0.25, 0.1), (0.25, 0.03), (0.25, 0.3)
KINDS = ((PLAIN, 0), *itertools.product((LIT, FAINT, STRONG), (1, 0, -1)))
# Between photos some steps apart a bus is at work where so many more blocks (part of all) are brighter by over so much
# (log) than are darker.
BUS, BRIGHTER = 0.3, 0.01


@dataclass
class Frame:
    """A photo as the ratios need it: see frame().

    grey: float32 (h, w), HIDDEN where it is not usable; half: its reduced copy, HIDDEN where any of that is; logs:
    float32 (h, w), its logarithm, of which flow is sought; of blocks, (rows, columns), float32: bright, their mean
    grey, and blocks, (rows, columns, 4): squared distance from the axis, log of red and of blue against green, the part
    of glare. The pictures may be None, once they have been compared.
    """

    grey: np.ndarray
    half: np.ndarray
    logs: np.ndarray
    bright: np.ndarray
    blocks: np.ndarray


@dataclass
class Ratio:
    """How much brighter the second of two photos is.

    model, (3,): log of the ratio, the lens's vignetting, and how much more of it the second photo has (log e, at the
    corner), all as this pair alone says; information, (3, 3): the inverse of their covariance; pixels: how many are
    behind it. colour, (2,): log of how much more its red, and its blue, is than its green. change: float32 (rows,
    columns), each block's log ratio beyond the photos', NaN where unknown; parts: the same of squares of PART blocks,
    whose medians are within the photos' ratio, not beyond it.
    """

    model: np.ndarray
    information: np.ndarray
    pixels: int = 0
    colour: np.ndarray | None = None
    change: np.ndarray | None = None
    parts: np.ndarray | None = None


def frame(laid, radius, shade=None):
    """A photo laid on the reference's plane, made ready to be compared.

    laid: float32 (h, w, 4): scene-linear red, green and blue, and the laid clipping mask, in which what lies outside
    the photo is clipped; radius: float32 (rows, columns) of blocks, how far each lies from the lens's axis in the
    photo, 1 in the corner; shade: float32 (h, w), the lens's vignetting, which is taken off, or None.
    """
    grey, clear = laid @ GREY, usable(laid)
    if shade is not None:
        grey = cv2.divide(grey, shade)
    # For the flow a logarithm, in which flicker is an offset; without the finest of its noise.
    logs = cv2.GaussianBlur(cv2.log(cv2.max(grey, 60)), (3, 3), 0)
    grey = _shown(grey, clear)
    # Of four pixels at the limit of the dark ones some are above it by their noise.
    half = _means(grey, HALF)
    grey, half = (_shown(part, part > DARK) for part in (grey, half))
    good = (half > 0).view(np.uint8)
    share = np.maximum(_means(good.astype(np.float32), BLOCK // HALF), 1e-3)
    colours = _means(cv2.copyTo(_means(laid, HALF), good), BLOCK // HALF) / share[..., None]
    red, green, blue = np.moveaxis(np.maximum(colours[..., :3], 1), -1, 0)
    columns = [np.square(radius), np.log(red / green), np.log(blue / green), np.zeros_like(radius)]
    bright = (red + 2 * green + blue) / (4 if shade is None else 4 * _means(shade))
    return Frame(grey, half, logs, bright, np.float32(np.dstack(columns)))


def glared(one, glare):
    """A photo with what is known of its lamps' glare: (rows, columns), of blocks, in its own units."""
    return replace(one, blocks=np.dstack([one.blocks[..., :3], np.minimum(glare / one.bright, 1)]).astype(np.float32))


def flow(first, second):
    """How far each patch has come from one photo to the next: float32 (rows, columns, 2), pixels.

    first, second: Frame. Dense inverse search (Kroeger et al. 2016) at half the size; of that the median of three by
    three patches (Sun et al. 2010), as some slip; and at the full size one step towards the least squares of a patch's
    differences from their mean (Lucas & Kanade 1981).
    """
    dense = cv2.DISOpticalFlow_create(cv2.DISOPTICAL_FLOW_PRESET_ULTRAFAST)
    dense.setFinestScale(FINEST)
    dense.setPatchStride(STRIDE)
    dense.setGradientDescentIterations(TOWARDS)
    further = [max(LEAST - side, -side % PATCH) for side in first.logs.shape]
    one, other = (
        cv2.copyMakeBorder(part.logs, 0, further[0], 0, further[1], cv2.BORDER_REPLICATE) for part in (first, second)
    )
    # 2.8 % a level.
    codes = [cv2.convertScaleAbs(part, alpha=36, beta=-147.5) for part in (one, other)]
    moved = cv2.merge([cv2.medianBlur(part, 3) for part in cv2.split(_means(dense.calc(*codes, None), PATCH))])
    there = cv2.resize(moved, one.shape[::-1], interpolation=cv2.INTER_NEAREST) + grid(*one.shape)
    change = cv2.remap(other, there, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE) - one
    across, down = (cv2.Sobel(one, cv2.CV_32F, *axis, scale=1 / 8) for axis in ((1, 0), (0, 1)))
    parts = across, down, change
    means = [_means(part, PATCH) for part in parts]
    xx, yy, xy, x_change, y_change = (
        _means(parts[i] * parts[j], PATCH) - means[i] * means[j] for i, j in ((0, 0), (1, 1), (0, 1), (0, 2), (1, 2))
    )
    xx, yy = xx + FLAT**2, yy + FLAT**2
    step = np.dstack([yy * x_change - xy * y_change, xx * y_change - xy * x_change]) / (xx * yy - xy * xy)[..., None]
    return moved - np.clip(step, -STEP, STEP)


def spread(flow, height, width, part=1):
    """The flow at every pixel of a picture of this size, at one over `part` of the proxy's, in its pixels.

    Between the patches' middles it is linear.
    """
    rows, columns = (side * PATCH // part for side in flow.shape[:2])
    return cv2.resize(flow / part, (columns, rows), interpolation=cv2.INTER_LINEAR)[:height, :width]


def led(flow, onward, patch=PATCH):
    """Two flows, each of patches of so many pixels a side, of which the second begins where the first ends, as one.

    Over several steps that is nearer to the truth than a flow sought from end to end, which slips the more the less
    the two pictures are alike.
    """
    there = flow / patch + grid(*flow.shape[:2])
    return flow + cv2.remap(onward, there, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def compared(first, second, flow, part=1):
    """What two pictures show in the same places, summed over small blocks: float32 (6, rows, columns).

    first, second: grey of two Frames, or, with part = HALF, half of both; flow: between them.
    Returns how much of each block can be compared, the means of that in the one and the other, the variance of the
    pixels' ratios by their mean squared, and where the blocks lie in the second picture, x and y, blocks. Sums are
    compared, since what is left of error in the flow largely cancels in them.
    """
    flow, side = spread(flow, *first.shape, part), BLOCK // part
    there = cv2.add(flow, grid(*first.shape))
    second = cv2.remap(second, there, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=HIDDEN)
    good = cv2.threshold(cv2.min(first, second), 0, 1, cv2.THRESH_BINARY)[1]
    share = _means(good, side)
    whole = share >= WHOLE
    second *= good
    # Of pixels' ratios, as their logarithms cost much and say the same of what is nearly alike.
    pixels = cv2.divide(second, first)
    means = (_means(part, side) for part in (first * good, second, pixels, pixels * pixels))
    first, second, mean, square = (np.where(whole, part, np.float32(1)) for part in means)
    disagree = np.maximum(square * np.where(whole, share, 1) / np.square(mean) - 1, 0)
    moved = _means(flow, side) / side + grid(*share.shape)
    return np.array([share, first, second, disagree, *np.moveaxis(moved, -1, 0)])


def ratio(first, second, seen, vignetting=0.0, expected=np.nan):
    """How much brighter one photo is than another, from the places where both show the same thing.

    first, second: Frame; seen: compared() of them; vignetting: of the lens, as far as it is known (log e, at the
    corner); expected: log of the ratio as far as it is known, or NaN. Returns a Ratio, or None where too little
    corresponds. What lamps spread (glared()) is taken off. Blocks in which the two disagree, or at steep edges, count
    less. What is sought is the log ratio on which all agree that has not changed, not the mean: whoever walks through,
    a lamp that goes on, or a bus that lights most of the picture adds values far and wide. From there, Tukey's biweight
    (Beaton & Tukey 1974) judges each block by itself and together with those around it, as light from elsewhere comes
    to many side by side; where far more are brighter than darker, since a bus only adds light, the chance that a block
    is unlit weighs it as well. The model has the ratio and, as far as their priors let them, the lens's vignetting
    (r^2, which the walk moves over the scene) and a change of it, as an aperture that closes differently makes.
    """
    share, one, other, disagree, *moved = seen
    whole = share >= WHOLE
    if whole.sum() < MIN_BLOCKS:
        return None
    values, both = np.log(other / one), one + other
    level = np.log(both)
    level[~whole] = _middle(level[whole])
    level = cv2.copyMakeBorder(level, 1, 1, 1, 1, cv2.BORDER_REPLICATE)
    slopes = level[1:-1, 2:] - level[1:-1, :-2], level[2:, 1:-1] - level[:-2, 1:-1]
    steep = sum(np.square(slope) for slope in slopes) / (2 * BLOCK) ** 2
    blocks = cv2.remap(second.blocks, np.dstack(moved), None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    beyond = blocks - first.blocks
    # Of the glare as much may be left as is taken off.
    glare = beyond[..., 3]
    variance = 0.17 / both + steep * LAID**2 + 4 * disagree + np.square(glare) + BLOCK_FLOOR**2
    design = np.array([np.ones_like(values), -beyond[..., 0], -blocks[..., 0]])
    values += np.float32(vignetting) * beyond[..., 0] - glare
    near = whole & ~(np.abs(values - expected) > ASTRAY)
    if near.sum() < MIN_BLOCKS:
        return None
    model, normal, weight, error, steady = _biweight(values, design, variance, near, expected)
    counted = weight > 0
    if counted.sum() < MIN_BLOCKS / 2:
        return None
    # Of the link alone, without what is known of all; no ratio is surer than the floor (Sherman & Morrison 1950).
    alone = normal + 1e-3 * np.eye(3) + steady
    held = cv2.solve(alone, (PRIOR * model)[:, None])[1].ravel()
    floored = alone - np.outer(alone[0], alone[0]) * LINK_FLOOR**2 / (1 + LINK_FLOOR**2 * alone[0, 0])
    agree = min(counted.sum() / whole.sum() / AGREE, 1.0)
    tints = beyond[counted, 1:3].T
    colour = np.partition(tints, len(tints.T) // 2)[:, len(tints.T) // 2].astype(float)
    return Ratio(
        model=model + held + [0, vignetting, 0],
        information=agree * floored,
        pixels=int(share[counted].sum() * BLOCK**2),
        colour=colour,
        change=np.where(whole, error, np.float32(np.nan)),
        parts=_parts(np.where(whole, values, np.float32(np.nan))),
    )


def doubted(ratios, levels):
    """Links over several steps, no surer than they agree with those beside them.

    ratios: {(i, j): Ratio}, all over as many steps, in order; levels: (n,) log e, as single steps tell them. From one
    such link to the next their error by the levels changes by what they are wrong, as the levels' own drift is slow.
    """
    return _unsure(ratios, _apart(ratios, levels) / 2)


def shared(single, double, levels):
    """Links over one step and over two, no surer than they agree with each other.

    single, double: {(i, j): Ratio}, in order; levels: as for doubted(). From one double link to the next their error
    changes by what four links are wrong, two of either kind, of which none is known to be the better.
    """
    return _unsure(single | double, _apart(double, levels) / 4) if len(double) > 1 else single


def solve(count, ratios):
    """log brightness of every photo from all the links, their mean zero, with standard deviations.

    ratios: {(i, j): Ratio}. Least squares on the graph, so that no error is handed on from photo to photo, in which
    links that are wrong by more than three sigmas count the less the more they are; the lens's vignetting is one for
    all, and each photo has its own small part more or less of it. Photos without links are NaN.
    Returns (levels (count,), sigmas (count,)).
    """
    size = 2 * count + 1
    prior = np.diag(np.square([*([1e-2] * count), *([1 / BREATHING] * count), 1 / VIGNETTING]))
    first, second = np.array(list(ratios), int).reshape(-1, 2).T
    # What a link's model is of the levels, the lens's vignetting, and the photos' own part of it.
    places = np.column_stack([second, first, np.full_like(first, size - 1), count + second, count + first])
    parts = np.array([[1, -1, 0, 0, 0], [0, 0, 1, 0, 0], [0, 0, 0, 1, -1.0]])
    model = np.array([r.model for r in ratios.values()]).reshape(-1, 3)
    information = np.array([r.information for r in ratios.values()]).reshape(-1, 3, 3)
    told, square = (information @ model[..., None])[..., 0] @ parts, parts.T @ information @ parts
    trust, answer = np.ones(len(model)), np.zeros(size)
    for _ in range(20 if ratios else 0):
        normal, right = prior.copy(), np.zeros(size)
        np.add.at(right, places, trust[:, None] * told)
        np.add.at(normal, (places[:, :, None], places[:, None]), trust[:, None, None] * square)
        answer = np.linalg.solve(normal, right)
        error = answer[places] @ parts.T - model
        was, trust = trust, 1 / np.maximum(1, np.einsum("ki,kij,kj->k", error, information, error) / 9)
        if np.abs(trust - was).max() < 1e-3:
            break
    linked = np.isin(np.arange(count), [k for pair in ratios for k in pair])
    levels = np.where(linked, answer[:count], np.nan)
    sigmas = np.where(linked, np.sqrt(1 / np.diag(normal)[:count]) if ratios else 0, np.nan)
    return levels - (np.nanmean(levels) if ratios else 0), sigmas


def vignetting(ratios):
    """The lens's vignetting as links over several steps tell it, and its standard deviation: log e, at the corner.

    ratios: {(i, j): Ratio}. A mean with Huber weights; its deviation is by what links differ, as many see the same.
    None where there are no such links.
    """
    far = [one for (i, j), one in ratios.items() if j - i >= FAR]
    if not far:
        return None
    told = np.array([one.model[1] for one in far])
    sigma = np.sqrt(np.linalg.inv([one.information for one in far])[:, 1, 1])
    found = np.median(told)
    for _ in range(20):
        weight = sigma**-2 / np.maximum(1, np.abs(told - found) / (3 * sigma))
        found = (weight * told).sum() / weight.sum()
    apart = np.sqrt((weight**2 * (sigma**2 + (told - found) ** 2)).sum()) / weight.sum()
    return found, max(ALIKE * apart, LENS_FLOOR)


def levels(count, links):
    """log brightness of every photo from links between them, their mean zero.

    links: {(i, j): log ratio}. Least squares on the graph with Huber weights. Photos without links are NaN. Returns
    (count,).
    """
    rows = np.zeros((len(links), count))
    for row, (i, j) in zip(rows, links, strict=True):
        row[[i, j]] = -1, 1
    logs, trust = np.array(list(links.values())), np.ones(len(links))
    for _ in range(40):
        scaled = rows.T * trust
        answer = np.linalg.solve(scaled @ rows + 1e-6 * np.eye(count), scaled @ logs)
        error = np.abs(rows @ answer - logs)
        was, trust = trust, 1 / np.maximum(1, error / max(3 * _spread(error), 1e-4))
        if np.abs(trust - was).max() < 1e-3:
            break
    linked = np.abs(rows).sum(axis=0) > 0
    return np.where(linked, answer - answer[linked].mean(), np.nan)


def usable(laid):
    """Where a laid picture can be trusted: away from anything clipped, or outside, which is laid as clipped.

    laid: as for frame(). Returns bool (h, w).
    """
    height, width, _ = laid.shape
    # Against a whole line of limits, as NumPy is slow over four numbers at a time.
    below = (laid.reshape(height, -1) < np.tile(LIMITS, width)).view(np.uint8).reshape(laid.shape)
    below[..., 3] = cv2.erode(cv2.extractChannel(below, 3), np.ones((3, 3), np.uint8))
    # All four at once.
    return below.view(np.uint32)[..., 0] == 0x01010101


def _apart(ratios, levels):
    """The variance of what links' errors by the levels change by from one to the next."""
    errors = [r.model[0] - levels[j] + levels[i] for (i, j), r in ratios.items()]
    return np.square(_spread(np.abs(np.diff(errors))))


def _unsure(ratios, variance):
    """Links whose ratios have so much more variance."""
    noise = np.diag([variance, 0, 0])
    information = np.array([r.information for r in ratios.values()]).reshape(-1, 3, 3)
    information = np.linalg.inv(np.linalg.inv(information) + noise)
    return {p: replace(r, information=one) for (p, r), one in zip(ratios.items(), information, strict=True)}


def _shown(grey, where):
    """A picture with HIDDEN but where, bool (h, w), it is to be compared."""
    return cv2.copyTo(grey, where.view(np.uint8), np.full_like(grey, HIDDEN))


def _means(values, side=BLOCK):
    """Means over blocks of so many pixels a side."""
    height, width = (n // side for n in values.shape[:2])
    cut = values[: height * side, : width * side]
    return cv2.resize(cut, (width, height), interpolation=cv2.INTER_AREA)


@functools.cache
def grid(height, width):
    """float32 (height, width, 2): x and y of every pixel."""
    return np.dstack(np.meshgrid(np.arange(width, dtype=np.float32), np.arange(height, dtype=np.float32)))


def _parts(values):
    """Medians of squares of PART blocks a side, NaN where fewer than a third of these are known."""
    rows, columns = (-(-n // PART) for n in values.shape)
    wide = np.full((rows * PART, columns * PART), np.nan, np.float32)
    wide[: values.shape[0], : values.shape[1]] = values
    squares = wide.reshape(rows, PART, columns, PART).transpose(0, 2, 1, 3).reshape(rows, columns, -1)
    known = np.isfinite(squares).sum(axis=-1)
    return np.where(known >= PART**2 / 3, medians(squares, axis=-1), np.float32(np.nan))


def medians(values, axis):
    """Medians over an axis of what is not NaN, of an even number the lower one of the two; NaN where all is."""
    ordered = np.sort(values, axis=axis)
    known = np.isfinite(ordered).sum(axis=axis, keepdims=True)
    return np.take_along_axis(ordered, np.maximum(known - 1, 0) // 2, axis=axis).squeeze(axis)


def _biweight(values, design, variance, whole, expected):
    """Fit values = design @ model by Tukey's biweight.

    values, variance, whole (which of them to use): (rows, columns); design: (3, rows, columns); the model's first part
    starts where it is expected, or if that is NaN, on what blocks agree.
    Returns the model (3,), the data's information about it (3, 3), the weights and the errors, (rows, columns), and
    what is known of this link alone, (3, 3): that where a bus is at work, what it lights, often all but a corner, is
    not to pass for another aperture's vignetting.
    """
    sigma, sure = np.sqrt(variance), whole / variance
    if np.isfinite(expected):
        start, beyond = expected, values[whole] - np.float32(expected)
        more = (beyond > BRIGHTER).mean() - (beyond < -BRIGHTER).mean()
        lit = np.sign(more) if abs(more) > BUS else 0
    else:
        start, lit = _agreed(values, sigma, whole)
    model = np.array([start, 0.0, 0.0])
    steady = np.diag([0, 0, STEADY**-2 if lit else 0])
    hold_back = np.diag(PRIOR + [1e-6, 0, 0]) + steady
    certain, fine = 1 / sigma, 1 / np.sqrt(np.maximum(_sums(sure), 1e-9))
    lines, stretch = design.reshape(len(design), -1), 1.0
    for _ in range(40):
        error = values - (np.float32(model) @ lines).reshape(values.shape)
        alone, mean = np.abs(error) * certain, _sums(sure * error) * fine
        together = np.abs(mean)
        agree = whole & (alone < END * stretch)
        stretch_together = max(_spread(together[agree]), 0.5)
        u = np.square(np.maximum(alone / (stretch * END), together / (stretch_together * END)))
        weight = np.square(np.maximum(1 - u, 0))
        if lit:
            unlit = _unlit(error, sigma * stretch, lit) * _unlit(mean * fine, fine * stretch_together, lit)
            weight = np.minimum(weight, unlit)
        weight *= sure
        scaled = lines * weight.ravel()
        normal = scaled @ lines.T + hold_back
        change = cv2.solve(normal, (scaled @ error.ravel() - hold_back @ model)[:, None])[1].ravel()
        model += change
        stretch = max(_spread(alone[weight > 0]), 0.3)
        if np.abs(change[0]) < 5e-5:
            break
    data = (normal - hold_back) / stretch**2
    return model, data, weight, values - (np.float32(model) @ lines).reshape(values.shape), steady


def _sums(values):
    return cv2.boxFilter(values, -1, (AROUND, AROUND), normalize=False, borderType=cv2.BORDER_CONSTANT)


def _spread(magnitudes):
    """Standard deviation of normal values from their magnitudes, robustly."""
    return 1.4826 * _middle(magnitudes) if len(magnitudes) else 1.0


def _middle(values):
    """The median, of an even number the upper one of the two."""
    return float(np.partition(values, len(values) // 2)[len(values) // 2])


def _agreed(values, sigma, whole):
    """The value on which those agree that nothing has lit, of blocks and of the means of some side by side, and whether
    a bus lights the rest: 1 if it is brighter, -1 if darker, or 0.

    The greatest likelihood, over all values, of any of the mixtures in _mixtures(), by correlations of histograms, one
    for each standard deviation; these are no more than neighbours differ by.
    """
    wide = [
        cv2.boxFilter(part, -1, (WIDE, WIDE), normalize=False) for part in (whole / sigma**2, whole * values / sigma**2)
    ]
    alone, mean = values[whole], wide[1][whole] / wide[0][whole]
    size = np.concatenate([sigma[whole], 1 / np.sqrt(wide[0][whole])])
    size *= min(_spread(np.abs(alone - mean) / sigma[whole]), 1.0)
    values, size = np.concatenate([alone, mean]), np.searchsorted(SIZES[:-1].astype(np.float32), size)
    middle = _middle(values)
    place = np.rint((values - middle) / FINE).astype(int) + SPAN
    inside = (place >= 0) & (place <= 2 * SPAN)
    cells = size[inside] * (2 * SPAN + 1) + place[inside]
    counts = np.bincount(cells, minlength=len(SIZES) * (2 * SPAN + 1)).reshape(len(SIZES), -1)
    told = np.fft.irfft((np.fft.rfft(counts.astype(np.float32), LENGTH) * _mixtures()).sum(axis=1), LENGTH)[
        :, 2 * SPAN : 4 * SPAN + 1
    ]
    kind, place = np.unravel_index(np.argmax(told), told.shape)
    return middle + FINE * (place - SPAN), KINDS[kind][1]


@functools.cache
def _mixtures():
    """Spectra of the mixtures' log likelihoods by how far off a block is, (kinds, sizes, frequencies), reversed."""
    off, sigma = FINE * np.arange(2 * SPAN, -2 * SPAN - 1, -1), SIZES[:, None]
    return np.fft.rfft(np.float32([np.log(sum(mixture(off, sigma, *kind))) for kind in KINDS]), LENGTH)


def mixture(error, sigma, kind, lit):
    """Densities of what errs normally, and of the rest. kind: one of KINDS; lit: 1 brighter, -1 darker, or 0."""
    part, reach = kind
    normal = part * np.exp(-np.square(error / sigma) / 2) / (sigma * np.sqrt(2 * np.pi))
    most, either = (np.exp(-np.abs(error) / far) / far / 2 for far in (reach, PLAIN[1]))
    if lit:
        most = np.where(error * lit > 0, 2 * most, 0)
    return normal, (1 - part) * (0.8 * most + 0.2 * either)


def _unlit(error, sigma, lit):
    """The chance that a block with such an error has not been lit (expectation maximisation, Dempster et al. 1977)."""
    normal, rest = mixture(error, sigma, LIT, lit)
    return normal / (normal + rest)
