"""Straight edges in a photo: they are what shows first where local shifts bend the picture."""

import cv2
import numpy as np

# Edges are looked for in every so many photos, in a picture of this longer side, and are at least this part of it long.
EVERY = 3
SIDE = 800
SHORT = 0.03
# So many, the longest, are kept: what they are compared for (kerbwalk.lines) grows by more than their square.
MOST = 300
# Edges are one where they lie on one line but for this part of that side and this angle (radians), with no more than
# this part of it between them: lamp posts and people stand before what is one.
BESIDE, ASKEW, GAP = 0.0015, 0.02, 0.1


def looked_at(count):
    """In which of so many photos edges are looked for: their indices."""
    return np.unique(np.append(np.arange(0, count, EVERY), count - 1))


def found(picture):
    """Straight edges of a picture, uint8 (h, w): (e, 2, 2) both ends' x, y in its pixels, the longest first.

    LSD (Grompone von Gioi et al. 2012, "LSD: a line segment detector"), OpenCV's, in a small picture: what is long is
    seen there as well. What one thing interrupts is joined.
    """
    height, width = picture.shape
    scale = SIDE / max(width, height)
    small = cv2.resize(picture, (round(width * scale), round(height * scale)), interpolation=cv2.INTER_AREA)
    seen = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD).detect(small)[0]
    seen = np.zeros((0, 2, 2)) if seen is None else seen.reshape(-1, 2, 2).astype(float)
    seen = seen[_length(seen) > SHORT * SIDE]
    whole = joined(seen[np.argsort(-_length(seen), kind="stable")])
    return (whole[np.argsort(-_length(whole), kind="stable")[:MOST]] + 0.5) / scale - 0.5


def joined(edges):
    """Edges (e, 2, 2), those on one line with little between them as one; each takes what follows it in the list."""
    left, whole = np.ones(len(edges), bool), []
    for k in range(len(edges)):
        if not left[k]:
            continue
        start, end = edges[k]
        left[k] = False
        while True:
            length = np.hypot(*(end - start))
            along = (end - start) / length
            across = np.array([-along[1], along[0]])
            beside = np.abs((edges - start) @ across).max(axis=1)
            askew = np.abs((edges[:, 1] - edges[:, 0]) @ across) / _length(edges)
            way = (edges - start) @ along
            apart = np.maximum(way.min(axis=1) - length, -way.max(axis=1))
            one = left & (beside < BESIDE * SIDE) & (askew < ASKEW) & (apart < GAP * SIDE)
            if not one.any():
                break
            left &= ~one
            ends = np.vstack([start, end, edges[one].reshape(-1, 2)])
            middle = ends.mean(axis=0)
            along = np.linalg.svd(ends - middle)[2][0]
            way = (ends - middle) @ along
            start, end = middle + along * way.min(), middle + along * way.max()
        whole.append((start, end))
    return np.array(whole).reshape(-1, 2, 2)


def _length(edges):
    return np.hypot(*(edges[:, 1] - edges[:, 0]).T)
