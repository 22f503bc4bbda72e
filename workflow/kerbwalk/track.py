"""Follow the hold point, and the upright through it, over all photos of a shoot.

Every photo is registered straight to the reference; links to its neighbours, and to photos a few steps
back, carry it over where the direct view is blocked. One robust least-squares solve over all links then
places all photos at once, so that nothing is chained and nothing drifts.
"""

import functools
from dataclasses import dataclass

import cv2
import numpy as np
from scipy import sparse
from scipy.sparse import linalg

from kerbwalk import registration
from kerbwalk.pixels import enlarged, enlarging, reduced
from kerbwalk.registration import Link, jacobian, transfer

# Corners are followed at no more than this width; the hold point itself at the proxies' full size.
FOLLOW_WIDTH = 1280
REACH = 0.18
PATCH = 0.035
# Where the hold point itself is covered, its wider surroundings are tried.
WIDER = (1, 2, 4)
STEPS_BACK = (1, 2, 5)
MIN_INLIERS = 15
MIN_SHARE = 0.25
MIN_LIKENESS = 0.75


@dataclass
class Placed:
    """Where the reference's hold point lies in a photo, and how its upright leans there.

    hold: (2,) pixels; lean: radians, the direction of the reference's downward vertical, 0 along +y and positive
    towards -x (so that a camera rolled clockwise by a sees lean = a); scale: size against the reference; likeness:
    normalised correlation of the hold point's surroundings with the reference's, 0 where they were not seen.
    """

    hold: np.ndarray
    lean: float
    scale: float
    inliers: int
    likeness: float


def follow_shoot(grey, count, reference, hold, pool=map):
    """Place every photo of a shoot against the reference.

    grey: function without arguments that returns a reader, a function from a photo's index to its uint16 (h, w)
    proxy; count: number of photos; reference: index; hold: (2,) pixels of the reference's proxy; pool: a `map` that
    may run two calls side by side, each with a reader of its own.
    Returns a list of Placed, or of a text that says why a photo could not be placed.
    """
    view = _Views(grey())
    hold = np.asarray(hold, float)
    start = reduced(hold, view.reduction)
    sides = [range(reference + 1, count), range(reference - 1, -1, -1)]
    links, direct, reasons, about, patches = {}, {}, {}, {}, {}
    for found in pool(lambda side: _walk(_Views(grey()), reference, side, start), sides):
        for every, new in zip((links, direct, reasons, about), found, strict=True):
            every |= new
    for found in pool(lambda side: _patches(_Views(grey()), reference, side, hold, about), sides):
        patches |= found
    placed = _solve(reference, start, links, direct, patches)
    result = []
    for k in range(count):
        if k in reasons:
            result.append(reasons[k])
            continue
        position, lean, scale = placed[k]
        link = direct.get(k)
        inliers = link.inliers if link else max((one.inliers for pair, one in links.items() if k in pair), default=0)
        likeness = 1.0 if k == reference else patches[k][1] if k in patches else 0.0
        result.append(Placed(view.to_proxy(position), lean, scale, inliers, likeness))
    return result


def choose_hold(grey, count, reference):
    """A point of the reference that can be held: a sharp, lasting structure not far from the middle.

    Returns candidates, best first: a list of (position (2,) in the reference's proxy pixels, score 0..1).
    The reference's corners are followed into photos spread over the shoot; a place scores by how many of its corners
    last, in how many photos, agreeing with the motion of the whole, and loses towards the picture's edges.
    """
    view = _Views(grey)
    first = view.follow(reference)
    height, width = first.shape
    points = registration.corners(first)
    lasting = np.zeros(len(points))
    middle = np.array([width, height]) / 2
    looked = [k for k in np.unique(np.linspace(0, count - 1, 9).astype(int)) if k != reference]
    for k in looked:
        second = view.follow(k)
        best = None
        for shift in registration.coarse_shifts(first, second):
            found, ok = registration.follow(first, second, points, _shifted(shift))
            if ok.sum() < 12:
                continue
            link = registration.fit(points[ok].astype(float), found[ok], _shifted(shift), middle, width)
            if best is None or link.inliers > best[0].inliers:
                best = link, found, ok
        if best is not None:
            residual = np.hypot(*(transfer(best[0].matrix, points) - best[1]).T)
            lasting += best[2] * np.exp(-((residual / 3) ** 2))
    if looked:
        lasting /= len(looked)
    central = np.exp(-((((points - middle) / (0.22 * width)) ** 2).sum(1)) / 2)
    radius = PATCH * width
    inside = ((points > 2 * radius) & (points < np.array([width, height]) - 2 * radius)).all(1)
    near = np.exp(-((points[:, None] - points[None]) ** 2).sum(2) / (2 * (radius / 2) ** 2))
    score = (near @ (lasting + 1e-3)) * central * inside
    order = np.argsort(-score, kind="stable")
    chosen = []
    for k in order:
        if score[k] > 0 and all(np.hypot(*(points[k] - points[j])) > 4 * radius for j in chosen):
            chosen.append(k)
        if len(chosen) == 5:
            break
    if not chosen:
        return [(view.to_proxy(middle), 0.0)]
    top = score[chosen[0]]
    return [(view.to_proxy(points[k].astype(float)), float(score[k] / top)) for k in chosen]


class _Views:
    """Pictures for following, read when needed and the last few kept."""

    def __init__(self, grey):
        self.grey = grey
        self.reduction = max(1, -(-grey(0).shape[1] // FOLLOW_WIDTH))
        self.follow = functools.lru_cache(maxsize=max(STEPS_BACK) + 3)(self._follow)
        self.corners = functools.lru_cache(maxsize=max(STEPS_BACK) + 3)(lambda k: registration.corners(self.follow(k)))

    def _follow(self, k):
        grey = self.grey(k)
        if self.reduction > 1:
            height, width = (n // self.reduction for n in grey.shape)
            cut = grey[: height * self.reduction, : width * self.reduction]
            grey = cv2.resize(cut, (width, height), interpolation=cv2.INTER_AREA)
        return registration.encode(grey)

    def to_proxy(self, point):
        return enlarged(point, self.reduction)


def _walk(view, reference, side, hold):
    """Link the photos on one side of the reference, going outwards."""
    links, direct, reasons = {}, {}, {}
    first = view.follow(reference)
    own = view.corners(reference)
    placed = {reference: np.eye(3)}
    for k in side:
        picture = view.follow(k)
        reach = REACH * picture.shape[1]
        recent = sorted(placed, key=lambda j: abs(j - k))
        before = recent[0]
        link = _best_link(view, before, k, transfer(placed[before], hold[None])[0], reach)
        if link is None and before != reference:
            link = _best_link(view, reference, k, hold, reach)
            before = reference
        if link is None:
            reasons[k] = "too little of it matches the other photos (covered, blurred or aimed elsewhere)"
            continue
        start = link.matrix @ placed[before]
        links[before, k] = link
        straight = registration.register(first, picture, own, start, hold, reach)
        if straight and _holds(straight) and _agree(straight.matrix, start, hold, 6.0):
            direct[k] = straight
            start = straight.matrix
        for back in STEPS_BACK[1:]:
            earlier = k - back if k > reference else k + back
            if earlier in placed and earlier != before and earlier != reference:
                near = transfer(placed[earlier], hold[None])[0]
                guess = start @ np.linalg.inv(placed[earlier])
                skip = registration.register(view.follow(earlier), picture, view.corners(earlier), guess, near, reach)
                if skip and _holds(skip):
                    links[earlier, k] = skip
        placed[k] = start
    return links, direct, reasons, placed


def _best_link(view, before, k, about, reach):
    first, second = view.follow(before), view.follow(k)
    best = None
    for shift in registration.coarse_shifts(first, second):
        link = registration.register(first, second, view.corners(before), _shifted(shift), about, reach)
        if link and _holds(link) and (best is None or link.inliers > best.inliers):
            best = link
        if best and best.share > 0.6:
            break
    return best


def _patches(view, reference, side, hold, about):
    """Register the hold point's surroundings to the reference in the photos on one side."""
    found = {}
    first = view.grey(reference).astype(np.float32)
    up = enlarging(view.reduction)
    down = np.linalg.inv(up)
    radius = PATCH * first.shape[1]
    for k in side:
        if k not in about:
            continue
        matrix = up @ about[k] @ down
        predicted = transfer(matrix, hold[None])[0]
        second = view.grey(k).astype(np.float32)
        for wide in WIDER:
            refined = registration.refine_patch(first, second, matrix, hold, wide * radius, float(wide))
            near = refined and np.hypot(*(refined[0] - predicted)) < 4 * wide * view.reduction
            if near and refined[1] > MIN_LIKENESS:
                found[k] = (transfer(down, refined[0][None])[0], refined[1])
                break
    return found


def _solve(reference, hold, links, direct, patches=None):
    """Least squares over all links for hold point, lean and scale of every photo.

    Returns {index: (position (2,), lean, scale)}. Linear in what is small: each link says where a point near its
    estimate goes. Huber weights take out links that disagree with the rest. Source: the same normal equations as a
    bundle adjustment's (Triggs et al. 1999), with the structure already eliminated by the links.
    """
    links = {**{(reference, k): link for k, link in direct.items()}, **links}
    known = sorted({k for pair in links for k in pair} | {reference})
    first = {k: 4 * c for c, k in enumerate(known)}
    estimate = _spread(reference, hold, links)
    for _ in range(3):
        system = _System(4 * len(known))
        for (i, j), link in links.items():
            position, lean, _ = estimate[i]
            slope = jacobian(link.matrix, position)
            ahead = transfer(link.matrix, position[None])[0] - slope @ position
            sigma = max(link.rms, 0.05) * 3 / np.sqrt(link.inliers)
            for axis in (0, 1):
                row = {first[j] + axis: 1, first[i]: -slope[axis, 0], first[i] + 1: -slope[axis, 1]}
                system.say(row, ahead[axis], sigma)
            for part, value in zip((2, 3), _turned(slope, lean), strict=True):
                system.say({first[j] + part: 1, first[i] + part: -1}, value, sigma / (0.15 * FOLLOW_WIDTH))
        for k, (position, likeness) in (patches or {}).items():
            for axis in (0, 1):
                system.say({first[k] + axis: 1}, position[axis], 0.01 / likeness**4)
        for part, value in enumerate((*hold, 0.0, 0.0)):
            system.say({first[reference] + part: 1}, value, 1e-5)
        answer = system.solve()
        estimate = {k: (answer[c : c + 2], float(answer[c + 2]), float(answer[c + 3])) for k, c in first.items()}
    return {k: (position, lean, float(np.exp(scale))) for k, (position, lean, scale) in estimate.items()}


class _System:
    """Linear equations with standard deviations, solved robustly (Huber weights from 3 sigma on)."""

    def __init__(self, unknowns):
        self.unknowns = unknowns
        self.entries, self.wanted, self.weights = [], [], []

    def say(self, row, value, sigma):
        self.entries += [(len(self.wanted), column, factor) for column, factor in row.items()]
        self.wanted.append(value)
        self.weights.append(1 / sigma)

    def solve(self):
        lines, columns, factors = map(np.array, zip(*self.entries, strict=True))
        weights, wanted = np.array(self.weights), np.array(self.wanted)
        rows = sparse.csr_array((factors.astype(float), (lines, columns)), shape=(len(wanted), self.unknowns))
        trust = np.ones(len(wanted))
        for _ in range(8):
            scaled = sparse.diags_array(trust * weights**2) @ rows
            answer = linalg.spsolve((rows.T @ scaled).tocsc(), scaled.T @ wanted)
            trust = 1 / np.maximum(1, np.abs(rows @ answer - wanted) * weights / 3)
        return answer


def _spread(reference, hold, links):
    """First estimates, by going from link to link outwards from the reference."""
    estimate = {reference: (hold, 0.0, 0.0)}
    ordered = sorted(links, key=lambda pair: (abs(pair[1] - reference), pair[0] != reference))
    for i, j in ordered:
        if i in estimate and j not in estimate:
            position, lean, scale = estimate[i]
            slope = jacobian(links[i, j].matrix, position)
            turn, stretch = _turned(slope, lean)
            estimate[j] = (transfer(links[i, j].matrix, position[None])[0], lean + turn, scale + stretch)
    return estimate


def _turned(slope, lean):
    """How a link turns and stretches the upright that leans by `lean` in its first picture."""
    before = np.array([-np.sin(lean), np.cos(lean)])
    after = slope @ before
    return float(np.arctan2(-after[0], after[1]) - lean), float(np.log(np.hypot(*after)))


def _holds(link: Link):
    return link.inliers >= MIN_INLIERS and link.share >= MIN_SHARE


def _agree(one, other, point, limit):
    return np.hypot(*(transfer(one, point[None]) - transfer(other, point[None]))[0]) < limit


def _shifted(shift):
    return np.array([[1, 0, shift[0]], [0, 1, shift[1]], [0, 0, 1]], float)
