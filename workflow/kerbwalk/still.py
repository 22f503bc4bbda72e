"""Where a graded still lies on the picture that it was made from, and pairs of colours of the two."""

import cv2
import numpy as np

# Pictures are compared this wide at most.
SIDE = 1600
# Matched corners, and likeness of what is finer than a fiftieth of the picture, that a still of the scene has.
ENOUGH, LIKE = 30, 0.3
# Sigma, in pixels, of what is blurred before colours are compared: what resampling and JPEG's coarser colour do to
# edges and grain is no grade.
BLUR = 1.5
GRID = 700


def registered(before, after):
    """The still laid on the picture that it was made from.

    before, after: float32 (h, w, 3), signals. A still of the same size is taken as it is; one that was scaled or
    cropped is found by SIFT corners (Lowe 2004) and RANSAC over similarities (Fischler & Bolles 1981).
    Returns both at one size, float32 (h, w, 3); bool (h, w): where the still has anything; and whether one of them was
    resampled. Raises ValueError with what is wrong.
    """
    if after.std() < 0.002 or after.mean() < 0.002:
        raise ValueError("is all of one tone, with nothing in it to compare with")
    if before.shape == after.shape and likeness(before, after) > LIKE:
        return before, after, np.ones(before.shape[:2], bool), False
    small, _ = reduced(before, min(1.0, SIDE / max(before.shape)))
    still, _ = reduced(after, min(1.0, SIDE / max(after.shape)))
    found = similarity(small, still)
    if found is None:
        raise ValueError("does not show the scene of the reference photo")
    # Whichever has the coarser pixels sets the size, so that neither is asked for detail that it has not.
    scale = np.hypot(*found[:, 0])
    if scale < 1:
        small, more = reduced(small, scale)
        found = found @ np.array([[1 / more, 0, 0.5 / more - 0.5], [0, 1 / more, 0.5 / more - 0.5], [0, 0, 1]])
    elif scale > 1:
        still, more = reduced(still, 1 / scale)
        found = np.array([[more, 0, 0.5 * more - 0.5], [0, more, 0.5 * more - 0.5]]) @ np.vstack([found, [0, 0, 1]])
    found = refined(small, still, found)
    size = small.shape[1], small.shape[0]
    laid = cv2.warpAffine(still, found, size, flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP)
    inside = cv2.warpAffine(np.ones(still.shape[:2], np.float32), found, size, flags=1 | cv2.WARP_INVERSE_MAP) > 0.999
    inside = cv2.erode(inside.astype(np.uint8), np.ones((11, 11))) > 0
    if likeness(small * inside[..., None], laid * inside[..., None]) < LIKE:
        raise ValueError("does not show the scene of the reference photo")
    return small, laid, inside, True


def softened(picture):
    """A picture as its colours are compared."""
    return cv2.GaussianBlur(picture, (0, 0), BLUR)


def reduced(picture, factor):
    """A picture at a factor of at most 1, by area, and the factor that it came to across."""
    if factor >= 1:
        return picture, 1.0
    width, height = (max(1, round(n * factor)) for n in picture.shape[1::-1])
    return cv2.resize(picture, (width, height), interpolation=cv2.INTER_AREA), width / picture.shape[1]


def similarity(before, after):
    """The similarity, 2x3, from one picture's pixels to the other's, or None."""
    cv2.setRNGSeed(1)
    sift = cv2.SIFT_create(6000)
    places, words = zip(*(sift.detectAndCompute(_grey(p), None) for p in (before, after)), strict=True)
    if any(w is None or len(w) < ENOUGH for w in words):
        return None
    pairs = cv2.BFMatcher().knnMatch(words[0], words[1], k=2)
    good = [m for m, n in pairs if m.distance < 0.8 * n.distance]
    if len(good) < ENOUGH:
        return None
    one = np.float32([places[0][m.queryIdx].pt for m in good])
    other = np.float32([places[1][m.trainIdx].pt for m in good])
    found, kept = cv2.estimateAffinePartial2D(one, other, ransacReprojThreshold=2.0, maxIters=5000)
    return None if found is None or kept.sum() < ENOUGH else found


def refined(before, after, found):
    """An affine map as near as the pixels tell, by ECC (Evangelidis & Psarakis 2008); both of one pixel size."""
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 60, 1e-6)
    greys = [picture.mean(axis=2) for picture in (before, after)]
    try:
        return cv2.findTransformECC(*greys, found.astype(np.float32), cv2.MOTION_AFFINE, stop, None, 3)[1]
    except cv2.error:  # it did not converge: what the corners say holds
        return found


def likeness(before, after):
    """Correlation of what two pictures of one size show in detail, whatever their tones: 0 to 1."""
    details = []
    for picture in (before, after):
        grey = _grey(reduced(picture, min(1.0, 800 / max(picture.shape)))[0]).astype(np.float32)
        soft = cv2.GaussianBlur(grey, (0, 0), max(grey.shape) / 50)
        detail = grey - soft
        details.append(detail / np.sqrt(cv2.GaussianBlur(detail * detail, (0, 0), max(grey.shape) / 50) + 4))
    one, other = details
    return float((one * other).sum() / np.sqrt((one * one).sum() * (other * other).sum() + 1e-9))


def pairs(before, after, inside):
    """Colours of the same points: before and after, float32 (n, 3), and how far each pair can be trusted, (n,).

    On a grid; less trusted where the picture is steep, as a small error of place is there one of colour.
    """
    step = max(1, round(max(before.shape) / GRID))
    steep = np.hypot(*(cv2.Sobel(before.mean(axis=2), cv2.CV_32F, *d) / 8 for d in ((1, 0), (0, 1))))
    here = np.s_[step // 2 :: step, step // 2 :: step]
    kept = inside[here]
    trust = 1 / (1 + np.square(steep[here] / 0.02))
    return before[here][kept], after[here][kept], trust[kept]


def _grey(picture):
    """8-bit grey with its tones spread evenly, so that a grade matters little."""
    grey = np.uint8(np.clip(picture.mean(axis=2), 0, 1) * 255)
    return cv2.createCLAHE(4.0, (8, 8)).apply(grey)
