"""Photos judged by their pictures, each against those taken just before and after it.

Pictures are kerbwalk.glance's: small, linear light; (n, h, w), one shape for all photos of the shoot. They are an array
or what can be asked, as one, for a picture or for some of its rows: few are held at a time, however long the shoot.
"""

from itertools import pairwise

import cv2
import numpy as np

from kerbwalk.path import slope
from kerbwalk.pixels import tiles

# Neighbours on either side that a photo is compared with.
REACH = 3
# Shifts that are thought of between two photos, and pixels from each other that they are at least.
PEAKS, APART = 3, 4
# The finest of the detail that all neighbours show; tiles with less of it have nothing to lose.
STRONG = 0.5
# A photo's exposure is told by so much of its picture: that which has least light beside what it usually has.
UNLIT = 0.25
# Edges that lean less than this (degrees) from the upright are taken for uprights of houses.
LEAN = 12.0
# Pixels on such edges without which nothing is said.
UPRIGHTS = 200
DARKEST = 2.0**-14
# Stops by which a place must differ from what the neighbours show there, to be something else.
COVERED = 1.5
# A spot of dust takes no more light than this (stops), lies on ground no more uneven than this (stops), and is there
# in this part of the photos.
DEEPEST = 1.0
EVEN = 0.12
LASTING = 0.95
# Of fewer photos, whose aims differ by little, a dark place of the scene is taken for one of the sensor: of the demo's
# two shoots at 900 x 600, 18 runs of 8 photos had 5 such spots, 16 of 10 had 4, 14 of 12 had 1, 10 of 16 none.
FEWEST = 12
# Bytes of all photos' pictures that are looked through at a time.
BAND = 48 << 20


def logs(pictures):
    """log2 of light, with a floor, so that black is black. pictures: (n, h, w). Returns float32."""
    return np.log2(np.maximum(np.asarray(pictures, np.float32), DARKEST))


def levels(pictures):
    """How much more light each photo was given than the usual one, stops: (n,).

    Each part of a picture is compared with what it usually has. Cars and buses that pass add light to many and take it
    from few, so the parts that gained least tell; the mean takes a bright trail for exposure, by over half a stop.
    """
    rows, columns = tiles(pictures.shape[1:])
    light = [
        cv2.resize(np.asarray(pictures[k], np.float32), (columns, rows), interpolation=cv2.INTER_AREA)
        for k in range(len(pictures))
    ]
    stops = logs(light).reshape(len(light), -1)
    return np.quantile(stops - np.median(stops, axis=0), UNLIT, axis=1)


def sharpness(detail, levels):
    """How much of the fine detail of its neighbours each photo has: (n,), about 1; less if shaken or out of focus.

    detail: (n, 2, rows, columns); levels: (n,), light in stops, as more light gives more of it. Across and down
    are judged apart, as a shake blurs along its own direction, and by the median of the tiles with most detail, as who
    passes by covers some. Less the tile that has least, which is noise, and less what changes evenly over the shoot
    (contrast() tells of that). NaN for less than three photos.
    """
    count = len(detail)
    values = _detail(detail, levels)
    if count > 2:
        total = np.log2(np.median(values, axis=(1, 2)))
        values *= 2.0 ** (-slope(total) * np.arange(count))[:, None, None]
    result = np.full(count, np.nan)
    for k in range(count):
        around = _around(k, count)
        if len(around) < 2:
            continue
        usual = np.median(values[around], axis=0)
        strong = usual >= np.quantile(usual, STRONG, axis=1, keepdims=True)
        ratio = np.log2(values[k] / usual)
        result[k] = 2.0 ** min(np.median(ratio[direction][strong[direction]]) for direction in (0, 1))
    return result


def aims(pictures):
    """Where each photo is aimed against the usual of its neighbours, as parts of the picture's long side: (n, 2).

    Pairs of photos up to three apart are laid on each other by phase correlation (Kuglin & Hines 1975) of the
    log light's gradients; positions that agree best with all pairs, by least absolute differences (iterated
    weights), are compared with the median of the neighbours', less what changes evenly over the shoot. Of a pair's
    likeliest shifts the one counts that agrees best: a monument and the houses behind it go different ways.
    """
    count = len(pictures)
    pairs = [(k, k + step) for step in range(1, REACH + 1) for k in range(count - step)]
    found, before = {}, {}
    for k in range(count):
        spectrum = _spectrum(logs(pictures[k]))
        found |= {(j, k): _shifts(other, spectrum) for j, other in before.items()}
        before = {j: other for j, other in before.items() if j > k - REACH} | {k: spectrum}
    likely = np.array([found[pair] for pair in pairs], float).reshape(-1, PEAKS, 2)
    rows = np.zeros((len(pairs), count))
    for row, (a, b) in enumerate(pairs):
        rows[row, [a, b]] = -1, 1
    places, least = np.zeros((count, 2)), np.inf
    # Begun by all alike, and by the nearest, which show the most of the same.
    for begun in (np.ones(len(pairs)), 1 / np.square(rows @ np.arange(count))) if pairs else ():
        found, off = _agreed(rows, likely, begun)
        if off.sum() < least:
            places, least = found, off.sum()
    # A camera that turns with the walk, as about a fountain, turns away from all the neighbours of its first photo.
    if count > 2:
        places = places - np.arange(count)[:, None] * [slope(axis) for axis in places.T]
    usual = np.array([np.median(places[_around(k, count)], axis=0) if count > 1 else places[k] for k in range(count)])
    return (places - usual) / max(pictures.shape[1:])


def _agreed(rows, likely, weight):
    """Positions (n, 2) that agree best with all pairs, and by how much each pair disagrees, (p,).

    rows: (p, n), whose differences they are; likely: (p, PEAKS, 2), the shifts; weight: (p,), to begin with.
    """
    shifts = likely[:, 0]
    for _ in range(15):
        places = np.linalg.lstsq(rows * weight[:, None], shifts * weight[:, None], rcond=None)[0]
        away = np.hypot(*np.moveaxis((rows @ places)[:, None] - likely, -1, 0))
        shifts, off = likely[np.arange(len(likely)), np.argmin(away, axis=1)], away.min(axis=1)
        weight = 1 / np.sqrt(np.maximum(off, 0.5))
    return places, off


def covered(pictures, offsets):
    """The part of each picture that is lighter or darker than its neighbours show it by COVERED stops or more: (n,).

    offsets: (n, 2) from aims(), which are taken out, as is the change of the whole picture. NaN for less than
    three photos.
    """
    count, height, width = pictures.shape
    rows, columns = (2 * n for n in tiles((height, width)))
    levels = np.empty((count, rows, columns), np.float32)
    for k, (dx, dy) in enumerate(_pixels(offsets, pictures)):
        moved = np.roll(logs(pictures[k]), (-dy, -dx), axis=(0, 1))
        blocks = moved[: height // rows * rows, : width // columns * columns]
        levels[k] = blocks.reshape(rows, height // rows, columns, width // columns).mean((1, 3))
    result = np.full(count, np.nan)
    for k in range(count):
        around = _around(k, count)
        if len(around) < 2:
            continue
        change = levels[k] - np.median(levels[around], axis=0)
        result[k] = (np.abs(change - np.median(change)) > COVERED).mean()
    return result


def contrast(detail, levels):
    """Fine detail in the last fifth of the photos against that in the first: falls as dew or mist settles on the lens.

    detail: (n, 2, rows, columns); levels: (n,), mean light in stops. Added up from photo to photo, each time by the
    median of the tiles that have most of it in both: what the walk leaves behind, or comes to, is no dew. Less the tile
    that has least, which is noise. NaN for less than 8 photos.
    """
    count = len(detail)
    if count < 8:
        return float("nan")
    values = _detail(detail, levels)
    both = np.minimum(values[1:], values[:-1])
    strong = both >= np.quantile(both, STRONG, axis=2, keepdims=True)
    steps = np.nanmedian(np.where(strong, np.log2(values[1:] / values[:-1]), np.nan), axis=2).mean(axis=1)
    total, part = np.append(0.0, np.cumsum(steps)), max(2, count // 5)
    return float(2.0 ** (np.median(total[-part:]) - np.median(total[:part])))


def _detail(detail, levels):
    """Energy of detail in each tile, (n, 2, tiles), as if all photos had as much light, less noise."""
    values = detail.reshape(len(detail), 2, -1) / 2.0 ** np.reshape(levels, (-1, 1, 1))
    return np.maximum(values - values.min(axis=2, keepdims=True), 1e-9)


def drift(leans):
    """How much more the camera leans at the end than at the start, degrees, along a line.

    leans: (n,). NaN for less than 8 photos.
    """
    leans = leans[np.isfinite(leans)]
    count = len(leans)
    if count < 8:
        return float("nan")
    return slope(leans) * (count - 1)


def alike(pictures, offsets):
    """How like each photo is to the next: normalised correlation of what lies in them, -1..1, (n - 1,).

    offsets: (n, 2) from aims(). The log light, less what is broader than a sixth of the picture, at a size of about 60.
    """
    side = max(pictures.shape[1:])
    small = []
    for k, (dx, dy) in enumerate(_pixels(offsets, pictures)):
        moved = np.roll(logs(pictures[k]), (-dy, -dx), (0, 1))
        reduced = cv2.resize(moved, None, fx=60 / side, fy=60 / side, interpolation=cv2.INTER_AREA)
        small.append((reduced - cv2.GaussianBlur(reduced, (0, 0), 10)).ravel())
    return np.array([np.corrcoef(one, other)[0, 1] for one, other in pairwise(small)])


def leans(pictures):
    """How far each camera leans to a side, degrees: (n,), from the uprights in the picture.

    Edges near the upright lean by the camera's own lean and, evenly about the middle, by its pitch: a line over the
    place across the picture is fitted to them, and its value at the middle is the lean (Tukey's biweight; Beaton &
    Tukey 1974).
    """
    return np.array([_lean(np.asarray(pictures[k], np.float32)) for k in range(len(pictures))])


def _lean(picture):
    # The square root and the tensor's window keep an edge's steps from pixel to pixel from counting.
    root = cv2.GaussianBlur(np.sqrt(np.maximum(picture, 0)), (0, 0), 1.0)
    across, down = cv2.Scharr(root, cv2.CV_32F, 1, 0), cv2.Scharr(root, cv2.CV_32F, 0, 1)
    xx, yy, xy = (cv2.GaussianBlur(v, (0, 0), 2.5) for v in (across * across, down * down, across * down))
    lean = np.degrees(0.5 * np.arctan2(2 * xy, xx - yy))
    energy = np.sqrt(np.hypot(xx - yy, 2 * xy))
    strong = np.quantile(energy, 0.8)
    used = (np.abs(lean) < LEAN) & (energy > strong)
    if used.sum() < UPRIGHTS:
        return np.nan
    x = np.nonzero(used)[1] / picture.shape[1] - 0.5
    lean, weight = lean[used].astype(np.float64), np.minimum(energy[used], 4 * strong)
    trust = np.ones_like(lean)
    for width in (8.0, 4.0, 2.0, 2.0, 2.0, 2.0):
        root = np.sqrt(weight * trust)
        line = np.linalg.lstsq(np.column_stack([root, x * root]), lean * root, rcond=None)[0]
        off = lean - line[0] - line[1] * x
        trust = np.square(np.maximum(0, 1 - np.square(off / width)))
    return line[0]


def spots(pictures, offsets, deep):
    """Dark spots that stay at one place of the sensor while the scene moves: [(x, y, depth)].

    offsets: (n, 2) from aims(); deep: depth in stops from which on a spot counts. x, y: fractions from the top left
    corner; depth: stops below what lies around it. A spot is as dark in most of the photos, has nothing but even
    ground around it, as a wall's stains and windows have not, and goes less well with the scene than with the sensor.
    Of fewer than 12 photos nothing is said.
    """
    count, height, width = pictures.shape
    if count < FEWEST:
        return []
    near, far = 0.0015 * max(height, width), 0.012 * max(height, width)
    usual = _usual(pictures, near, far)
    radius = int(2 * far)
    lowest = (usual == cv2.erode(usual, np.ones((2 * radius + 1, 2 * radius + 1), np.uint8))) & (usual < -deep / 2)
    lowest[:radius] = lowest[-radius:] = lowest[:, :radius] = lowest[:, -radius:] = False
    y, x = np.mgrid[-radius : radius + 1, -radius : radius + 1]
    away = np.hypot(x, y)
    ring, core = (away > 1.2 * far) & (away <= radius), away <= max(1.0, 0.3 * far)
    found, windows = [], []
    for row, column in zip(*np.nonzero(lowest), strict=True):
        window = np.s_[row - radius : row + radius + 1, column - radius : column + radius + 1]
        around = np.array([logs(pictures[k, window[0]][:, window[1]]) for k in range(count)])
        depths = np.median(around[:, ring], axis=1) - np.median(around[:, core], axis=1)
        depth = float(np.median(depths))
        ground = np.median(around, axis=0)[ring]
        uneven = 1.4826 * float(np.median(np.abs(ground - np.median(ground))))
        if deep <= depth <= DEEPEST and uneven <= min(EVEN, 0.45 * depth) and (depths > depth / 2).mean() >= LASTING:
            found.append(((column + 0.5) / width, (row + 0.5) / height, depth))
            windows.append(window)
    still = _still(pictures, offsets, windows, near, far) if windows else []
    return [spot for spot, stays in zip(found, still, strict=True) if stays]


def _usual(pictures, near, far):
    """What is finer than `far` and coarser than `near` (pixels) at the same place of most pictures: (h, w)."""
    count, height, width = pictures.shape
    # Rows of all pictures at a time, with as many around as the blur reaches.
    rows, margin = max(1, BAND // (4 * count * width)), int(4 * far) + 2
    usual = np.empty((height, width), np.float32)
    for top in range(0, height, rows):
        start, stop = max(0, top - margin), min(height, top + rows + margin)
        inner = slice(top - start, top - start + rows)
        band = np.array([_fine(logs(pictures[k, start:stop]), near, far)[inner] for k in range(count)])
        usual[top : top + rows] = np.median(band, axis=0)
    return usual


def _still(pictures, offsets, windows, near, far):
    """Whether what lies in each window goes less well with the scene than with the sensor."""
    on_sensor, on_scene = ([[] for _ in windows] for _ in range(2))
    for k, (dx, dy) in enumerate(_pixels(offsets, pictures)):
        fine = _fine(logs(pictures[k]), near, far)
        moved = np.roll(fine, (-dy, -dx), (0, 1))
        for place, window in enumerate(windows):
            on_sensor[place].append(fine[window].copy())
            on_scene[place].append(moved[window].copy())
    return [_restless(one) <= 1.1 * _restless(other) for one, other in zip(on_sensor, on_scene, strict=True)]


def _fine(light, near, far):
    return cv2.GaussianBlur(light, (0, 0), near) - cv2.GaussianBlur(light, (0, 0), far)


def _restless(patches):
    return float(np.median(np.abs(patches - np.median(patches, axis=0)), axis=0).mean())


def _pixels(offsets, pictures):
    """Offsets as whole pixels (dx, dy)."""
    return np.rint(np.asarray(offsets) * max(pictures.shape[1:])).astype(int)


def _around(k, count):
    """The neighbours of a photo: REACH on either side, further on one side at the ends."""
    near = sorted((j for j in range(count) if j != k), key=lambda j: (abs(j - k), j))
    return near[: 2 * REACH]


def _spectrum(picture):
    """Fourier transform of the gradients, faded to the edges, at a size of about 200."""
    step = max(1, round(max(picture.shape) / 320))
    reduced = cv2.resize(picture, None, fx=1 / step, fy=1 / step, interpolation=cv2.INTER_AREA)
    reduced = cv2.GaussianBlur(reduced, (0, 0), 0.8)
    edges = cv2.Sobel(reduced, cv2.CV_32F, 1, 0) + 1j * cv2.Sobel(reduced, cv2.CV_32F, 0, 1)
    faded = np.outer(np.hanning(reduced.shape[0]), np.hanning(reduced.shape[1]))
    return np.fft.fft2(edges * faded), step


def _shifts(first, second):
    """The likeliest shifts (x, y) of the second picture against the first, in their pixels, best first."""
    (one, step), (other, _) = first, second
    cross = np.conj(one) * other
    cross /= np.maximum(np.abs(cross), 1e-3 * np.abs(cross).max() + 1e-12)
    height, width = cross.shape
    fy, fx = np.fft.fftfreq(height)[:, None], np.fft.fftfreq(width)[None]
    surface = np.fft.ifft2(cross * np.exp(-40 * (fx * fx + fy * fy))).real
    found = []
    for _ in range(PEAKS):
        y, x = np.unravel_index(np.argmax(surface), surface.shape)
        found.append(
            [
                (x + width // 2) % width * step - width // 2 * step,
                (y + height // 2) % height * step - height // 2 * step,
            ]
        )
        about = np.ix_(
            *(np.arange(at - APART, at + APART + 1) % side for at, side in zip((y, x), surface.shape, strict=True))
        )
        surface[about] = -np.inf
    return found
