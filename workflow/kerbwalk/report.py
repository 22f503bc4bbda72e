"""What the report measures on the finished picture, by other means than the stages that made it.

Pictures of the clip are BT.709 signal in 16 bits, R'G'B', pixel centres at integers.
"""

import cv2
import numpy as np

from kerbwalk import light
from kerbwalk.decode import averaged

# What a clip should reach: RMS distance of the hold point from its mean, 1080p pixels; RMS deviation of the
# level from a smooth curve, per cent.
HOLD_BAR = 0.5
FLICKER_BAR = 0.4

WHITE = 65535
BT1886 = np.power(np.arange(WHITE + 1) / WHITE, 2.4).astype(np.float32)
# The pass band of the patches, as the sigmas (pixels) of two Gaussians: noise below, lighting above.
FINE, BROAD = 1.0, 6.0
# Sigma, as a part of the patch's size, of the window about the hold point that says what counts.
REACH = 0.2
# Every second pixel each way counts: what the pass band leaves has no finer detail.
THINNED = 2
ROUNDS = 40
# Rows of all patches that are laid on each other at a time.
ROWS = 8
# Below this likeness (normalised correlation) a frame does not show the patch: somebody stands before it.
LIKE = 0.5
# Frames of the running curve against which flicker is judged: about a second and a quarter of clip; and of shorter
# ones, each taken where it leaves less than this part of what the one before leaves, as of clouds, which are no
# flicker: of a step or a flash it leaves more.
CURVE, SHORTER, SMOOTH = 31, (21, 13), 2 / 3
# Frames this far apart are compared for light, each twice the last, on the calmest part of the squares, of so many
# pixels a side, above this light (of white).
STEPS, SQUARE = (1, 2, 4, 8), 4
# A frame's light is unsure where its places agree so many times less with those of frames this near than is usual.
NEAR, UNSURE = 3, 1.3
CALM = 0.25
DARK = 0.002
# They are laid on each other by what is found in pictures of a half, at least this many pixels a side, in which so much
# light is the first code above black.
HALF, LEAST, BLACK = 2, 64, 1e-4


def kept_areas(crops, matrices, size):
    """The part of each photo's area that its frame shows, (n,), 0..1.

    crops: (n, 4) left, top, width, height on the steadied plane, edges; matrices: (n, 3, 3) plane to photo; size:
    (width, height) of the photos. The area of a polygon by the sum of cross products (Gauss).
    """
    left, top, width, height = np.transpose(crops)
    x = np.stack([left, left + width, left + width, left], 1)
    y = np.stack([top, top, top + height, top + height], 1)
    there = np.stack([x, y, np.ones_like(x)], -1) @ np.transpose(matrices, (0, 2, 1))
    x, y = (there[..., k] / there[..., 2] for k in (0, 1))
    doubled = (x * np.roll(y, -1, 1) - y * np.roll(x, -1, 1)).sum(axis=1)
    return np.abs(doubled) / (2 * size[0] * size[1])


def linear_light(picture):
    """Light of a BT.1886 display relative to its white (ITU-R BT.1886 annex 1, with black at zero).

    picture: uint16 (..., 3). Returns float32 of the same shape, 0..1.
    """
    return BT1886[picture]


def hold_in_output(hold, crop, output):
    """Where the hold point lies in the clip: pixels (x, y).

    hold: (2,) pixels of the steadied plane; crop: (left, top, width, height) there, edges; output: (width,
    height).
    """
    step = np.array([crop[2] / output[0], crop[3] / output[1]])
    return (np.asarray(hold) - crop[:2]) / step - 0.5


def patch_place(point, patch, output):
    """Left and top of a patch of (width, height) about a point, moved inside the output if need be."""
    place = [round(point[k] - (patch[k] - 1) / 2) for k in (0, 1)]
    return [int(min(max(place[k], 0), output[k] - patch[k])) for k in (0, 1)]


def movement(patches, point):
    """How the picture moves at a point of it, over the clip.

    patches: n times banded() of the luma about the point; point: (x, y) in them. Returns moves, float64 (n, 2),
    pixels right and down against what all frames show; and likeness, (n,), -1..1, with it.
    An affine map is fitted to every patch by inverse composition (Baker & Matthews 2004, "Lucas-Kanade 20
    years on"), so that coming nearer, which makes everything around the point grow, is not taken for movement
    of the point; residuals count by Tukey's biweight (Beaton & Tukey 1974), so that who passes by is not
    either. All are fitted to the middle patch first, from there outwards, and then to the median of the patches so laid
    on each other. The start is where the one before lay, or at the peak of the phase correlation (Kuglin & Hines 1975).
    """
    half = len(patches) // 2
    middle = patches[half]
    window = _window(middle.shape, point)
    fit, likeness = _fitting(middle, point, window, close=0.05)
    maps = [np.eye(2, 3)] * len(patches)
    for way in (range(half, len(patches)), range(half - 1, -1, -1)):
        last = np.eye(2, 3)
        for k in way:
            # What has grown over the whole clip is too large by then to be told by its shift alone.
            starts = last, np.column_stack([last[:, :2], _peak(middle, patches[k])])
            maps[k] = fit(patches[k], max(starts, key=lambda start, one=patches[k]: likeness(one, start)))
            last = maps[k] if likeness(patches[k], maps[k]) >= LIKE else last
    x, y = _places(middle.shape, point)
    usual = np.empty_like(x)
    # Some rows after the other, as all patches laid on each other would fill the memory.
    for rows in (slice(top, top + ROWS) for top in range(0, len(x), ROWS)):
        laid = [_sampled(one, matrix, point, x[rows], y[rows]) for one, matrix in zip(patches, maps, strict=True)]
        usual[rows] = np.median(laid, axis=0)
    fit, likeness = _fitting(usual, point, window, close=0.0005)
    maps = [fit(one, start) for one, start in zip(patches, maps, strict=True)]
    return np.array([found[:, 2] for found in maps]), np.array(list(map(likeness, patches, maps)))


def curve(values, sure=None, over=CURVE):
    """The smooth curve through a series: a running cubic (after Savitzky & Golay 1964) over so many values.

    values: (n,); sure: bool (n,), which of them the curve goes by, or None for all; at one that is not sure itself, as
    it may lie beyond all others, and where fewer than half of those about it are, it goes by all. Returns (n,). Fewer
    than 12 values are taken for a quadratic, fewer than 7 for a straight line, so that something is left to deviate
    from it.
    """
    count, found = len(values), []
    for k in range(count):
        near = _run(k, count, over)
        if sure is not None and sure[k] and 2 * sure[near].sum() >= len(near):
            near = near[sure[near]]
        degree = min(len(near) - 1, 1 + (len(near) >= 7) + (len(near) >= 12))
        found.append(np.polyfit(near - k, values[near], degree)[-1])
    return np.array(found)


def deviation(levels, sure=None):
    """Each frame's deviation from the smooth curve, as a part of it. levels: (n,), above 0; sure: see curve().

    Returns (n,). Light falls by factors, so that the curve of a dusk is smooth in its logarithm.
    """
    logs, counted = np.log(np.maximum(levels, 1e-9)), slice(None) if sure is None else sure
    off = logs - curve(logs, sure)
    for over in SHORTER:
        closer = logs - curve(logs, sure, over)
        if rms(closer[counted]) > SMOOTH * rms(off[counted]):
            break
        off = closer
    return np.expm1(off)


def lasting_levels(pictures):
    """How bright each frame is against the others, by what they share: the light of the shoot, not of passers-by.

    pictures: n times float32 (h, w), linear light, each asked for once. Returns levels (n,), about 1, and sure, bool
    (n,). Frames up to 8 apart are laid on each other by optical flow (dense inverse search, Kroeger et al. 2016, from
    frame to frame, led on over several) and compared where both are calm, so that what is left of movement makes no
    difference, and the commonest ratio counts: people, cars and what their lamps light up have others. All ratios are
    brought together by least squares. Where a bus lights most of the calm places there is no common ratio: the closest
    quarter of them is spread more widely than in the frames around, and the level is not sure, nor are those beside it.
    On sixteen shoots of the demo, whose light is known, the deviation from a smooth curve so found is right to 0.05 to
    0.38 per cent (RMS) where it is sure; but what lights all but the sky for some frames is taken for flicker.
    """
    count, near, flows = len(pictures), {}, {}
    normal, right, spreads = np.zeros((count, count)), np.zeros(count), [[] for _ in range(count)]
    search = cv2.DISOpticalFlow_create(cv2.DISOPTICAL_FLOW_PRESET_FAST)
    for second, picture in enumerate(pictures):
        codes = _codes(picture)
        near[second] = picture, codes, averaged(picture, SQUARE)
        for step in (step for step in STEPS if step <= second):
            first, between = second - step, second - step // 2
            if step == 1:
                flows[first, second] = search.calc(near[first][1], codes, None)
            else:
                flows[first, second] = light.led(flows[first, between], flows[between, second], 1)
            # Frames further apart have moved more: they agree less, and count less.
            weight = 1 / step
            ratio, spread = _commonest(_ratios(near[first][2], picture, flows[first, second]))
            normal[[first, second], [first, second]] += weight
            normal[[first, second], [second, first]] -= weight
            right[[first, second]] += -weight * ratio, weight * ratio
            if step <= NEAR:
                for k in (first, second):
                    spreads[k].append(spread * np.sqrt(weight))
        near.pop(second - max(STEPS), None)
        flows = {pair: flow for pair, flow in flows.items() if pair[0] > second - max(STEPS)}
    levels = np.exp(np.linalg.lstsq(normal, right, rcond=None)[0])
    spread = np.array([np.median(of_frame or [0.0]) for of_frame in spreads])
    unsure = spread > UNSURE * np.array([np.median(spread[_run(k, count)]) for k in range(count)])
    # What lights most of a frame lights its neighbours a little; of few frames that would leave none.
    beside = np.convolve(unsure, np.ones(3, bool))[1:-1]
    return levels, ~(beside if 2 * beside.sum() <= count else unsure)


def _run(k, count, over=CURVE):
    """Frames about frame k that a running value goes by."""
    start = min(max(k - over // 2, 0), max(0, count - over))
    return np.arange(start, min(start + over, count))


def rms(values):
    """Root mean square of the distances from the mean. values: (n,) or (n, 2)."""
    return float(np.sqrt(np.square(values - np.mean(values, axis=0)).sum() / len(values)))


def drift(moves, seen):
    """How far the point moves from first frame to last along the straight line that fits best, pixels.

    moves: (n, 2); seen: bool (n,), which of them to believe.
    """
    slope = np.polyfit(np.flatnonzero(seen), moves[seen], 1)[0]
    return float(np.hypot(*slope) * (len(moves) - 1))


def to_1080p(output):
    """The factor from pixels of a clip of (width, height) to those of it fitted inside 1920 x 1080."""
    return min(1920 / output[0], 1080 / output[1])


def _codes(picture):
    """A picture in which flow is sought, of a half: the logarithm of its light as uint8."""
    small = averaged(picture, HALF)
    wider = [max(LEAST - side, 0) for side in small.shape]
    logs = np.log(np.maximum(cv2.copyMakeBorder(small, 0, wider[0], 0, wider[1], cv2.BORDER_REPLICATE), BLACK))
    return cv2.convertScaleAbs(logs - np.log(BLACK), alpha=-255 / np.log(BLACK))


def _ratios(squares, picture, flow):
    """Log ratios, where both are calm, of a picture and the squares, (rows, columns), of one that flow leads to it."""
    height, width = picture.shape
    # In a half pixels lie otherwise by half a pixel, to which the enlarged flow is even.
    flow = HALF * cv2.resize(flow, None, fx=HALF, fy=HALF, interpolation=cv2.INTER_LINEAR)
    flow = cv2.copyMakeBorder(flow, 0, HALF, 0, HALF, cv2.BORDER_REPLICATE)[:height, :width]
    there = flow + light.grid(height, width)
    laid = cv2.remap(picture, there, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=np.nan)
    laid = averaged(laid, SQUARE)
    inside = np.isfinite(laid)
    first, second = (np.log(np.maximum(part, 1e-5)) for part in (squares, np.where(inside, laid, squares)))
    return (second - first)[_calm((first + second) / 2, inside)]


def _calm(logs, inside):
    """Where a picture, given as log light, is not dark and differs least from place to place: bool (h, w).

    inside: bool (h, w), where it is known.
    """
    around = np.ones((3, 3), np.uint8)
    contrast = cv2.dilate(logs, around) - cv2.erode(logs, around)
    lit = inside & (logs > np.log(DARK))
    if not lit.any():
        return np.ones_like(lit)
    return lit & (contrast <= np.quantile(contrast[lit], CALM))


def _commonest(values):
    """(centre, extent) of the quarter of the values that lies closest together, by halves (Robertson & Cryer 1974).

    The centre is by Tukey's biweight (Beaton & Tukey 1974) about that quarter's mean.
    """
    ordered = np.sort(values)
    quarter = max(1, len(ordered) // 4)
    while len(ordered) > quarter:
        half = max(quarter, len(ordered) // 2)
        start = int(np.argmin(ordered[half - 1 :] - ordered[: len(ordered) - half + 1]))
        ordered = ordered[start : start + half]
    centre, extent = float(ordered.mean()), float(ordered[-1] - ordered[0])
    for _ in range(8):
        weight = np.square(np.maximum(1 - np.square((values - centre) / max(2 * extent, 2e-3)), 0))
        centre = float((weight * values).sum() / weight.sum())
    return centre, extent


def banded(patch):
    """What movement() goes by: a patch, float32 (h, w), without its noise and what is broad in it."""
    fine = cv2.GaussianBlur(patch, (0, 0), FINE, borderType=cv2.BORDER_REPLICATE)
    return fine - cv2.GaussianBlur(patch, (0, 0), BROAD, borderType=cv2.BORDER_REPLICATE)


def _window(shape, point):
    rows, columns = (np.arange(n) - p for n, p in zip(shape, (point[1], point[0]), strict=True))
    sigma = REACH * min(shape)
    return np.outer(np.exp(-0.5 * np.square(rows / sigma)), np.exp(-0.5 * np.square(columns / sigma)))


def _peak(known, one):
    """The whole-pixel shift (x, y) from one patch to another."""
    height, width = known.shape
    faded = np.outer(np.hanning(height), np.hanning(width))
    cross = np.conj(np.fft.rfft2(known * faded)) * np.fft.rfft2(one * faded)
    cross /= np.maximum(np.abs(cross), 1e-3 * np.abs(cross).max() + 1e-12)
    # The surface is smoothed by a Gaussian of one pixel: what noise there is has no peak so wide.
    squared = np.add.outer(np.square(np.fft.fftfreq(height)), np.square(np.fft.rfftfreq(width)))
    surface = np.fft.irfft2(cross * np.exp(-2 * np.pi**2 * squared), s=(height, width))
    y, x = np.unravel_index(np.argmax(surface), surface.shape)
    return (x + width // 2) % width - width // 2, (y + height // 2) % height - height // 2


def _sampled(one, matrix, point, x, y):
    """A patch seen through a map about the point, at places x, y (arrays) about the point."""
    # By hand, as OpenCV rounds places to 1/32 pixel.
    height, width = one.shape
    x, y = (m[0] * x + m[1] * y + m[2] + p for m, p in zip(matrix, point, strict=True))
    x, y = np.clip(x, 0, width - 1), np.clip(y, 0, height - 1)
    left, top = np.minimum(x.astype(np.intp), width - 2), np.minimum(y.astype(np.intp), height - 2)
    x, y, flat, first = x - left, y - top, one.ravel(), top * width + left
    upper = flat[first] * (1 - x) + flat[first + 1] * x
    first += width
    return upper * (1 - y) + (flat[first] * (1 - x) + flat[first + 1] * x) * y


def _places(shape, point):
    """x and y about the point of all pixels of a patch, (h, w) each."""
    rows, columns = np.indices(shape, dtype=np.float64)
    return columns - point[0], rows - point[1]


def _fitting(known, point, window, close):
    """Two functions of a patch and a map from `known` to it, 2x3 about the point: the map that fits it best, to `close`
    pixels, from that one on; and how alike the two are there, -1..1.
    """
    slope_y, slope_x = np.gradient(known)
    x, y = _places(known.shape, point)
    steps = np.stack([slope_x * x, slope_x * y, slope_x, slope_y * x, slope_y * y, slope_y], axis=-1)
    steps = steps.reshape(-1, 6)
    counted = np.zeros(known.shape, bool)
    counted[::THINNED, ::THINNED] = True
    weight = window.ravel()
    used = counted.ravel() & (weight > 0.05)
    steps, weight, known_used = steps[used], weight[used], known.ravel()[used]
    x, y = x.ravel()[used], y.ravel()[used]

    def fit(one, matrix):
        for _ in range(ROUNDS):
            seen = _sampled(one, matrix, point, x, y)
            gain = (weight * seen * known_used).sum() / max((weight * known_used**2).sum(), 1e-12)
            off = seen - max(gain, 0.2) * known_used
            spread = 4.685 * 1.4826 * np.median(np.abs(off)) + 1e-9
            trust = weight * np.square(np.maximum(0, 1 - np.square(off / spread)))
            scaled = steps * trust[:, None]
            change = np.linalg.lstsq(scaled.T @ steps, scaled.T @ off, rcond=1e-10)[0].reshape(2, 3)
            matrix = _composed(matrix, change)
            if np.abs(change[:, 2]).max() < close:
                break
        return matrix

    def likeness(one, matrix):
        seen = _sampled(one, matrix, point, x, y)
        energy = np.sqrt((weight * seen**2).sum() * (weight * known_used**2).sum())
        return float((weight * seen * known_used).sum() / max(energy, 1e-12))

    return fit, likeness


def _composed(matrix, change):
    """A map after the inverse of a small one."""
    square = np.vstack([matrix, [0, 0, 1]])
    small = np.vstack([change + np.eye(2, 3), [0, 0, 1]])
    return (square @ np.linalg.inv(small))[:2]
