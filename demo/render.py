"""Ray caster for a world of textured parallelograms, straight onto the Bayer mosaic, in linear light.

A face holds the points o + a U + b V, a and b in [0, 1]. With M = K [RU RV Ro+t] a pixel p = (x, y, 1)
sees it at (a, b, 1) / z = M^-1 p, z the depth: three linear functions of the pixel per face and frame
give coverage, hidden surfaces and texture position exactly, so a texture lies where the camera puts it.

Visibility is sampled four times a pixel (rotated grid), a texture once a pixel and face through its
mip-map pyramid, with more taps along the longer axis of the footprint (as graphics hardware does it).
"""

from typing import NamedTuple

import numpy as np
from numba import njit

TILE = 16
MAX_TAPS = 5
SHARP = 0.7  # squared length of the texels to use over that of the footprint: as sharp as a good lens
NEAR = 0.05  # metres: what is nearer to the camera is not drawn
SAMPLES = 1.2 * np.array([[-0.125, -0.375], [0.375, -0.125], [0.125, 0.375], [-0.375, 0.125]])


class Scene(NamedTuple):
    """Faces and textures, packed for the compiled loops. Colours are linear BT.709.

    origin, u, v: (n, 3) float64, metres. image, detail: (n,) index of the face's textures (detail -1: none).
    repeats: (n, 2) how often the detail tile fits along u and v.
    texels: (m, 4) float32, all pyramids: red, green, blue radiance under the town's own lamps, and grey
    reflectance for passing lights. tiles: (k,) float32 detail factors about 1, periodic.
    *_start: (textures, levels) first row of each level; *_size: (textures, 3) width, height, levels.
    lamps: (l, 7) place (3), colour of luminance 1 (3), radius of the head in metres, of those that glare.
    """

    origin: np.ndarray
    u: np.ndarray
    v: np.ndarray
    image: np.ndarray
    detail: np.ndarray
    repeats: np.ndarray
    texels: np.ndarray
    texel_start: np.ndarray
    texel_size: np.ndarray
    tiles: np.ndarray
    tile_start: np.ndarray
    tile_size: np.ndarray
    lamps: np.ndarray


def pyramid(image: np.ndarray) -> list[np.ndarray]:
    """(h, w, ...) and its halvings by averages of 2x2, as long as both sides are even."""
    levels = [image]
    while levels[-1].shape[0] % 2 == 0 and levels[-1].shape[1] % 2 == 0:
        a = levels[-1]
        levels.append((a[::2, ::2] + a[1::2, ::2] + a[::2, 1::2] + a[1::2, 1::2]) / 4)
    return levels


def view(origin: np.ndarray, u: np.ndarray, v: np.ndarray, K: np.ndarray, R: np.ndarray, t: np.ndarray):
    """(maps (n, 3, 3), boxes (n, 4)): pixel to (a, b, 1) / z, and bounds x0, y0, x1, y1, of each face.

    A face wholly behind the camera or edge-on gets an empty box.
    """
    columns = np.stack([u @ R.T, v @ R.T, origin @ R.T + t], axis=-1)
    matrices = K @ columns
    flat = np.abs(np.linalg.det(columns)) < 1e-9
    matrices[flat] = np.eye(3)
    maps = np.linalg.inv(matrices)
    corners = np.array([[0, 0, 1], [1, 0, 1], [1, 1, 1], [0, 1, 1]])
    seen = corners @ matrices.transpose(0, 2, 1)
    depth = seen[..., 2]
    pixels = seen[..., :2] / np.where(depth > NEAR, depth, 1)[..., None]
    boxes = np.hstack([pixels.min(1), pixels.max(1)])
    for index in np.flatnonzero((depth > NEAR).any(1) & (depth <= NEAR).any(1)):
        boxes[index] = _bounds_in_front(seen[index])
    boxes[flat | (depth <= NEAR).all(1)] = (1, 1, 0, 0)
    return maps, boxes


def _bounds_in_front(seen: np.ndarray) -> tuple[float, float, float, float]:
    """Pixel bounds of the part of a face, given by homogeneous corners (4, 3), before the camera."""
    following = np.roll(seen, -1, axis=0)
    crosses = (seen[:, 2] > NEAR) != (following[:, 2] > NEAR)
    step = (NEAR - seen[crosses, 2]) / (following[crosses, 2] - seen[crosses, 2])
    cut = seen[crosses] + step[:, None] * (following[crosses] - seen[crosses])
    front = np.vstack([seen[seen[:, 2] > NEAR], cut])
    pixels = front[:, :2] / front[:, 2:]
    return *pixels.min(0), *pixels.max(0)


@njit(cache=True, inline="always")
def _bilinear(texels, start, w, h, a, b):
    """Four channels of one pyramid level at (a, b); texel centres at (i + 0.5) / w, edges held."""
    x, y = a * w - 0.5, b * h - 0.5
    x = min(max(x, 0.0), w - 1.0)
    y = min(max(y, 0.0), h - 1.0)
    x0, y0 = int(x), int(y)
    fx, fy = np.float32(x - x0), np.float32(y - y0)
    x1, y1 = min(x0 + 1, w - 1), min(y0 + 1, h - 1)
    p, q, r, s = start + y0 * w + x0, start + y0 * w + x1, start + y1 * w + x0, start + y1 * w + x1
    one = np.float32(1)
    wp, wq, wr, ws = (one - fx) * (one - fy), fx * (one - fy), (one - fx) * fy, fx * fy
    return (
        wp * texels[p, 0] + wq * texels[q, 0] + wr * texels[r, 0] + ws * texels[s, 0],
        wp * texels[p, 1] + wq * texels[q, 1] + wr * texels[r, 1] + ws * texels[s, 1],
        wp * texels[p, 2] + wq * texels[q, 2] + wr * texels[r, 2] + ws * texels[s, 2],
        wp * texels[p, 3] + wq * texels[q, 3] + wr * texels[r, 3] + ws * texels[s, 3],
    )


@njit(cache=True, inline="always")
def _periodic(tiles, start, w, h, a, b):
    """One level of a detail tile at (a, b), repeated without end; its sides are powers of two."""
    x, y = a * w - 0.5, b * h - 0.5
    xf, yf = np.floor(x), np.floor(y)
    fx, fy = x - xf, y - yf
    x0, y0 = int(xf) & (w - 1), int(yf) & (h - 1)
    x1, y1 = (x0 + 1) & (w - 1), (y0 + 1) & (h - 1)
    top = (1 - fx) * tiles[start + y0 * w + x0] + fx * tiles[start + y0 * w + x1]
    bottom = (1 - fx) * tiles[start + y1 * w + x0] + fx * tiles[start + y1 * w + x1]
    return (1 - fy) * top + fy * bottom


@njit(cache=True, inline="always")
def _level(square, levels):
    """Pyramid level (whole, fraction) whose texels match a footprint of this squared length in texels."""
    level = min(max(0.5 * np.log2(square), 0.0), levels - 1.0) if square > 1 else 0.0
    whole = min(int(level), max(levels - 2, 0))
    return whole, level - whole


@njit(cache=True, inline="always")
def _passing_light(face, a, b, grey, origin, u, v, passing):
    """What moving lights add at a point of a face with the given reflectance."""
    nx = u[face, 1] * v[face, 2] - u[face, 2] * v[face, 1]
    ny = u[face, 2] * v[face, 0] - u[face, 0] * v[face, 2]
    nz = u[face, 0] * v[face, 1] - u[face, 1] * v[face, 0]
    normal = np.sqrt(nx * nx + ny * ny + nz * nz)
    red = green = blue = 0.0
    for light in range(len(passing)):
        x = passing[light, 0] - origin[face, 0] - a * u[face, 0] - b * v[face, 0]
        y = passing[light, 1] - origin[face, 1] - a * u[face, 1] - b * v[face, 1]
        z = passing[light, 2] - origin[face, 2] - a * u[face, 2] - b * v[face, 2]
        square = x * x + y * y + z * z
        cosine = (x * nx + y * ny + z * nz) / (normal * np.sqrt(square))
        if cosine > 0:
            fall = grey * cosine / (square + 0.5)
            red += fall * passing[light, 3]
            green += fall * passing[light, 4]
            blue += fall * passing[light, 5]
    return red, green, blue


@njit(cache=True, inline="always")
def _shade(face, x, y, maps, scene, passing):
    """Linear BT.709 radiance of a face at a pixel. passing: (k, 6) places and colours of moving lights."""
    m = maps[face]
    z = 1 / (m[2, 0] * x + m[2, 1] * y + m[2, 2])
    a = z * (m[0, 0] * x + m[0, 1] * y + m[0, 2])
    b = z * (m[1, 0] * x + m[1, 1] * y + m[1, 2])
    ax, ay = z * (m[0, 0] - a * m[2, 0]), z * (m[0, 1] - a * m[2, 1])
    bx, by = z * (m[1, 0] - b * m[2, 0]), z * (m[1, 1] - b * m[2, 1])
    image = scene.image[face]
    w, h, levels = scene.texel_size[image, 0], scene.texel_size[image, 1], scene.texel_size[image, 2]
    long_x = (ax * w) ** 2 + (bx * h) ** 2
    long_y = (ay * w) ** 2 + (by * h) ** 2
    area = abs(ax * by - ay * bx) * w * h
    if long_x >= long_y:
        major, da, db = long_x, ax, bx
    else:
        major, da, db = long_y, ay, by
    taps = min(max(int(np.ceil(0.65 * major / max(area, 1e-12) - 0.3)), 1), MAX_TAPS)
    each = 1 / taps
    whole, part = _level(SHARP * major * each * each, levels)
    w0, h0, w1, h1 = w >> whole, h >> whole, w >> (whole + 1), h >> (whole + 1)
    start0 = scene.texel_start[image, whole]
    start1 = scene.texel_start[image, min(whole + 1, levels - 1)]
    detail = scene.detail[face]
    dw = dh = dlevels = dwhole = dstart0 = dstart1 = 0
    ra = rb = dpart = 0.0
    if detail >= 0:
        dw, dh, dlevels = scene.tile_size[detail, 0], scene.tile_size[detail, 1], scene.tile_size[detail, 2]
        ra, rb = scene.repeats[face, 0], scene.repeats[face, 1]
        reach = (da * ra * dw) ** 2 + (db * rb * dh) ** 2
        dwhole, dpart = _level(SHARP * reach * each * each, dlevels)
        dstart0 = scene.tile_start[detail, dwhole]
        dstart1 = scene.tile_start[detail, min(dwhole + 1, dlevels - 1)]
    red = green = blue = grey = 0.0
    for tap in range(taps):
        shift = (tap + 0.5) * each - 0.5
        ta, tb = a + shift * da, b + shift * db
        c0, c1, c2, c3 = _bilinear(scene.texels, start0, w0, h0, ta, tb)
        if part > 0.01:
            e0, e1, e2, e3 = _bilinear(scene.texels, start1, w1, h1, ta, tb)
            c0 += part * (e0 - c0)
            c1 += part * (e1 - c1)
            c2 += part * (e2 - c2)
            c3 += part * (e3 - c3)
        factor = 1.0
        if detail >= 0:
            factor = _periodic(scene.tiles, dstart0, dw >> dwhole, dh >> dwhole, ta * ra, tb * rb)
            if dpart > 0.01:
                coarse = _periodic(scene.tiles, dstart1, dw >> (dwhole + 1), dh >> (dwhole + 1), ta * ra, tb * rb)
                factor += dpart * (coarse - factor)
            # What shines by itself is painted dark: the bond of the wall must not show in it.
            factor = 1 + (factor - 1) * min(max((c3 - 0.035) * 25, 0.0), 1.0)
        red += factor * c0
        green += factor * c1
        blue += factor * c2
        grey += factor * c3
    red, green, blue, grey = each * red, each * green, each * blue, each * grey
    if len(passing):
        extra = _passing_light(face, a, b, grey, scene.origin, scene.u, scene.v, passing)
        return red + extra[0], green + extra[1], blue + extra[2]
    return red, green, blue


@njit(cache=True, inline="always")
def _gather(x0, y0, x1, y1, maps, boxes, listed, found):
    """Which of the listed faces may show in a tile, without those wholly behind one that covers the tile."""
    count = 0
    cover = 0.0
    for face in listed:
        if boxes[face, 0] > x1 or boxes[face, 2] < x0 or boxes[face, 1] > y1 or boxes[face, 3] < y0:
            continue
        found[count] = face
        count += 1
        m = maps[face]
        least = np.inf
        for corner in range(4):
            x, y = (x0 if corner % 2 == 0 else x1), (y0 if corner < 2 else y1)
            d = m[2, 0] * x + m[2, 1] * y + m[2, 2]
            a = m[0, 0] * x + m[0, 1] * y + m[0, 2]
            b = m[1, 0] * x + m[1, 1] * y + m[1, 2]
            if d <= 0 or a < 0 or b < 0 or a > d or b > d:
                least = 0.0
                break
            least = min(least, d)
        cover = max(cover, least)
    kept = 0
    for index in range(count):
        m = maps[found[index]]
        most = -np.inf
        for corner in range(4):
            x, y = (x0 if corner % 2 == 0 else x1), (y0 if corner < 2 else y1)
            most = max(most, m[2, 0] * x + m[2, 1] * y + m[2, 2])
        if most >= cover:
            found[kept] = found[index]
            kept += 1
    return kept, cover > 0


@njit(cache=True, inline="always")
def _nearest(x, y, maps, found, count):
    """The face seen at a point of the picture, or -1."""
    best, nearest = -1, 1e-12
    for index in range(count):
        m = maps[found[index]]
        d = m[2, 0] * x + m[2, 1] * y + m[2, 2]
        if d <= nearest:
            continue
        a = m[0, 0] * x + m[0, 1] * y + m[0, 2]
        b = m[1, 0] * x + m[1, 1] * y + m[1, 2]
        if a >= 0 and b >= 0 and a <= d and b <= d:
            best, nearest = found[index], d
    return best


@njit(cache=True)
def cast(top, maps, boxes, scene, passing, weights, pattern, out, near, faces):
    """Render rows [top, top + len(out)) of the picture.

    weights: (3, 3) from linear BT.709 to camera channels. pattern: (2, 2) the camera channel of each
    pixel by y & 1, x & 1. Filled: out (h, W) float32 light of the pixel's own channel, near (h, W) float32
    1 / depth, faces (h, W) int32.
    """
    height, width = out.shape
    found = np.empty(len(boxes), np.int64)
    hits = np.empty(4, np.int64)
    for ty in range(0, height, TILE):
        bottom = min(ty + TILE, height)
        y0, y1 = top + ty - 1.0, float(top + bottom)
        listed = np.flatnonzero((boxes[:, 1] <= y1) & (boxes[:, 3] >= y0))
        for tx in range(0, width, TILE):
            right = min(tx + TILE, width)
            count, covered = _gather(tx - 1.0, y0, float(right), y1, maps, boxes, listed, found)
            alone = count == 1 and covered
            for row in range(ty, bottom):
                y = top + row
                for x in range(tx, right):
                    face, samples = found[0], 1
                    if not alone:
                        for k in range(4):
                            hits[k] = _nearest(x + SAMPLES[k, 0], y + SAMPLES[k, 1], maps, found, count)
                            if hits[k] != hits[0]:
                                samples = 4
                        face = hits[0]
                    faces[row, x] = face
                    near[row, x] = 0 if face < 0 else maps[face, 2, 0] * x + maps[face, 2, 1] * y + maps[face, 2, 2]
                    channel = pattern[y & 1, x & 1]
                    light = 0.0
                    for k in range(samples):
                        dx = dy = 0.0
                        if samples > 1:
                            face, dx, dy = hits[k], SAMPLES[k, 0], SAMPLES[k, 1]
                        if face >= 0:
                            r, g, b = _shade(face, x + dx, y + dy, maps, scene, passing)
                            light += weights[channel, 0] * r + weights[channel, 1] * g + weights[channel, 2] * b
                    out[row, x] = light / samples


@njit(cache=True)
def visible(points, maps, boxes):
    """(n,) bool: whether a picture point (x, y, depth) is in sight; 0.6 m are spared for a lamp's own head.

    The sky must be a face, so that there is a nearest face everywhere.
    """
    shown = np.zeros(len(points), np.bool_)
    everything = np.arange(len(boxes))
    found = np.empty(len(boxes), np.int64)
    for index in range(len(points)):
        x, y, depth = points[index]
        if depth > NEAR:
            count, _ = _gather(x, y, x, y, maps, boxes, everything, found)
            m = maps[_nearest(x, y, maps, found, count)]
            shown[index] = (m[2, 0] * x + m[2, 1] * y + m[2, 2]) * (depth - 0.6) < 1
    return shown


@njit(cache=True)
def add_figure(top, out, near, matrix, box, smear, opacity, colour, pattern):
    """A walker: an upright figure on a face 4 m wide and 2 m tall, smeared along it during the exposure.

    matrix, box: as `view` gives for that face. smear: metres walked. colour: (3,) camera channels.
    """
    height, width = out.shape
    for row in range(max(int(box[1]) - top, 0), min(int(box[3]) + 2 - top, height)):
        y = top + row
        for x in range(max(int(box[0]), 0), min(int(box[2]) + 2, width)):
            d = matrix[2, 0] * x + matrix[2, 1] * y + matrix[2, 2]
            if d < near[row, x]:
                continue
            side = ((matrix[0, 0] * x + matrix[0, 1] * y + matrix[0, 2]) / d - 0.5) * 4
            up = ((matrix[1, 0] * x + matrix[1, 1] * y + matrix[1, 2]) / d) * 2
            if up < 0 or up > 1.76:
                continue
            if up < 0.85:
                half = 0.13 + 0.05 * up
            elif up < 1.46:
                half = 0.20 + 0.06 * (up - 0.85)
            elif up < 1.52:
                half = 0.07
            else:
                half = np.sqrt(max(0.12**2 - (up - 1.64) ** 2, 0.0)) * 0.9
            # The share of the exposure in which the figure stood before this pixel.
            low, high = max(side - half, -smear / 2), min(side + half, smear / 2)
            cover = opacity * max(high - low, 0.0) / smear
            out[row, x] += cover * (colour[pattern[y & 1, x & 1]] - out[row, x])


@njit(cache=True)
def add_trail(top, out, near, ends, radius, colour, pattern):
    """The track of a lamp that moved from ends[0] to ends[1] (x, y, depth) while the shutter was open.

    radius: metres times focal length in pixels; the light falls off across the track as a Gaussian of that
    sigma, though no narrower than 0.6 pixels.
    """
    height, width = out.shape
    ax, ay, bx, by = ends[0, 0], ends[0, 1], ends[1, 0], ends[1, 1]
    near_a, near_b = 1 / ends[0, 2], 1 / ends[1, 2]
    thick = radius * max(near_a, near_b)
    length = (bx - ax) ** 2 + (by - ay) ** 2
    for row in range(max(int(min(ay, by) - 4 * thick) - top, 0), min(int(max(ay, by) + 4 * thick) + 2 - top, height)):
        y = top + row
        for x in range(max(int(min(ax, bx) - 4 * thick), 0), min(int(max(ax, bx) + 4 * thick) + 2, width)):
            along = min(max(((x - ax) * (bx - ax) + (y - ay) * (by - ay)) / length, 0.0), 1.0)
            d = near_a + along * (near_b - near_a)
            if d < near[row, x]:
                continue
            across = (x - ax - along * (bx - ax)) ** 2 + (y - ay - along * (by - ay)) ** 2
            sigma = max(radius * d, 0.6)
            weight = np.exp(-0.5 * across / sigma**2) * radius * d / sigma
            out[row, x] += weight * colour[pattern[y & 1, x & 1]]


@njit(cache=True)
def add_glow(top, out, x0, y0, core, reach, colour, pattern):
    """Glare of the lens about a lamp at (x0, y0): (1 + (r / core)^2)^-1.5, fading out at `reach` pixels."""
    height, width = out.shape
    for row in range(max(int(y0 - reach) - top, 0), min(int(y0 + reach) + 2 - top, height)):
        y = top + row
        for x in range(max(int(x0 - reach), 0), min(int(x0 + reach) + 2, width)):
            square = (x - x0) ** 2 + (y - y0) ** 2
            rest = 1 - square / (reach * reach)
            if rest > 0:
                fall = 1 + square / (core * core)
                out[row, x] += colour[pattern[y & 1, x & 1]] * rest * rest / (fall * np.sqrt(fall))
