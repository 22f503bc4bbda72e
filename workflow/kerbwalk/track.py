"""Follow the hold point, and the upright through it, over all photos of a shoot.

Every photo is registered straight to the reference; links to key photos near by carry it over where the direct view
is blocked. One robust least-squares solve over all links then places all photos at once, so that nothing is chained
and nothing drifts. The corners that were followed are kept: kerbwalk.cameras makes of them where the camera stood.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from scipy import sparse
from scipy.sparse import linalg
from scipy.spatial import cKDTree

from kerbwalk import registration
from kerbwalk.pixels import enlarged, enlarging, reduced
from kerbwalk.registration import Link, jacobian, transfer

# Corners are followed at no more than this width; the hold point itself at the proxies' full size.
FOLLOW_WIDTH = 1280
REACH = 0.18
PATCH = 0.035
# Where the hold point itself is covered, or known to less than this (pixels), its wider surroundings are tried.
WIDER = (1, 2, 4)
SURE = 0.04
# A key photo's corners are followed for so many photos; a corner has lasted when so many have seen it.
KEY_STEP = 5
LASTING = 4
# New corners keep away from those that are followed already by this part of the picture's width.
GAP = 1 / 60
# Where the corners' numbers of either side begin: far more than a photo has.
SIDE_NUMBERS = 10**6
MIN_INLIERS = 15
MIN_SHARE = 0.25
MIN_LIKENESS = 0.75


@dataclass
class Placed:
    """Where the reference's hold point lies in a photo, and how its upright leans there.

    hold: (2,) pixels; lean: radians, the direction of the reference's downward vertical, 0 along +y and positive
    towards -x (so that a camera rolled clockwise by a sees lean = a); scale: size against the reference; likeness:
    normalised correlation of the hold point's surroundings with the reference's, 0 where they were not seen; sigma: of
    the hold point, pixels; level: (2, 2) where the level points lie, or None where one of them was not seen or none
    were asked for.
    """

    hold: np.ndarray
    lean: float
    scale: float
    inliers: int
    likeness: float
    sigma: float
    level: np.ndarray | None = None


def follow_shoot(grey, count, reference, hold, pool=map, level=None):
    """Place every photo of a shoot against the reference.

    grey: function without arguments that returns a reader, a function from a photo's index to its uint16 (h, w)
    proxy; count: number of photos; reference: index; hold: (2,) pixels of the reference's proxy; pool: a `map` that
    may run two calls side by side, each with a reader of its own; level: (2, 2) points to be found as well, or None.
    Returns (placed, sights): a list of Placed, or of a text that says why a photo could not be placed; and what was
    seen of corners that last, as (photo (m,), point (m,), at (m, 2) in the proxies' pixels).
    """
    view = _Views(grey())
    hold = np.asarray(hold, float)
    start = reduced(hold, view.reduction)
    level = None if level is None else reduced(level, view.reduction)
    sides = [(range(reference + 1, count), 1), (range(reference - 1, -1, -1), 2)]

    def walked(side):
        return _Side(_Views(grey()), reference, start, level, side[1] * SIDE_NUMBERS).walk(side[0])

    links, direct, reasons, patches, levels, sights = {}, {}, {}, {}, {reference: level}, []
    for side in pool(walked, sides):
        links |= side.links
        direct |= side.direct
        reasons |= side.reasons
        patches |= side.patches
        levels |= side.levels
        sights += side.sights
    placed = _solve(reference, start, links, direct, patches)
    result = []
    for k in range(count):
        if k in reasons:
            result.append(reasons[k])
            continue
        position, lean, scale = placed[k]
        link = direct.get(k)
        inliers = link.inliers if link else max((one.inliers for pair, one in links.items() if k in pair), default=0)
        likeness, sigma = (1.0, 0.0) if k == reference else patches[k][1:] if k in patches else (0.0, 1.0)
        seen = levels.get(k)
        seen = None if seen is None else view.to_proxy(seen)
        result.append(Placed(view.to_proxy(position), lean, scale, inliers, likeness, sigma * view.reduction, seen))
    return result, _lasting(sights, view)


def _lasting(sights, view):
    """What was seen of the corners that lasted: (photo, point, at) with at in the proxies' pixels."""
    sights = {k: (numbers, places) for k, numbers, places in sights}
    photo = np.concatenate([np.full(len(sights[k][0]), k) for k in sorted(sights)])
    number = np.concatenate([sights[k][0] for k in sorted(sights)])
    at = np.concatenate([sights[k][1] for k in sorted(sights)])
    _, number, times = np.unique(number, return_inverse=True, return_counts=True)
    lasting = times[number] >= min(LASTING, len(sights))
    _, point = np.unique(number[lasting], return_inverse=True)
    return photo[lasting], point, view.to_proxy(at[lasting])


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
    known = registration.spectrum(first)
    for k in looked:
        second = view.follow(k)
        best = None
        for shift in registration.coarse_shifts(known, registration.spectrum(second), first.shape):
            link, found, ok = registration.register(first, second, points, _shifted(shift), middle, width)
            if link and (best is None or link.inliers > best[0].inliers):
                best = link, found, ok
            if best and best[0].share > 0.6:
                break
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
    """Pictures for following, read when needed."""

    def __init__(self, grey):
        self.grey = grey
        self.reduction = max(1, -(-grey(0).shape[1] // FOLLOW_WIDTH))

    def pictures(self, k):
        """The proxy itself, and the picture in which corners are followed, both uint16."""
        grey = whole = self.grey(k)
        if self.reduction > 1:
            height, width = (n // self.reduction for n in grey.shape)
            cut = grey[: height * self.reduction, : width * self.reduction]
            grey = cv2.resize(cut, (width, height), interpolation=cv2.INTER_AREA)
        return whole, grey

    def follow(self, k):
        return registration.encode(self.pictures(k)[1])

    def to_proxy(self, point):
        return enlarged(point, self.reduction)


class _Key:
    """A photo from which corners are followed: points, float32 (n, 2), and the corners' numbers."""

    def __init__(self, photo, grey, level, points=None, numbers=None):
        self.photo, self.grey, self.level = photo, grey, level
        self.picture = registration.encode(grey, level)
        self.spectrum = registration.spectrum(self.picture)
        self.points, self.numbers = points, numbers


class _Side:
    """The photos on one side of the reference, walked outwards from it.

    Corners of the reference are looked for straight in every photo. Where the reference has none, or sees them no
    more, corners of a key photo are followed, and every few photos the last becomes the next key: it keeps the corners
    that have lasted, where they were found, and adds new ones in the gaps. So no corner is carried on from
    photo to photo, and each has a number of its own for as long as it lasts.
    """

    def __init__(self, view, reference, hold, level, first_number):
        self.view, self.reference, self.hold, self.level = view, reference, hold, level
        self.full, grey = view.pictures(reference)
        self.first = _Key(reference, grey, registration.bright_level(grey))
        self.own = self.first.points = registration.corners(self.first.picture)
        self.first.numbers = np.arange(len(self.own))
        self.reach = REACH * grey.shape[1]
        self.links, self.direct, self.reasons, self.patches, self.levels = {}, {}, {}, {}, {}
        self.sights = [(reference, self.first.numbers, self.first.points.astype(np.float64))]
        self.placed = {reference: np.eye(3)}
        self.next_number = first_number
        self.key = self.first

    def walk(self, side):
        for k in side:
            self._look(k, *self.view.pictures(k))
        return self

    def _look(self, k, full, grey):
        linked = self._link(k, grey)
        if linked is None:
            self.reasons[k] = "too little of it matches the other photos (covered, blurred or aimed elsewhere)"
            return
        source, level, picture, link, numbers, found = linked
        start = link.matrix @ self.placed[source.photo]
        self.links[source.photo, k] = link
        lasting, places = [numbers], [found]
        # What is told by the reference's own corners counts; the link was a first guess for them.
        straight = link
        if source is not self.first:
            straight, numbers, found = self._followed(self.first, picture, start)
        if straight and _holds(straight) and _agree(straight.matrix, start, self.hold, 6.0):
            self.direct[k] = straight
            start = straight.matrix
            lasting.append(numbers)
            places.append(found)
        lasting, one = np.unique(np.concatenate(lasting)[::-1], return_index=True)
        places = np.concatenate(places)[::-1][one]
        self.placed[k] = start
        patch = self._patch(full, start, self.hold)
        if patch:
            self.patches[k] = patch
        if self.level is not None:
            found = [self._patch(full, start, point) for point in self.level]
            if all(found):
                self.levels[k] = np.array([position for position, _, _ in found])
        if abs(k - self.key.photo) >= KEY_STEP:
            fresh = _in_gaps(registration.corners(picture), places, GAP * picture.shape[1])
            lasting = np.concatenate([lasting, self.next_number + np.arange(len(fresh))])
            places = np.concatenate([places, fresh])
            self.next_number += len(fresh)
            self.key = _Key(k, grey, level, places.astype(np.float32), lasting)
        self.sights.append((k, lasting, places.astype(np.float64)))

    def _link(self, k, grey):
        """The best link from the key photo, or else from the reference, and the corners that were followed."""
        before = min(self.placed, key=lambda j: abs(j - k))
        rough = registration.encode(grey)
        for source in (self.key, self.first)[: 1 if self.key is self.first else 2]:
            back = self.placed[before] @ np.linalg.inv(self.placed[source.photo])
            flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
            laid = cv2.warpPerspective(rough, back, rough.shape[::-1], flags=flags)
            shifts = registration.coarse_shifts(source.spectrum, registration.spectrum(laid), laid.shape)
            level = registration.level_like(source.grey, source.level, grey, back @ _shifted(shifts[0]))
            picture = registration.encode(grey, level)
            best = None
            # Something large in front may have shifts of its own: most photos are aimed about as the last one.
            for shift in (*shifts, (0.0, 0.0)):
                link, numbers, found = self._followed(source, picture, back @ _shifted(shift))
                if link and _holds(link) and (best is None or link.inliers > best[3].inliers):
                    best = source, level, picture, link, numbers, found
                if best and best[3].share > 0.6:
                    break
            if best:
                return best
        return None

    def _followed(self, source, picture, start):
        about = transfer(self.placed[source.photo], self.hold[None])[0]
        link, found, ok = registration.register(source.picture, picture, source.points, start, about, self.reach)
        if link and not _holds(link):
            # Where what is about the hold point is covered, the whole picture has to do.
            link = registration.fit(source.points[ok].astype(np.float64), found[ok], start, about, 4 * self.reach)
        return link, source.numbers[ok], found[ok]

    def _patch(self, full, matrix, point):
        """A point's surroundings, registered to the reference: (position, likeness, sigma), or None."""
        up = enlarging(self.view.reduction)
        down = np.linalg.inv(up)
        matrix, point = up @ matrix @ down, transfer(up, point[None])[0]
        predicted = transfer(matrix, point[None])[0]
        best = None
        for wide in WIDER:
            refined = registration.refine_patch(
                self.full, full, matrix, point, wide * PATCH * full.shape[1], float(wide)
            )
            near = refined and np.hypot(*(refined[0] - predicted)) < 4 * wide * self.view.reduction
            if near and refined[1] > MIN_LIKENESS and (best is None or refined[2] < best[2]):
                best = refined
            if best and best[2] < SURE * self.view.reduction:
                break
        if best is None:
            return None
        return transfer(down, best[0][None])[0], best[1], best[2] / self.view.reduction


def _in_gaps(points, taken, apart):
    """Those of the points that lie further than `apart` pixels from all that are taken."""
    if not len(taken) or not len(points):
        return points
    distance, _ = cKDTree(taken).query(points)
    return points[distance > apart]


def _solve(reference, hold, links, direct, patches):
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
        for k, (position, likeness, sigma) in patches.items():
            for axis in (0, 1):
                system.say({first[k] + axis: 1}, position[axis], max(sigma, 0.01) / likeness**4)
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
