"""The sums of a bundle adjustment, compiled: one pass over the sights, and points eliminated one by one.

A sight (photo i, point j) is missed by e = f (x / z, y / z) + middle - at, where (x, y, z) = R_i (X_j - w_j p_i). Its
derivatives fill small blocks: of the photo's turn and place (6), of the focal length that all share (1, of its
logarithm), and of the point (3, along kerbwalk.cameras.tangents). Points meet only through the photos that see them,
so that their blocks are taken out of the photos' equations one after the other (the Schur complement; Triggs et al.
1999, "Bundle adjustment: a modern synthesis", section 6.1), in memory that grows with the sights alone.
"""

import numpy as np

from kerbwalk.compiled import compiled

# Nearer than this a point counts as being at the lens.
LEAST_DEPTH = 1e-6


@compiled
def misses(photo, point, at, turn, place, points, focal, middle):
    """How far each sight lies from where it should: (m, 2) pixels.

    photo, point: (m,) indices; at: (m, 2) pixels; turn: (n, 3, 3) world to camera; place: (n, 3); points: (k, 4);
    focal: pixels; middle: (2,) pixels.
    """
    error = np.empty((len(photo), 2))
    for s in range(len(photo)):
        R, p, X = turn[photo[s]], place[photo[s]], points[point[s]]
        r0, r1, r2 = X[0] - X[3] * p[0], X[1] - X[3] * p[1], X[2] - X[3] * p[2]
        z = R[2, 0] * r0 + R[2, 1] * r1 + R[2, 2] * r2
        z = LEAST_DEPTH if abs(z) < LEAST_DEPTH else z
        for axis in range(2):
            there = R[axis, 0] * r0 + R[axis, 1] * r1 + R[axis, 2] * r2
            error[s, axis] = focal * there / z + middle[axis] - at[s, axis]
    return error


@compiled
def normal(photo, point, error, weight, turn, place, points, basis, focal, anchored, cross):
    """The blocks of the normal equations.

    photo, point, turn, place, points, focal: see misses(); error: what it gave; weight: (m,); basis: (k, 4, 3)
    tangents of the points; anchored: index of the point that keeps its ray in the first camera, so that it comes
    nearer to the axis as the focal length grows; cross: (3, m, 6), into which goes what is between point and photo, or
    (3, 0, 6) where that is not wanted.
    Returns of_photo (n, 7, 7) and pull_photo (n, 7), the focal length in the last row; of_point (k, 3, 3) and
    pull_point (k, 3); focal_point (k, 3), between focal length and points.
    """
    of_photo, pull_photo = np.zeros((len(turn), 7, 7)), np.zeros((len(turn), 7))
    of_point, pull_point = np.zeros((len(points), 3, 3)), np.zeros((len(points), 3))
    focal_point, wanted = np.zeros((len(points), 3)), cross.shape[1] > 0
    own, theirs, image, ray = np.empty((2, 7)), np.empty((2, 3)), np.empty(3), np.empty(4)
    for s in range(len(photo)):
        i, j, w = photo[s], point[s], weight[s]
        R, p, X = turn[i], place[i], points[j]
        r0, r1, r2 = X[0] - X[3] * p[0], X[1] - X[3] * p[1], X[2] - X[3] * p[2]
        x = R[0, 0] * r0 + R[0, 1] * r1 + R[0, 2] * r2
        y = R[1, 0] * r0 + R[1, 1] * r1 + R[1, 2] * r2
        z = R[2, 0] * r0 + R[2, 1] * r1 + R[2, 2] * r2
        z = LEAST_DEPTH if abs(z) < LEAST_DEPTH else z
        for axis in range(2):
            image[0], image[1] = 0.0, 0.0
            image[axis] = focal / z
            image[2] = -focal * (x if axis == 0 else y) / (z * z)
            # A camera turned on by a small angle a sees a x (x, y, z) at a place moved by that much.
            own[axis, 0] = image[2] * y - image[1] * z
            own[axis, 1] = image[0] * z - image[2] * x
            own[axis, 2] = image[1] * x - image[0] * y
            ray[3] = 0.0
            for c in range(3):
                ray[c] = image[0] * R[0, c] + image[1] * R[1, c] + image[2] * R[2, c]
                own[axis, 3 + c] = -X[3] * ray[c]
                ray[3] -= ray[c] * p[c]
            own[axis, 6] = focal * (x if axis == 0 else y) / z
            if j == anchored:
                own[axis, 6] -= ray[0] * X[0] + ray[1] * X[1]
            for c in range(3):
                theirs[axis, c] = (
                    ray[0] * basis[j, 0, c]
                    + ray[1] * basis[j, 1, c]
                    + ray[2] * basis[j, 2, c]
                    + ray[3] * basis[j, 3, c]
                )
        for a in range(7):
            pull_photo[i, a] += w * (own[0, a] * error[s, 0] + own[1, a] * error[s, 1])
            for b in range(7):
                of_photo[i, a, b] += w * (own[0, a] * own[0, b] + own[1, a] * own[1, b])
        for a in range(3):
            pull_point[j, a] += w * (theirs[0, a] * error[s, 0] + theirs[1, a] * error[s, 1])
            focal_point[j, a] += w * (theirs[0, a] * own[0, 6] + theirs[1, a] * own[1, 6])
            for b in range(3):
                of_point[j, a, b] += w * (theirs[0, a] * theirs[0, b] + theirs[1, a] * theirs[1, b])
            for b in range(6 if wanted else 0):
                cross[a, s, b] = w * (theirs[0, a] * own[0, b] + theirs[1, a] * own[1, b])
    return of_photo, pull_photo, of_point, pull_point, focal_point


@compiled
def eliminate(first, photo, cross, focal_point, inverse, pull_point, system, right, part, parts):
    """Take the points out of some of the photos' equations: what they leave there.

    first: (k + 1,) where each point's sights begin, ordered by point and, of a point, by photo; photo: (m,); cross,
    focal_point, pull_point: see normal(); inverse: (k, 3, 3) of of_point; system: (6 n + 1, 6 n + 1), of which the
    upper triangle is written, the photos' own blocks whole, and no more ever looked at; right: (6 n + 1,), which is
    added to; part: of so many parts that may be done side by side, every parts-th photo (and, in the first, the focal
    length): each has equations of its own, so that all sums are the same whoever makes them.
    """
    last = len(right) - 1
    for row in range(6 * part, last, 6 * parts):
        for line in range(row, row + 6):
            system[line, row:] = 0.0
    if part == 0:
        system[last, last] = 0.0
    lines = cross.reshape(3, -1)
    # Photos one after the other lie side by side in a line of the system: where a run of them ends.
    ends = np.empty(len(photo), np.int64)
    for j in range(len(first) - 1):
        for s in range(first[j + 1] - 1, first[j] - 1, -1):
            goes_on = s + 1 < first[j + 1] and photo[s + 1] == photo[s] + 1
            ends[s] = ends[s + 1] if goes_on else s + 1
    for j in range(len(first) - 1):
        for a in range(3 if part == 0 else 0):
            for b in range(3):
                system[last, last] -= focal_point[j, a] * inverse[j, a, b] * focal_point[j, b]
                right[last] -= focal_point[j, a] * inverse[j, a, b] * pull_point[j, b]
        for s in range(first[j], first[j + 1]):
            for a in range(6 if photo[s] % parts == part else 0):
                row = 6 * photo[s] + a
                x, y, z = cross[0, s, a], cross[1, s, a], cross[2, s, a]
                t0 = x * inverse[j, 0, 0] + y * inverse[j, 1, 0] + z * inverse[j, 2, 0]
                t1 = x * inverse[j, 0, 1] + y * inverse[j, 1, 1] + z * inverse[j, 2, 1]
                t2 = x * inverse[j, 0, 2] + y * inverse[j, 1, 2] + z * inverse[j, 2, 2]
                right[row] -= t0 * pull_point[j, 0] + t1 * pull_point[j, 1] + t2 * pull_point[j, 2]
                system[row, last] -= t0 * focal_point[j, 0] + t1 * focal_point[j, 1] + t2 * focal_point[j, 2]
                t = s
                while t < first[j + 1]:
                    line = system[row, 6 * photo[t] :]
                    c0, c1, c2 = lines[0, 6 * t :], lines[1, 6 * t :], lines[2, 6 * t :]
                    for b in range(6 * (ends[t] - t)):
                        line[b] -= t0 * c0[b] + t1 * c1[b] + t2 * c2[b]
                    t = ends[t]


@compiled
def pulled(first, photo, cross, focal_point, pull_point, change):
    """What pulls at the points, (k, 3), once photos and focal length have changed by `change`, (6 n + 1,)."""
    pull = pull_point + focal_point * change[-1]
    for j in range(len(first) - 1):
        for s in range(first[j], first[j + 1]):
            for b in range(3):
                for a in range(6):
                    pull[j, b] += cross[b, s, a] * change[6 * photo[s] + a]
    return pull
