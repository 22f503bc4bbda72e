"""Register two pictures of the same place: coarsely by phase, by lasting corners, and to a fraction of a pixel."""

from dataclasses import dataclass

import cv2
import numpy as np
from scipy import fft

from kerbwalk.homography import transfer

FEATURES = 900
# The patch by which a corner is followed, pixels.
WINDOW = 17
# Whole-picture shifts are found in pictures of at least this width.
COARSE_WIDTH = 320
# A corner followed there and back must return this near (pixels) to count.
RETURN_ERROR = 0.6
# Residual (pixels) at which a match has lost most of its say in a fit.
SCALES = (8.0, 4.0, 2.0, 1.0)
# How far (pixels, standard deviation) a patch's perspective may bend its edges away from where the picture's leads:
# that is of all that stands about, the patch perhaps of a wall beyond or aslant.
PERSPECTIVE_SIGMA = 0.12


@dataclass
class Link:
    """How one picture lies on another: `matrix` takes its points there; how well is known by `inliers` and `rms`."""

    matrix: np.ndarray
    inliers: int
    share: float
    rms: float


def bright_level(grey):
    """How bright a picture's brightest parts are, lamps and their trails aside: its 99th percentile, at least 1."""
    return max(float(np.percentile(grey[::4, ::4], 99)), 1.0)


def encode(grey, level=None):
    """Scene-linear grey as 8 bits for finding and following corners.

    grey: uint16 (h, w); level: what becomes 200, or None for bright_level(), so that exposure does not matter. The
    square root makes photon noise even over dark and bright (Anscombe 1948). Only corners are followed in it; values
    for the picture itself never come from here.
    """
    level = bright_level(grey) if level is None else level
    root = np.sqrt(np.minimum(grey.astype(np.float32) * np.float32((200 / 255) ** 2 / level), 1))
    return cv2.GaussianBlur(np.rint(root * 255).astype(np.uint8), (0, 0), 0.8)


def level_like(first, level, second, matrix):
    """The level at which a picture is encoded as another is.

    first, second: uint16 (h, w); level: of the first; matrix: 3x3, about where the first's points lie in the second.
    The commonest ratio of the two counts, of all but the darkest third: what stands in front, or the trail of a bus,
    which may be most of what is bright in a picture, has others.
    """
    known = first[::4, ::4]
    quarter = matrix @ np.diag([4.0, 4.0, 1.0])
    laid = cv2.warpPerspective(second, quarter, known.shape[::-1], flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP)
    lit = (known > np.percentile(known, 33)) & (laid > 0)
    logs = np.log(laid[lit] / known[lit])
    counts, edges = np.histogram(logs, 160, (-4, 4))
    counts = np.convolve(counts, [1, 2, 3, 2, 1], "same")
    middle = (edges[np.argmax(counts)] + edges[np.argmax(counts) + 1]) / 2
    near = logs[np.abs(logs - middle) < 0.15]
    return level * float(np.exp(np.median(near))) if len(near) else level


def spectrum(picture):
    """What coarse_shifts() wants of a picture, uint8 (h, w): the spectrum of its gradients at a quarter of the size."""
    return fft.rfft2(_edges(picture, _coarse_step(picture.shape)))


def coarse_shifts(first, second, shape, count=3):
    """The likeliest whole-picture shifts from one picture to another, best first.

    first, second: spectrum() of pictures of shape (h, w). Returns a list of (dx, dy) in pixels, to about 2 px: the
    point p of the first lies near p + (dx, dy) in the second. Phase correlation (Kuglin & Hines 1975) of the gradients;
    several peaks, since a facade of equal windows has several.
    """
    cross = np.conj(first) * second
    cross /= np.maximum(np.abs(cross), 1e-6 * np.abs(cross).max() + 1e-12)
    step = _coarse_step(shape)
    height, width = (n // step for n in shape)
    # Fine detail is noise and parallax: a Gaussian keeps what is wider than about 3 small pixels.
    fy, fx = np.fft.fftfreq(height)[:, None], np.fft.rfftfreq(width)[None]
    surface = fft.irfft2(cross * np.float32(np.exp(-40 * (fx * fx + fy * fy))), s=(height, width))
    shifts = []
    for _ in range(count):
        row, column = np.unravel_index(np.argmax(surface), surface.shape)
        dy = (row + height // 2) % height - height // 2
        dx = (column + width // 2) % width - width // 2
        shifts.append((float(dx * step), float(dy * step)))
        rows, columns = np.arange(row - 3, row + 4) % height, np.arange(column - 3, column + 4) % width
        surface[np.ix_(rows, columns)] = -np.inf
    return shifts


def corners(picture):
    """Corners (Shi & Tomasi 1994) spread over a picture: float32 (n, 2), at most 900.

    picture: uint8 (h, w). The picture is cut into cells and each gives its best few, so that a bright
    sign does not take them all.
    """
    height, width = picture.shape
    strength = cv2.cornerMinEigenVal(picture, 5)
    peaks = (strength == cv2.dilate(strength, np.ones((9, 9), np.uint8))) & (strength > 2e-5)
    peaks[:8] = peaks[-8:] = peaks[:, :8] = peaks[:, -8:] = False
    y, x = np.nonzero(peaks)
    cell = y * 8 // height * 12 + x * 12 // width
    order = np.lexsort((-strength[y, x], cell))
    rank = np.arange(len(order)) - np.searchsorted(cell[order], cell[order])
    chosen = order[rank < FEATURES // 60]
    best = chosen[np.argsort(-strength[y[chosen], x[chosen]], kind="stable")][:FEATURES]
    return np.column_stack([x[best], y[best]]).astype(np.float32)


def follow(first, second, points, start, aside=0.0):
    """Follow corners from one picture into another.

    first, second: uint8 (h, w); points: float32 (n, 2) in the first; start: 3x3 homography, about where they
    lie in the second; aside: (n, 2) pixels of the first by which they are thought to lie off that, or 0.
    Returns (found, ok): float64 (n, 2) positions in the second, and bool (n,).
    Pyramidal Lucas-Kanade (Bouguet 2000), after the second picture is warped onto the first by `start`, so that a
    patch looks alike in both; kept where following back ends where it began.
    """
    if not len(points):
        return np.empty((0, 2)), np.zeros(0, bool)
    size = first.shape[1], first.shape[0]
    warped = cv2.warpPerspective(second, start, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    settings = {"winSize": (WINDOW, WINDOW), "criteria": (3, 20, 0.01), "flags": cv2.OPTFLOW_USE_INITIAL_FLOW}
    begun = (points + aside).astype(np.float32)
    ahead, state, _ = cv2.calcOpticalFlowPyrLK(first, warped, points, begun, maxLevel=2, **settings)
    # On the way back the start is where it should end.
    back, state_back, _ = cv2.calcOpticalFlowPyrLK(warped, first, ahead, points.copy(), maxLevel=1, **settings)
    returned = np.hypot(*(back - points).T) < RETURN_ERROR
    found = transfer(start, ahead)
    inside = (found > 4).all(1) & (found < np.array(size) - 5).all(1)
    return found, (state.ravel() == 1) & (state_back.ravel() == 1) & returned & inside


def fit(source, target, start, centre, reach):
    """The homography that matches obey about a point, whatever else moves.

    source, target: (n, 2) matches; start: 3x3 first guess; centre: (2,) point of the source; reach: pixels, how far
    matches have a full say (Gaussian). Returns a Link.
    Iteratively reweighted least squares with the Geman-McClure weight, its scale lowered step by step
    (graduated non-convexity, Blake & Zisserman 1987), of the linear equations of Hartley (1997).
    """
    near = np.exp(-((source - centre) ** 2).sum(1) / (2 * reach**2)) + 1e-3
    matrix = start
    for scale in (*SCALES, SCALES[-1], SCALES[-1]):
        residual = np.hypot(*(transfer(matrix, source) - target).T)
        weight = near / (1 + (residual / scale) ** 2) ** 2
        matrix = _homography(source, target, weight)
    residual = np.hypot(*(transfer(matrix, source) - target).T)
    good = residual < 2 * SCALES[-1]
    share = float((near * good).sum() / near.sum())
    rms = float(np.sqrt(np.average(residual[good] ** 2, weights=near[good]))) if good.any() else np.inf
    return Link(matrix, int(good.sum()), share, rms)


def register(first, second, points, start, centre, reach):
    """Follow corners of the first picture into the second and fit the homography about a point.

    Returns (link, found, ok): a Link, or None where fewer than 12 corners can be followed; the rest as follow() has it.
    """
    found, ok = follow(first, second, points, start)
    if ok.sum() < 12:
        return None, found, ok
    return fit(points[ok].astype(np.float64), found[ok], start, np.asarray(centre, float), reach), found, ok


def refine_patch(first, second, matrix, point, radius, blur=1.0):
    """Where a point of the first picture lies in the second, to a few hundredths of a pixel.

    first, second: (h, w) pictures, uint16 or float32; matrix: 3x3, about where; point: (2,); radius: half the patch,
    and blur: standard deviation of a Gaussian that widens the basin, pixels.
    Returns (position (2,), likeness, sigma): the normalised correlation (-1..1) of the two patches, and how well the
    position is known, pixels (standard deviation in the worse direction, from the normal equations); None if the patch
    does not lie inside both pictures or has no texture in both directions.
    Gauss-Newton on a homography, its perspective near that of `matrix`, with gain and offset (Baker & Matthews 2004,
    inverse compositional; gain and offset after Bartoli 2008), with Geman-McClure weights, so that what stands or
    passes in front of a part of the patch has no say in it; the likeness is that of the part that shows, 0 if it is
    less than a quarter.
    """
    radius = int(radius)
    px, py = (int(round(v)) for v in point)
    height, width = first.shape
    if min(px, py, width - 1 - px, height - 1 - py) < radius + 2:
        return None
    pad = int(4 * blur) + 1
    rows, columns = (slice(max(p - radius - pad, 0), p + radius + pad + 1) for p in (py, px))
    patch = cv2.GaussianBlur(first[rows, columns].astype(np.float32), (0, 0), blur)
    top, left = py - radius - rows.start, px - radius - columns.start
    # What is blurred need not be looked at pixel by pixel.
    stride = max(1, int(blur))
    inner = np.s_[top : top + 2 * radius + 1 : stride, left : left + 2 * radius + 1 : stride]
    gx, gy = (np.gradient(patch, axis=axis)[inner].ravel() for axis in (1, 0))
    model = patch[inner].ravel()
    dy, dx = np.mgrid[-radius : radius + 1 : stride, -radius : radius + 1 : stride].reshape(2, -1).astype(np.float64)
    unit = dx / radius, dy / radius
    out = gx * unit[0] + gy * unit[1]
    motion = [gx, gy, gx * unit[0], gx * unit[1], gy * unit[0], gy * unit[1], out * unit[0], out * unit[1]]
    steps = np.stack([*motion, model, np.ones_like(model)], 1).astype(np.float64)
    texture = np.linalg.eigvalsh(np.cov(gx, gy))[0] / max(model.var(), 1e-12)
    if texture < 1e-4:
        return None
    window = np.exp(-(unit[0] ** 2 + unit[1] ** 2))
    places = np.stack([dx, dy], 1)
    matrix = matrix @ [[1, 0, px], [0, 1, py], [0, 0, 1]]
    # Blurred noise is alike in about so many pixels.
    alike = max(4 * np.pi * (blur / stride) ** 2, 1)
    warp, weight = np.eye(3), None
    corner, blurred = _surroundings(second, transfer(matrix, [[0, 0]])[0], 2 * radius + 8 * pad, blur)
    # One pixel in four will do on the way there.
    part = np.s_[::4]
    for turn in range(25):
        where = transfer(matrix @ warp, places[part]).astype(np.float32)
        if (where < corner + 1).any() or (where > corner + np.array(blurred.shape[::-1]) - 2).any():
            return None
        seen = cv2.remap(blurred, (where - corner)[:, None], None, cv2.INTER_LINEAR).ravel().astype(np.float64)
        if weight is None:
            gain, offset = _first_gain_and_offset(model[part], seen)
        elif len(weight) == len(seen):
            gain, offset = _gain_and_offset(model[part], seen, weight)
        error = (seen - offset) / gain - model[part]
        # The scale by the best quarter, as most of the patch may be covered (0.3186: that quantile of a normal).
        spread = np.partition(np.abs(error), len(error) // 4)[len(error) // 4] / 0.3186 + 1e-9
        trust = 1 / (1 + np.square(error / (2.5 * spread))) ** 2
        weight = window[part] * trust
        weighted = steps[part] * weight[:, None]
        noise = alike * float((weight * error**2).sum() / weight.sum())
        normal, pull = weighted.T @ steps[part] + 1e-9 * np.eye(10), weighted.T @ error
        normal[[6, 7], [6, 7]] += noise / PERSPECTIVE_SIGMA**2
        pull[6:8] -= noise / PERSPECTIVE_SIGMA**2 * radius**2 * warp[2, :2]
        change = np.linalg.solve(normal, pull)
        delta = np.array(
            [[1 + change[2] / radius, change[3] / radius, change[0]],
             [change[4] / radius, 1 + change[5] / radius, change[1]],
             [-change[6] / radius**2, -change[7] / radius**2, 1]]
        )  # fmt: skip
        warp = warp @ np.linalg.inv(delta)
        warp /= warp[2, 2]
        moved = np.hypot(*change[:2])
        if part == np.s_[:] and moved < 1e-3:
            break
        if moved < 1e-2 or turn == 12:
            part = np.s_[:]
    aside = np.asarray(point, float) - (px, py)
    position = transfer(matrix @ warp, aside[None])[0]
    shown = float(weight.sum() / window[part].sum())
    spread = noise * np.linalg.inv(normal)
    # The point itself, aside from the patch's middle by little, moves with the affine part too.
    sigma = float(np.sqrt(max(np.linalg.eigvalsh(spread[:2, :2])[-1], 0)))
    return position, _correlation(model[part], seen, weight) if shown > 0.25 else 0.0, sigma


def agreement(first, second, matrix, point, radius):
    """How much of what lies about a point of the first picture the second shows there: 0 for nothing, to 1.

    All as for refine_patch. The mean, about the point most, of the normalised correlation within a fourth of the patch,
    of the light's roots: each part counts for itself, where refine_patch goes by what is brightest. Where there is
    nothing but noise to see, it is about 0.
    """
    side = 2 * int(radius) + 1
    corner = np.rint(np.asarray(point, float)) - int(radius)
    here = np.array([[1, 0, corner[0]], [0, 1, corner[1]], [0, 0, 1]])
    one, other = (
        cv2.GaussianBlur(
            np.sqrt(
                cv2.warpPerspective(
                    picture,
                    to,
                    (side, side),
                    flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
                ).astype(np.float32)
            ),
            (0, 0),
            1.0,
        )
        for picture, to in ((first, here), (second, matrix @ here))
    )

    def mean(values):
        return cv2.boxFilter(values, -1, (side // 4, side // 4))

    about, there = mean(one), mean(other)
    spread = (mean(one * one) - about**2) * (mean(other * other) - there**2)
    alike = (mean(one * other) - about * there) / np.sqrt(np.maximum(spread, 1e-9))
    window = cv2.getGaussianKernel(side, side / 4)
    return float((window * window.T * np.maximum(alike, 0)).sum())


def _surroundings(picture, point, reach, blur):
    """The blurred part of a picture about a point, as far as it lies in the picture: (left and top (2,), float32)."""
    x, y = (int(v) for v in np.nan_to_num(point))
    left, top = max(x - reach, 0), max(y - reach, 0)
    cut = picture[top : max(y + reach + 1, 1), left : max(x + reach + 1, 1)]
    if not cut.size:
        cut = picture[:1, :1]
    return np.array([left, top], np.float32), cv2.GaussianBlur(cut.astype(np.float32), (0, 0), blur)


def _first_gain_and_offset(model, seen):
    """seen = gain * model + offset where most of the patch may be covered: least quantile of squares.

    Lines through 100 pairs of pixels, of which the one counts that leaves the smallest error in the best 30 per cent
    of the pixels (after Rousseeuw 1984, least median of squares). The pairs are the same in every run.
    """
    rng = np.random.default_rng(1984)
    i, j = rng.integers(0, len(model), (2, 100))
    usable = np.abs(model[i] - model[j]) > 0.5 * model.std()
    i, j = i[usable], j[usable]
    gains = (seen[i] - seen[j]) / (model[i] - model[j])
    i, gains = i[gains > 0.02], gains[gains > 0.02]
    if not len(gains):
        return 1.0, float(seen.mean() - model.mean())
    offsets = seen[i] - gains * model[i]
    pixels = rng.integers(0, len(model), 800)
    error = np.abs((seen[pixels] - offsets[:, None]) / gains[:, None] - model[pixels])
    best = np.argmin(np.partition(error, 240, axis=1)[:, 240])
    return float(gains[best]), float(offsets[best])


def _gain_and_offset(model, seen, weight):
    """seen = gain * model + offset, by weighted least squares; never less gain than a tenth of the spreads' ratio."""
    total = weight.sum()
    x, y = weight @ model / total, weight @ seen / total
    aside = model - x
    weighted = weight * aside
    gain = weighted @ (seen - y) / max(weighted @ aside, 1e-12 * total)
    gain = max(gain, 0.1 * seen.std() / max(model.std(), 1e-12), 1e-9)
    return gain, y - gain * x


def _correlation(one, other, weight):
    one, other = (values - np.average(values, weights=weight) for values in (one, other))
    return float((weight * one * other).sum() / np.sqrt((weight * one**2).sum() * (weight * other**2).sum() + 1e-12))


def _coarse_step(shape):
    return max(1, shape[1] // COARSE_WIDTH)


def _edges(picture, step):
    small = cv2.resize(picture, (picture.shape[1] // step, picture.shape[0] // step), interpolation=cv2.INTER_AREA)
    small = small.astype(np.float32)
    edges = cv2.magnitude(cv2.Sobel(small, cv2.CV_32F, 1, 0), cv2.Sobel(small, cv2.CV_32F, 0, 1))
    edges = np.minimum(edges, np.float32(np.percentile(edges, 98)))
    window = np.hanning(small.shape[0])[:, None] * np.hanning(small.shape[1])
    return (edges - edges.mean()) * np.float32(window)


def _homography(source, target, weight):
    """Weighted direct linear transform with the coordinates normalised (Hartley 1997)."""
    to_source, to_target = _normaliser(source, weight), _normaliser(target, weight)
    x, y = transfer(to_source, source).T
    u, v = transfer(to_target, target).T
    # The normal equations of u = (h1 x + h2 y + h3) / (h7 x + h8 y + 1), and of v likewise, times the denominator.
    rows = np.stack([x, y, np.ones_like(x), u * x, u * y, v * x, v * y, u, v])
    sums = (rows * weight) @ rows.T
    normal, right = np.zeros((8, 8)), np.zeros(8)
    for k, (own, one) in enumerate(((slice(3, 5), 7), (slice(5, 7), 8))):
        part = slice(3 * k, 3 * k + 3)
        normal[part, part] = sums[:3, :3]
        normal[part, 6:] = -sums[:3, own]
        normal[6:, part] = normal[part, 6:].T
        normal[6:, 6:] += sums[own, own]
        right[part], right[6:] = sums[:3, one], right[6:] - sums[own, one]
    # A little of "no perspective" keeps the fit sane where few matches carry it.
    normal[[6, 7], [6, 7]] += 1e-4 * sums[2, 2]
    answer = np.linalg.solve(normal + 1e-12 * np.eye(8), right)
    matrix = np.linalg.inv(to_target) @ np.append(answer, 1).reshape(3, 3) @ to_source
    return matrix / matrix[2, 2]


def _normaliser(points, weight):
    total = weight.sum()
    mean = weight @ points / total
    spread = np.sqrt(weight @ ((points - mean) ** 2).sum(1) / total / 2) + 1e-9
    return np.array([[1 / spread, 0, -mean[0] / spread], [0, 1 / spread, -mean[1] / spread], [0, 0, 1]])
