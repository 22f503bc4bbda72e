"""Where the hold point lies in every photo of a shoot, and how the upright through it leans.

Its surroundings are registered straight to the reference; links by the corners that kerbwalk.follow has followed say
about where, and carry it over where the direct view is blocked. One robust least-squares solve over all links then
places all photos at once, so that nothing is chained and nothing drifts.
"""

from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.sparse import linalg

from kerbwalk import follow, registration
from kerbwalk.homography import jacobian, transfer
from kerbwalk.pixels import enlarged, enlarging, reduced

# Half the side of what is registered about the hold point, as a part of the width.
PATCH = 0.035
# Where the hold point itself is covered, or known to less than this (pixels), its wider surroundings are tried.
WIDER = (1, 2, 4)
SURE = 0.04
MIN_LIKENESS = 0.75
# Where a hold point is chosen, a corner that is so far off the motion of the whole counts little, and a place whose
# corners move apart by so much counts half (parts of the width).
ASIDE, APART = 0.0025, 0.0004
# Who aims at a place keeps it within this part of the width in the photos as taken; what is led off by so much over
# half of the walk counts half, as to hold it would cost that much picture.
STAYS, LED = 0.03, 0.1
# A place that scores less than this part of the best one is none to choose: such are off by tens of pixels.
WORTH = 0.1
# What is read off by hand is right to so much of the width and height at least.
READ = 0.01
UNKNOWN = "too little of it matches the other photos (covered, blurred or aimed elsewhere)"


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

    def matrix(self, hold):
        """About where what lies about the reference's hold point (2,) lies in the photo: 3x3."""
        return similar(self.lean, self.scale, hold, self.hold)


def place(grey, followed, reference, hold, pool=map, level=None):
    """Place every photo of a shoot against the reference.

    grey: a function from a photo's index to its uint16 (h, w) proxy; followed: follow.Followed; reference: index; hold:
    (2,) pixels of the reference's proxy; pool: a `map` that may look at several photos side by side; level: (2, 2)
    points to be found as well, or None.
    Returns a list of Placed, or of a text that says why a photo could not be placed.
    """
    reduction = follow.Views(grey).reduction
    start = reduced(hold, reduction)
    full, up = grey(reference), enlarging(reduction)
    reach = follow.REACH * full.shape[1] / reduction
    links, direct, lies = _linked(followed.reduced(reduction), reference, start, reach)
    points = [np.asarray(point, float) for point in (hold, *([] if level is None else level))]

    def seen(k):
        matrix, picture = up @ lies[k] @ np.linalg.inv(up), grey(k)
        return [_patch(full, picture, matrix, point, reduction) for point in points]

    others = [k for k in lies if k != reference]
    patches = {reference: [(point, 1.0, 0.0) for point in points]} | dict(zip(others, pool(seen, others), strict=True))
    told = {
        k: (reduced(own[0], reduction), own[1], own[2] / reduction)
        for k, (own, *_) in patches.items()
        if own and k != reference
    }
    placed = _solve(reference, start, links, direct, told)
    result = []
    for k in range(len(followed.source)):
        if k not in placed:
            result.append(UNKNOWN)
            continue
        position, lean, scale = placed[k]
        link, (patch, *levels) = direct.get(k), patches[k]
        inliers = link.inliers if link else max((one.inliers for pair, one in links.items() if k in pair), default=0)
        likeness, sigma = patch[1:] if patch else (0.0, float(reduction))
        levels = np.array([one[0] for one in levels]) if levels and all(levels) else None
        result.append(Placed(enlarged(position, reduction), lean, scale, inliers, likeness, sigma, levels))
    return result


def reread(first, second, hold, read, lean, scale, reach):
    """Where the hold point lies in a photo in which somebody has read it off: (2,) pixels of its proxy.

    first, second: proxies of the reference and the photo; hold: (2,) in the one; read: (2,) in the other; lean, scale:
    of the photo, see Placed; reach: (2,) how far off that may be. A hand does not read to a part of a pixel, so what
    looks like the reference within reach is what was meant; where nothing does, `read` is. From the widest
    surroundings, which are found from further off, to the narrowest.
    """
    read = found = np.asarray(read, float)
    for wide in reversed(WIDER):
        about = similar(lean, scale, hold, found)
        refined = registration.refine_patch(first, second, about, hold, wide * PATCH * first.shape[1], float(wide))
        if refined and refined[1] > MIN_LIKENESS and (np.abs(refined[0] - read) < reach).all():
            found = refined[0]
    return found


def similar(lean, scale, start, end):
    """The 3x3 matrix that turns by `lean` (radians, see Placed), enlarges, and takes start (2,) to end (2,)."""
    turn = scale * np.array([[np.cos(lean), -np.sin(lean)], [np.sin(lean), np.cos(lean)]])
    return np.vstack([np.column_stack([turn, end - turn @ start]), [0, 0, 1]])


def exactness(point):
    """How exactly two fractions were read off: one of the last decimal with which they are written, at most READ."""
    return min(0.1 ** max(len(f"{part:.6f}".rstrip("0").partition(".")[2]) for part in point), READ)


def choose_hold(followed, size, reference):
    """A point of the reference that can be held: a sharp, lasting structure of one depth, not far from the middle.

    followed: follow.Followed; size: (2,) of the proxies, pixels; reference: index.
    Returns candidates, best first: a list of (position (2,) in the reference's proxy pixels, score 0..1).
    A place scores by how many corners about it last, in how many of some photos spread over the shoot, agreeing with
    the motion of the whole, or staying where the photos as taken have them, as a monument does before houses; it loses
    towards the picture's edges, where the walk leads it off, and where its corners do not move as one. Of photos some
    steps apart, a patch in which two depths meet follows neither.
    """
    size, own = np.asarray(size, float), followed.photo == reference
    points, radius = followed.at[own], PATCH * size[0]
    near = np.exp(-((points[:, None] - points[None]) ** 2).sum(2) / (2 * (radius / 2) ** 2))
    placed = np.flatnonzero(followed.source >= 0)
    looked = [k for k in np.unique(placed[np.linspace(0, len(placed) - 1, 9).astype(int)]) if k != reference]
    lasting, apart = np.zeros(len(points)), np.zeros((len(looked), len(points)))
    pace = np.full(apart.shape, np.nan)
    for row, k in enumerate(looked):
        there = followed.photo == k
        _, one, other = np.intersect1d(followed.point[own], followed.point[there], return_indices=True)
        at = followed.at[there][other]
        off, led = at - transfer(followed.lies[k], points[one]), np.hypot(*(at - points[one]).T) / size[0]
        agrees, stays = np.exp(-(off**2).sum(1) / (ASIDE * size[0]) ** 2), np.exp(-((led / STAYS) ** 2))
        lasting[one] += np.maximum(agrees, stays) / len(looked)
        pace[row, one] = led / abs(k - reference)
        apart[row] = _apart(points[one] / radius, off, near[:, one])
    central = np.exp(-((((points - size / 2) / (0.22 * size[0])) ** 2).sum(1)) / 2)
    inside = ((points > 2 * radius) & (points < size - 2 * radius)).all(1)
    score = (near @ (lasting + 1e-3)) * central * inside
    if looked:
        score /= 1 + (np.median(apart, axis=0) / (APART * size[0])) ** 2
        score /= 1 + (_usual(pace) * len(followed.source) / 2 / LED) ** 2
    chosen, top = [], score.max(initial=0)
    for k in np.argsort(-score, kind="stable"):
        if score[k] > WORTH * top and all(np.hypot(*(points[k] - points[j])) > 4 * radius for j in chosen):
            chosen.append(k)
        if len(chosen) == 5:
            break
    if not chosen:
        return [((size - 1) / 2, 0.0)]
    return [(points[k], float(score[k] / top)) for k in chosen]


def _usual(pace):
    """The median of what is known of each, (rows, n): (n,), 0 where nothing is."""
    known = np.isfinite(pace).any(0)
    usual = np.zeros(pace.shape[1])
    usual[known] = np.nanmedian(pace[:, known], axis=0)
    return usual


def _apart(points, off, near):
    """How far what is seen about each of n places moves apart: the RMS of what an affine map leaves.

    points, off: (m, 2) corners, and by how much they are off; near: (n, m) what each of them has to say about a place.
    Of three corners or fewer nothing is left.
    """
    ones = np.column_stack([points, np.ones(len(points))])
    normal = (near @ (ones[:, :, None] * ones[:, None]).reshape(-1, 9)).reshape(-1, 3, 3)
    right = (near @ (ones[:, :, None] * off[:, None]).reshape(-1, 6)).reshape(-1, 3, 2)
    left = near @ (off**2).sum(1) - (right * np.linalg.solve(normal + 1e-6 * np.eye(3), right)).sum((1, 2))
    return np.sqrt(np.maximum(left, 0) / np.maximum(near.sum(1) - 3, 0.5))


def _linked(followed, reference, hold, reach):
    """Links about the hold point, by the corners that two photos share.

    Returns ({(source, k): Link}, {k: Link straight from the reference}, {k: about where the reference's points lie}),
    with nothing of photos that cannot be placed.
    """
    count = len(followed.source)
    own = (followed.photo == k for k in range(count))
    sights = [(followed.point[lines], followed.at[lines]) for lines in own]
    links, direct, lies = {}, {}, {reference: np.eye(3)}

    def link(i, k, start):
        _, one, other = np.intersect1d(sights[i][0], sights[k][0], assume_unique=True, return_indices=True)
        about = transfer(lies[i], hold[None])[0]
        return follow.fit(sights[i][1][one], sights[k][1][other], start, about, reach)

    waiting = [k for k in range(count) if k != reference]
    while ready := [k for k in waiting if followed.source[k] in lies]:
        waiting = [k for k in waiting if k not in ready]
        for k in ready:
            source = followed.source[k]
            near = link(source, k, followed.lies[k] @ np.linalg.inv(followed.lies[source]))
            if near is None:
                continue
            links[source, k], lies[k] = near, near.matrix @ lies[source]
            straight = near if source == reference else link(reference, k, lies[k]) if followed.direct[k] else None
            if straight and follow.agree(straight.matrix, lies[k], hold):
                direct[k], lies[k] = straight, straight.matrix
    return links, direct, lies


def _patch(first, second, matrix, point, reduction):
    """A point's surroundings, registered to the reference: (position, likeness, sigma), or None.

    first, second: proxies of the reference and the photo; matrix: about where the one's points lie in the other; point:
    (2,); reduction: the proxies' pixels to a pixel of the pictures in which corners were followed.
    """
    predicted = transfer(matrix, point[None])[0]
    best = None
    for wide in WIDER:
        refined = registration.refine_patch(first, second, matrix, point, wide * PATCH * first.shape[1], float(wide))
        near = refined and np.hypot(*(refined[0] - predicted)) < 4 * wide * reduction
        if near and refined[1] > MIN_LIKENESS and (best is None or refined[2] < best[2]):
            best = refined
        if best and best[2] < SURE * reduction:
            break
    return best


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
            for part, value in zip((2, 3), turned(slope, lean), strict=True):
                system.say({first[j] + part: 1, first[i] + part: -1}, value, sigma / (0.15 * follow.FOLLOW_WIDTH))
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
    """First estimates, by going from link to link as they were found, outwards from the reference."""
    estimate = {reference: (hold, 0.0, 0.0)}
    for i, j in links:
        if i in estimate and j not in estimate:
            position, lean, scale = estimate[i]
            slope = jacobian(links[i, j].matrix, position)
            turn, stretch = turned(slope, lean)
            estimate[j] = (transfer(links[i, j].matrix, position[None])[0], lean + turn, scale + stretch)
    return estimate


def turned(slope, lean):
    """How a link turns and stretches the upright that leans by `lean` in its first picture."""
    before = np.array([-np.sin(lean), np.cos(lean)])
    after = slope @ before
    return float(np.arctan2(-after[0], after[1]) - lean), float(np.log(np.hypot(*after)))
