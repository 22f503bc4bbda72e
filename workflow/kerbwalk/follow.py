"""Follow corners that last over all photos of a shoot, from the reference outwards.

Corners are followed from the reference and from key photos near by, never from photo to photo, so that nothing drifts.
kerbwalk.track finds by them where the hold point lies, kerbwalk.cameras where the camera stood.
"""

from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.spatial import cKDTree

from kerbwalk import registration
from kerbwalk.homography import transfer
from kerbwalk.pixels import enlarged, enlarging, reduced

# Corners are followed at no more than this width.
FOLLOW_WIDTH = 1280
# A photo is laid on another by what lies within this part of the width about a point, if it can: here the reference's
# middle.
REACH = 0.18
# A key photo's corners are followed for so many photos; a corner has lasted when so many have seen it.
KEY_STEP = 6
LASTING = 4
# New corners keep away from those that are followed already by this part of the picture's width.
GAP = 1 / 60
# Where the corners' numbers of either side begin: far more than a photo has.
SIDE_NUMBERS = 10**6
# A corner that has no pace yet has that of so many next to it.
ABOUT = 5
MIN_INLIERS = 15
MIN_SHARE = 0.25
# Pixels by which a view straight to the reference may differ from the one by way of a key photo.
AGREE = 6.0


@dataclass
class Followed:
    """What was seen of corners that last, and how n photos lie on the reference, in the proxies' pixels.

    photo (m,), point (m,), at (m, 2): one line a sight, by photo and corner; source: (n,) the photo whose corners were
    followed into each, -1 where none of them were; direct: bool (n,), whether the reference's own were as well; lies:
    (n, 3, 3) about where the reference's points lie, NaN where source is -1.
    """

    photo: np.ndarray
    point: np.ndarray
    at: np.ndarray
    source: np.ndarray
    direct: np.ndarray
    lies: np.ndarray

    def numbered(self, number):
        """The same with photo k as photo number[k]; number: int (n,)."""
        order = np.argsort(number)
        source = np.where(self.source < 0, -1, number[self.source])[order]
        return replace(self, photo=number[self.photo], source=source, direct=self.direct[order], lies=self.lies[order])

    def enlarged(self, scale):
        """The same in pixels of which so many were averaged to one."""
        up = enlarging(scale)
        return replace(self, at=enlarged(self.at, scale), lies=up @ self.lies @ np.linalg.inv(up))

    def reduced(self, scale):
        """The same in pixels that are averages of so many."""
        up = enlarging(scale)
        return replace(self, at=reduced(self.at, scale), lies=np.linalg.inv(up) @ self.lies @ up)


def follow_shoot(grey, count, reference, pool=map):
    """Follow the corners of the reference, and further ones, over a shoot.

    grey: a function from a photo's index to its uint16 (h, w) proxy; count: number of photos; reference: index; pool:
    a `map` that may run two calls side by side. Returns Followed.
    """
    view = Views(grey)
    sides = [(range(reference + 1, count), 1), (range(reference - 1, -1, -1), 2)]
    source, direct = np.full(count, -1), np.zeros(count, bool)
    lies = np.full((count, 3, 3), np.nan)
    sights = {}
    for side in pool(lambda side: _Side(view, reference, side[1] * SIDE_NUMBERS).walk(side[0]), sides):
        sights |= side.sights
        for k, matrix in side.placed.items():
            lies[k], source[k], direct[k] = matrix, side.source[k], k in side.direct
    photos = sorted(sights)
    photo = np.repeat(photos, [len(sights[k][0]) for k in photos])
    number, at = (np.concatenate([sights[k][part] for k in photos]) for part in (0, 1))
    _, number, times = np.unique(number, return_inverse=True, return_counts=True)
    lasting = times[number] >= min(LASTING, len(sights))
    _, point = np.unique(number[lasting], return_inverse=True)
    return Followed(photo[lasting], point, at[lasting], source, direct, lies).enlarged(view.reduction)


def agree(one, other, point):
    """Whether two homographies lead a point (2,) to about the same place."""
    return np.hypot(*(transfer(one, point[None]) - transfer(other, point[None]))[0]) < AGREE


def fit(source, target, start, about, reach):
    """The Link that matches obey about a point, or, where what is about it is covered, in the whole picture; None where
    too few agree. All as for registration.fit.
    """
    for further in (1, 4) if len(source) >= MIN_INLIERS else ():
        link = registration.fit(source, target, start, about, further * reach)
        if link.inliers >= MIN_INLIERS and link.share >= MIN_SHARE:
            return link
    return None


def shifted(shift):
    """A shift (dx, dy) as a homography."""
    return np.array([[1, 0, shift[0]], [0, 1, shift[1]], [0, 0, 1]], float)


class Views:
    """Pictures for following, read when needed."""

    def __init__(self, grey):
        self.grey = grey
        self.reduction = max(1, -(-grey(0).shape[1] // FOLLOW_WIDTH))

    def picture(self, k):
        """The picture in which corners are followed, uint16."""
        grey = self.grey(k)
        if self.reduction == 1:
            return grey
        height, width = (n // self.reduction for n in grey.shape)
        cut = grey[: height * self.reduction, : width * self.reduction]
        return cv2.resize(cut, (width, height), interpolation=cv2.INTER_AREA)

    def encoded(self, k):
        return registration.encode(self.picture(k))


class _Key:
    """A photo from which corners are followed.

    points: float32 (n, 2); numbers: (n,), the corners'; pace: (n, 2) by how much each goes on from photo to photo
    beside what lies about the picture's middle, NaN where that is not known yet.
    """

    def __init__(self, photo, grey, level, points=None, numbers=None, pace=None):
        self.photo, self.grey, self.level = photo, grey, level
        self.picture = registration.encode(grey, level)
        self.spectrum = registration.spectrum(self.picture)
        self.points, self.numbers, self.pace = points, numbers, pace

    def aside(self, k):
        """How far from where the picture's middle leads each corner is thought to lie in photo k: (n, 2).

        An even walk moves what is nearer or further by as much at each step. A corner without a pace goes as those
        about it do.
        """
        known = np.isfinite(self.pace[:, 0])
        if not known.any():
            return np.zeros(self.pace.shape)
        pace = self.pace.copy()
        near = cKDTree(self.points[known]).query(self.points[~known], np.arange(min(ABOUT, known.sum())) + 1)[1]
        pace[~known] = np.median(self.pace[known][near], axis=1)
        return pace * (k - self.photo)

    def learn(self, k, matrix, ok, found):
        """The pace of corners that were found in photo k. ok: bool (n,), which; found: (m, 2), where."""
        self.pace[ok] = (transfer(np.linalg.inv(matrix), found) - self.points[ok]) / (k - self.photo)


class _Side:
    """The photos on one side of the reference, walked outwards from it.

    Corners of the reference are looked for straight in every photo. Where the reference has none, or sees them no
    more, corners of a key photo are followed, and every few photos the last becomes the next key: it keeps the corners
    that have lasted, where they were found, and adds new ones in the gaps. So no corner is carried on from
    photo to photo, and each has a number of its own for as long as it lasts.
    """

    def __init__(self, view, reference, first_number):
        self.view = view
        grey = view.picture(reference)
        self.first = _Key(reference, grey, registration.bright_level(grey))
        self.first.points = registration.corners(self.first.picture)
        self.first.numbers = np.arange(len(self.first.points))
        self.first.pace = np.full(self.first.points.shape, np.nan)
        self.middle = (np.array(grey.shape[::-1]) - 1) / 2
        self.reach = REACH * grey.shape[1]
        self.placed, self.source, self.direct = {reference: np.eye(3)}, {reference: reference}, {reference}
        self.sights = {reference: (self.first.numbers, self.first.points.astype(np.float64))}
        self.next_number = first_number
        self.key, self.last = self.first, None

    def walk(self, side):
        for k in side:
            self._look(k, self.view.picture(k))
        return self

    def _look(self, k, grey):
        linked = self._link(k, grey) or self._link_from_last(k, grey)
        if linked is None:
            return
        source, level, picture, link, ok, found = linked
        start = link.matrix @ self.placed[source.photo]
        source.learn(k, link.matrix, ok, found)
        lasting, places, pace = [source.numbers[ok]], [found], [source.pace[ok]]
        # What is told by the reference's own corners counts; the link was a first guess for them.
        straight = link
        if source is not self.first:
            straight, ok, found = self._followed(self.first, k, picture, start)
        if straight and agree(straight.matrix, start, self.middle):
            self.direct.add(k)
            start = straight.matrix
            self.first.learn(k, start, ok, found)
            lasting.append(self.first.numbers[ok])
            places.append(found)
            pace.append(self.first.pace[ok])
        lasting, one = np.unique(np.concatenate(lasting)[::-1], return_index=True)
        places, pace = (np.concatenate(parts)[::-1][one] for parts in (places, pace))
        self.placed[k], self.source[k] = start, source.photo
        self.sights[k] = lasting, places.astype(np.float64)
        self.last = k, grey, level, picture, lasting, places, pace
        if abs(k - self.key.photo) >= KEY_STEP:
            self._begin(self._key_of_last())

    def _begin(self, key):
        """Follow corners from a photo, all of which are seen in it."""
        self.key, self.last = key, None
        self.sights[key.photo] = key.numbers, key.points.astype(np.float64)

    def _key_of_last(self):
        """The last photo as a key, with the corners that have lasted and new ones in the gaps."""
        k, grey, level, picture, lasting, places, pace = self.last
        fresh = _in_gaps(registration.corners(picture), places, GAP * picture.shape[1])
        numbers = np.concatenate([lasting, self.next_number + np.arange(len(fresh))])
        self.next_number += len(fresh)
        places = np.concatenate([places, fresh])
        pace = np.concatenate([pace, np.full(fresh.shape, np.nan)])
        return _Key(k, grey, level, places.astype(np.float32), numbers, pace)

    def _link_from_last(self, k, grey):
        """What _link() gives once the last photo is the key; if that leads nowhere either, the key stays.

        Where much is near and deep, little obeys one homography over some steps, but enough does over one.
        """
        if self.last is None:
            return None
        kept, last = self.key, self.last
        self.key = self._key_of_last()
        if linked := self._link(k, grey):
            self._begin(self.key)
        else:
            self.key, self.last = kept, last
        return linked

    def _link(self, k, grey):
        """The best link from the key photo, or else from the reference, and the corners that were followed."""
        before = min(self.placed, key=lambda j: abs(j - k))
        rough = registration.encode(grey)
        for source in (self.key, self.first)[: 1 if self.key is self.first else 2]:
            back = self.placed[before] @ np.linalg.inv(self.placed[source.photo])
            flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
            laid = cv2.warpPerspective(rough, back, rough.shape[::-1], flags=flags)
            shifts = registration.coarse_shifts(source.spectrum, registration.spectrum(laid), laid.shape)
            level = registration.level_like(source.grey, source.level, grey, back @ shifted(shifts[0]))
            picture = registration.encode(grey, level)
            best = None
            # Something large in front may have shifts of its own: most photos are aimed about as the last one.
            for shift in (*shifts, (0.0, 0.0)):
                link, ok, found = self._followed(source, k, picture, back @ shifted(shift))
                # From a wrong start few come back, though what there is nothing to see of agrees with the start.
                if link and (best is None or link.inliers + len(found) > best[3].inliers + len(best[5])):
                    best = source, level, picture, link, ok, found
                if best and best[3].share > 0.6:
                    break
            if best:
                return best
        return None

    def _followed(self, source, k, picture, start):
        about = transfer(self.placed[source.photo], self.middle[None])[0]
        found, ok = registration.follow(source.picture, picture, source.points, start, source.aside(k))
        link = fit(source.points[ok].astype(np.float64), found[ok], start, about, self.reach)
        return link, ok, found[ok]


def _in_gaps(points, taken, apart):
    """Those of the points that lie further than `apart` pixels from all that are taken."""
    if not len(taken) or not len(points):
        return points
    distance, _ = cKDTree(taken).query(points)
    return points[distance > apart]
