"""Straight lines in space: edges that several photos show where one line would lie.

What looks like an edge in one photo may be a post's side and a sill behind it, and most edges that there are show in
some photos only. So those count that other photos confirm, and they count for these and for the photos between.
"""

from dataclasses import dataclass

import numpy as np

from kerbwalk import cameras
from kerbwalk.compiled import compiled

# How far beside a line an edge may lie (parts of the longer side), and by how much its two ends may differ in that:
# by this part of the former, or of the edge's length.
BESIDE, EITHER, ASKEW = 0.0014, 0.7, 0.02
# An edge that lies on a line covers this part of the shorter of the two.
COVERS = 0.5
# Edges of photos so near to each other in the list (of those looked at) say where a line lies, those of photos within
# the other number confirm it, and within the last they are edges of the same line.
REACH, WINDOW, SPREAD = 3, 6, 10
# What is known of an end's nearness without looking (the hold point's, and standard deviation), and what it may be.
NEARNESS, UNSURE, FAR, NEAR = 1.0, 0.3, -0.1, 12.0
# A line is confirmed by edges that cover it so many times, and lies in so many photos.
CONFIRMED, LEAST = 2.0, 3


@dataclass
class Lines:
    """ends: (l, 2, 4) homogeneous places (the world's axes); lasts: (l, 2), first and last photo that show it."""

    ends: np.ndarray
    lasts: np.ndarray


def found(world, straight, size):
    """Lines of a walk, each as long as the edge that is confirmed best: Lines.

    world: cameras.World; straight: {photo: (e, 2, 2) both ends' x, y of its edges, photo pixels}, in order; size:
    (width, height) of the photos.
    An edge and one of a photo nearby lie in two planes through their cameras, which meet in a line (as Hofer et al.
    2017, "Efficient 3D scene abstraction using line segments", do; cited from memory); where they are about the same
    plane, nearness is as usual. Of all lines through an edge the one counts that edges of other photos cover most.
    Those that are covered most come first, and take all edges that lie on them.
    """
    looked = np.array(list(straight), int)
    many = [len(straight[k]) for k in looked]
    first, photo = np.concatenate([[0], np.cumsum(many)]).astype(int), np.repeat(np.arange(len(looked)), many)
    edge = np.concatenate([np.zeros((0, 2, 2)), *straight.values()])
    edge = (edge - world.camera[:2, 2]) / world.camera[0, 0]
    turn, place = np.ascontiguousarray(world.turn[looked]), np.ascontiguousarray(world.place[looked])
    ray = np.concatenate([edge, np.ones((len(edge), 2, 1))], -1)
    across = np.cross(ray[:, 0], ray[:, 1])
    across /= np.hypot(*across[:, :2].T)[:, None]
    ray, across = np.einsum("mei,mij->mej", ray, turn[photo]), np.einsum("mi,mij->mj", across, turn[photo])
    beside = BESIDE * max(size) / world.camera[0, 0]
    seen = first, edge, turn, place, beside
    covered, end = _confirmed(photo, ray, across, *seen)
    length = np.hypot(*(edge[:, 1] - edge[:, 0]).T)
    left, ends, lasts = np.ones(len(edge), bool), [], []
    for s in np.argsort(-covered * length, kind="stable"):
        if not left[s] or covered[s] < CONFIRMED:
            continue
        on, here = np.zeros(len(edge), bool), photo[s]
        for k in range(max(0, here - SPREAD), min(len(looked), here + SPREAD + 1)):
            _covered(end[s], k, *seen, on)
        on &= left
        if len(np.unique(photo[on])) < LEAST:
            continue
        far, along = across[on] @ ray[s].T, np.einsum("ui,ui->u", across[on], place[photo[on]] - place[here])
        nearness = _nearness(along @ far, along @ along, beside)
        ends.append(np.column_stack([ray[s] + nearness[:, None] * place[here], nearness]))
        lasts.append(looked[photo[on][[0, -1]]])
        left &= ~on
    return Lines(np.array(ends).reshape(-1, 2, 4), np.array(lasts, int).reshape(-1, 2))


def seen_from(lines, camera, turn, place, size):
    """Lines in the picture of one camera: (e, 2, 2) both ends' x, y in pixels.

    lines: (l, 2, 4) ends; camera: K; turn, place: of the camera; size: (width, height). They are cut off at the
    picture's border; those that end behind the camera are left out.
    """
    at = cameras.project(camera, turn, place, lines.reshape(-1, 4)).reshape(-1, 2, 2)
    at = at[np.isfinite(at).all((1, 2))]
    start, way = at[:, 0], at[:, 1] - at[:, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        borders = np.stack([-start / way, (np.array(size) - 1 - start) / way])
    into = np.fmax(np.fmin(*borders).max(1), 0)
    beyond = np.fmin(np.fmax(*borders).min(1), 1)
    shown = into < beyond
    parts = np.stack([into, beyond], 1)[shown, :, None]
    return start[shown, None] + parts * way[shown, None]


@compiled
def _nearness(far, along, beside):
    """Nearness of an edge's end where an edge of another photo, or several, meet it, by least squares.

    far: how far off those its ray is times what a nearness of 1 moves it, along: that squared, both in parts of the
    focal length and summed; beside: twice their standard deviation.
    """
    doubt = (beside / 2 / UNSURE) ** 2
    return (far + doubt * NEARNESS) / (along + doubt)


@compiled
def _confirmed(photo, ray, across, first, edge, turn, place, beside):
    """How much of the best line through each edge others cover, (m,), and its ends, (m, 2, 4).

    photo: (m,) of those looked at; ray: (m, 2, 3) to an edge's ends, and across, (m, 3), at right angles to both, in
    the world's axes, so long that their product with another ray is how far off it lies; first, edge, turn, place,
    beside: see _covered().
    """
    covered, ends = np.zeros(len(edge)), np.zeros((len(edge), 2, 4))
    line, on = np.empty((2, 4)), np.zeros(len(edge), np.bool_)
    for s in range(len(edge)):
        a = photo[s]
        for t in range(first[max(0, a - REACH)], first[min(len(turn), a + REACH + 1)]):
            if photo[t] == a:
                continue
            n, along, meet = across[t], 0.0, True
            for i in range(3):
                along += n[i] * (place[photo[t], i] - place[a, i])
            for e in range(2):
                far = n[0] * ray[s, e, 0] + n[1] * ray[s, e, 1] + n[2] * ray[s, e, 2]
                near = _nearness(far * along, along * along, beside)
                if not FAR < near < NEAR or abs(far - near * along) > 1.5 * beside:
                    meet = False
                    break
                for i in range(3):
                    line[e, i] = ray[s, e, i] + near * place[a, i]
                line[e, 3] = near
            # The edge that it was made with has to lie on it, and not before or beyond.
            said = _covered(line, photo[t], first, edge, turn, place, beside, on) if meet else 0.0
            if said == 0.0:
                continue
            for k in range(max(0, a - WINDOW), min(len(turn), a + WINDOW + 1)):
                if k not in (a, photo[t]):
                    said += _covered(line, k, first, edge, turn, place, beside, on)
            if said > covered[s]:
                covered[s], ends[s] = said, line
    return covered, ends


@compiled
def _covered(line, k, first, edge, turn, place, beside, on):
    """The greatest part of a line that one edge of a photo covers; edges that lie on it are marked in `on`, (m,) bool.

    line: (2, 4); k: index of the photo; first: where each photo's edges begin, and their number; edge: (m, 2, 2) ends
    in the photos, in parts of the focal length from the middle; turn: (n, 3, 3), place: (n, 3); beside: see BESIDE, as
    those.
    """
    R, p, at = turn[k], place[k], np.empty((2, 2))
    for e in range(2):
        x, y, z = line[e, 0] - line[e, 3] * p[0], line[e, 1] - line[e, 3] * p[1], line[e, 2] - line[e, 3] * p[2]
        depth = R[2, 0] * x + R[2, 1] * y + R[2, 2] * z
        if depth < 1e-3:
            return 0.0
        for i in range(2):
            at[e, i] = (R[i, 0] * x + R[i, 1] * y + R[i, 2] * z) / depth
    dx, dy = at[1, 0] - at[0, 0], at[1, 1] - at[0, 1]
    length = np.sqrt(dx * dx + dy * dy)
    if length < beside:
        return 0.0
    dx, dy, most = dx / length, dy / length, 0.0
    for u in range(first[k], first[k + 1]):
        x, y = edge[u, 0, 0] - at[0, 0], edge[u, 0, 1] - at[0, 1]
        off, way = x * dy - y * dx, x * dx + y * dy
        if abs(off) > 4 * beside:
            continue
        x, y = edge[u, 1, 0] - at[0, 0], edge[u, 1, 1] - at[0, 1]
        other, end = x * dy - y * dx, x * dx + y * dy
        long = abs(end - way)
        if abs(off + other) > 2 * beside or abs(off - other) > max(ASKEW * long, EITHER * beside):
            continue
        shared = min(max(way, end), length) - max(min(way, end), 0.0)
        if shared > COVERS * min(length, long):
            on[u] = True
            most = max(most, shared / length)
    return most
