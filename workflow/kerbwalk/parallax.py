"""Nearness over the picture, as a smooth surface through points of known depth, and the shifts that follow from it.

What a camera's error of place does to the picture is known in all but one thing: how near each part of it is. So not
shifts are fitted, frame by frame, but that one surface, which changes slowly; it cannot wobble, and over a flat wall,
whose inverse depth is linear in the picture, it bends nothing. Where walls meet it folds, and it knows no more than a
node's distance how near a fold lies to an edge; so along the straight lines that several photos show (kerbwalk.lines)
it is kept linear.
And where the ground lies is known from all of the walk (kerbwalk.ground), however little is seen of it.
"""

import functools
import math
from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve

from kerbwalk import cameras, edges, ground, lines, mesh
from kerbwalk.homography import transfer

IN_ALL = math.prod(mesh.NODES)
# The next are in pixels of the usual shake in a picture of this longer side.
SIDE = 3000
# How well a point's own shift is known at best, how much the surface bends from node to node, how far it may stand off
# the homography where nothing is seen, and how far off a line it may be along an edge.
SURE = 0.25
BEND = 0.25
APART = 16.0
BENT = 0.15
# How exactly it goes through the hold point already as it is fitted.
HELD = 0.01
# Residual at which a point has lost most of its say: it stands before or behind what is around it. Where the ground is
# known, no few points of it have to be believed against the wall behind them.
OTHER, OTHER_ON_GROUND = 1.0, 0.4
ROUNDS = 10
# Second difference of shifts (RMS over the nodes, in parts of the longer side), but for the fold where the ground
# begins, at which the edge that they bend most is usually 0.25 to 0.6 pixels of a clip 1920 wide off straight. Lenses
# wider than of this focal length (in longer sides: 27 mm) have near ground in much of the picture, which would shake:
# they may bend by more, by the square of theirs.
MOST_BENT, USUAL = 1.3e-4, 0.75
# A point fades out so many photos beyond those that show it.
FADE = 8
# A homography follows what lies within this part of the width about the hold point, others by a little.
REACH = 0.25
LITTLE = 0.02


@dataclass
class Nearness:
    """Inverse depth over the plane: normal, (3,), times the ray K^-1 (x, y, 1), plus `off` at the nodes, (gh, gw)."""

    normal: np.ndarray
    off: np.ndarray


def surface(places, nearness, sigma, weight, hold, hold_nearness, camera, size, shake, straight=(), floor=None):
    """The surface of inverse depth through points.

    places: (n, 2) on the plane, pixels; nearness: (n,) inverse depth, and sigma, its standard deviation; weight:
    (n,), 0..1; hold, hold_nearness: a point through which it goes exactly; camera: K; size: (width, height) of the
    plane; shake: the usual error of place; straight: (e, 2, 2) ends of straight edges on the plane, or
    None where the plane about the hold point is enough; floor: (3,) the ground's inverse depth, times the ray
    K^-1 (x, y, 1), or None where it is not known. Returns a Nearness.
    Thin-plate energy on a grid (second differences), reweighted so that it may fold where walls meet (iteratively
    reweighted for an L1 norm), data by Geman-McClure; along an edge, of whatever it is one, what departs from a linear
    function is penalised (as Chang & Chuang 2012, "A line-structure-preserving approach to image resizing", do). The
    ground is as sure as a point at each node where it would be before the wall about the hold point, and loses its say
    like one where other things stand on it.
    """
    scale = camera[0, 0] * shake * SIDE / max(size)
    rays, ray_hold = _rays(places, camera), _rays(np.asarray(hold), camera)
    doubt = 1 / (SURE**2 + (scale * sigma) ** 2)
    near = LITTLE + np.exp(-((places - hold) ** 2).sum(1) / (2 * (REACH * size[0]) ** 2))
    offset = rays - ray_hold
    wanted = scale * (nearness - hold_nearness)
    trust = np.ones(len(places))
    for _ in range(ROUNDS):
        say = weight * near * doubt * trust
        said = offset[:, :2] * say[:, None]
        slope = np.linalg.solve(said.T @ offset[:, :2] + 1e-3 * np.eye(2), said.T @ wanted)
        rest = wanted - offset[:, :2] @ slope
        trust = 1 / (1 + (rest / OTHER) ** 2) ** 2
    normal = np.append(slope / scale, hold_nearness - slope @ ray_hold[:2] / scale)
    off = np.zeros(mesh.count(size)[::-1])
    if straight is not None:
        say, other = weight * doubt, OTHER if floor is None else OTHER_ON_GROUND
        if floor is not None:
            nodes = mesh.nodes(size).reshape(-1, 2)
            before = scale * (_rays(nodes, camera) @ (floor - normal))
            shown = before > 0
            places, rest = np.vstack([places, nodes[shown]]), np.append(rest, before[shown])
            say = np.append(say, np.full(shown.sum(), SURE**-2))
        off = _grid(places, rest, say, size, straight, other, np.array([hold]))
        off -= mesh.at(off, np.array([hold]), size)[0]
    return Nearness(normal, off / scale)


def surfaces(world, covariance, lasts, even, hold, size, straight=None, below=None, pool=map):
    """The surface of inverse depth as each even camera sees it.

    world: cameras.World; covariance: of its points; lasts: (k, 2), first and last photo that show a point, the first
    beyond the last for those not to be used; even: walk.Even, the even cameras; hold: (2,) on the plane; size: of it;
    straight: lines.Lines that are kept straight, or None where the planes are enough; below: the ground's plane
    (ground.plane), or None where it is not known; pool: a `map` that may fit several side by side.
    Returns (normals (n, 3), offs (n, gh, gw)). Every third is fitted, those between are interpolated, and points fade
    out beyond the photos that show them: so the surface changes slowly.
    """
    count, shake = len(even.turn), max(even.shake, 1e-6)
    fitted = edges.looked_at(count)

    def fit(k):
        at_plane = cameras.project(even.camera[k], even.turn[k], even.place[k], world.points)
        nearness, sigma = cameras.nearness(world, covariance, even.turn[k], even.place[k])
        away = np.maximum(np.maximum(lasts[:, 0] - k, k - lasts[:, 1]), 0)
        weight = np.clip(1 - away / FADE, 0, 1)
        weight[cameras.HOLD] = 0
        with np.errstate(invalid="ignore"):
            about = (np.abs(at_plane / size - 0.5) < 0.6).all(1)
        use = about & (weight > 0)
        seen, held = (at_plane[use], nearness[use], sigma[use], weight[use]), nearness[cameras.HOLD]
        floor = None if below is None else ground.seen_from(below, even.turn[k], even.place[k])
        kept = None
        if straight is not None:
            shown = straight.ends[(straight.lasts[:, 0] - FADE <= k) & (k <= straight.lasts[:, 1] + FADE)]
            kept = lines.seen_from(shown, even.camera[k], even.turn[k], even.place[k], size)
        return surface(*seen, hold, held, even.camera[k], size, shake, kept, floor)

    found = list(pool(fit, fitted))

    def filled(values):
        flat = np.reshape(values, (len(fitted), -1))
        lines = [np.interp(np.arange(count), fitted, flat[:, c]) for c in range(flat.shape[1])]
        return np.stack(lines, 1).reshape(count, *np.shape(values)[1:])

    return filled([one.normal for one in found]), filled([one.off for one in found])


def limits(normals, offs, even, size, below=None):
    """How far from the even camera a photo may stand without shifts that bend lines: (n, 3, 3), of a distance d in the
    world's axes d^T limit d <= 1.

    normals, offs: of surfaces(); even: walk.Even; size: of the plane; below: the ground's plane (ground.plane), or None
    where it is not known. Where the ground begins the surface has to fold, and no line that lies on it or on the wall
    is bent by that: what counts is how what stands off the ground bends.
    """
    found = []
    for normal, off, turn, place, camera in zip(normals, offs, even.turn, even.place, even.camera, strict=True):
        rays = np.moveaxis(_rays(mesh.nodes(size, off.shape), camera), -1, 0)
        if below is not None:
            floor = ground.seen_from(below, turn, place)
            off = off - np.maximum(np.tensordot(floor - normal, rays, 1), 0)
        x, y, one = rays
        # What a step along each of the camera's axes does, to first order.
        shifts = camera[0, 0] * off * np.array([[one, 0 * one], [0 * one, one], [-x, -y]])
        bends = [np.diff(shifts, 2, axis=axis).reshape(3, -1) for axis in (2, 3)]
        square = sum(2 * along @ along.T / along.shape[1] for along in bends)
        wide = max(USUAL * max(size) / camera[0, 0], 1)
        found.append(turn.T @ square @ turn / (MOST_BENT * wide**2 * max(size)) ** 2)
    return np.array(found)


def warp(normal, off, seen, even, camera, size):
    """What takes the plane to a photo: the homography of the surface's plane, and the rest as shifts at the nodes.

    normal, off: the surface; seen, even: (turn, place) of the photo's camera and (turn, place, K) of the even one;
    camera: the photo's K; size: of the plane. Returns (3x3, (gh, gw, 2) photo pixels).
    """
    relative, step = seen[0] @ even[0].T, seen[0] @ (even[1] - seen[1])
    matrix = camera @ (relative + np.outer(step, normal)) @ np.linalg.inv(even[2])
    places = mesh.nodes(size, off.shape).reshape(-1, 2)
    rays = _rays(places, even[2])
    there = (rays @ relative.T + (rays @ normal + off.ravel())[:, None] * step) @ camera.T
    shifts = there[:, :2] / there[:, 2:] - transfer(matrix, places)
    return matrix / matrix[2, 2], shifts.reshape(*off.shape, 2)


def _rays(places, camera):
    """Rays K^-1 (x, y, 1) to places (..., 2): (..., 3). camera: K."""
    return np.concatenate([places, np.ones((*places.shape[:-1], 1))], -1) @ np.linalg.inv(camera).T


def _grid(places, rest, weight, size, straight, other, held):
    """Node values of the smooth surface through `rest`, linear along `straight`, and nothing at `held` (1, 2); other:
    see OTHER.
    """
    data, bends, kept = _Rows(*_corners(places, size)), _bends(*mesh.count(size)), _along(straight, size)
    kept = kept + _Rows(*_corners(held, size)).squared(np.full(1, HELD**-2))
    trust, fold = np.ones(len(places)), np.ones(len(bends.factor))
    for turn in range(ROUNDS):
        system = kept + data.squared(weight * trust) + bends.squared(fold / BEND**2)
        system.flat[:: len(system) + 1] += 1 / APART**2
        values = solve(system, data.back(weight * trust * rest), assume_a="pos", lower=True)
        further = other * max(1, 4 * 0.8**turn)
        trust = 1 / (1 + ((data.of(values) - rest) / further) ** 2) ** 2
        fold = 1 / np.maximum(0.3, np.abs(bends.of(values)) / BEND)
    return values.reshape(mesh.count(size)[::-1])


def _corners(places, size):
    """The four nodes about each place (n, 2), and their parts in its value: (n, 4) and (n, 4)."""
    across, down = mesh.count(size)
    x, y, i, j = mesh.cells(places, size, across, down)
    corner = j * across + i
    return (
        np.stack([corner, corner + 1, corner + across, corner + across + 1], 1),
        np.stack([(1 - x) * (1 - y), x * (1 - y), (1 - x) * y, x * y], 1),
    )


def _along(straight, size):
    """The normal equations of nodes whose surface is linear along edges (e, 2, 2): (nodes, nodes)."""
    if not len(straight):
        return np.zeros((IN_ALL, IN_ALL))
    way = straight[:, 1] - straight[:, 0]
    # twice in a cell, so that no cell's bend is overlooked
    count = 3 + (2 * np.hypot(*way.T) / max(size) * (mesh.NODES[0] - 1)).astype(int)
    first, edge = np.cumsum(count) - count, np.repeat(np.arange(len(count)), count)
    part = (np.arange(len(edge)) - first[edge]) / (count[edge] - 1)
    rows = _Rows(*_corners(straight[edge, 0] + part[:, None] * way[edge], size))
    # What is left of values once a constant and a slope are taken off, each of length 1 over its edge.
    slope = (part - 0.5) / np.sqrt(np.add.reduceat(np.square(part - 0.5), first))[edge]
    linear = []
    for basis in (1 / np.sqrt(count)[edge], slope):
        found = np.bincount(
            (edge[:, None] * IN_ALL + rows.node).ravel(),
            (basis[:, None] * rows.factor).ravel(),
            len(count) * IN_ALL,
        )
        linear.append(found.reshape(len(count), IN_ALL))
    linear = np.concatenate(linear)
    return (rows.squared(np.ones(len(edge))) - linear.T @ linear) / BENT**2


class _Rows:
    """Rows that have four nodes each, (r, 4) their numbers and factors."""

    def __init__(self, node, factor):
        self.node, self.factor = node, factor
        self.pair = (node[:, :, None] * IN_ALL + node[:, None]).ravel()
        self.product = (factor[:, :, None] * factor[:, None]).reshape(-1, 16)

    def squared(self, weight):
        """rows^T diag(weight) rows."""
        weighted = (weight[:, None] * self.product).ravel()
        return np.bincount(self.pair, weighted, IN_ALL**2).reshape(IN_ALL, -1)

    def back(self, values):
        """rows^T values."""
        return np.bincount(self.node.ravel(), (values[:, None] * self.factor).ravel(), IN_ALL)

    def of(self, values):
        """rows values."""
        return (values[self.node] * self.factor).sum(1)


@functools.cache
def _bends(across, down):
    """Second differences over so many nodes: across, down, and twice the mixed one."""
    number = np.arange(across * down).reshape(down, across)
    root = np.sqrt(2)
    parts = [
        ((number[:-2], number[1:-1], number[2:], number[2:]), (1, -2, 1, 0)),
        ((number[:, :-2], number[:, 1:-1], number[:, 2:], number[:, 2:]), (1, -2, 1, 0)),
        ((number[:-1, :-1], number[1:, :-1], number[:-1, 1:], number[1:, 1:]), (root, -root, -root, root)),
    ]
    nodes = [np.stack([n.ravel() for n in four], 1) for four, _ in parts]
    return _Rows(np.vstack(nodes), np.vstack([np.tile(f, (len(n), 1)) for n, (_, f) in zip(nodes, parts, strict=True)]))
