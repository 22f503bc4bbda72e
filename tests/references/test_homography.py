"""Registration against pictures and a homography published by others: OpenCV's samples (Debian's opencv-doc).

graf1.png, graf3.png and H1to3p.xml: a painted wall from two sides, and the homography between the two as that file
gives it (first published with Mikolajczyk and others, "A comparison of affine region detectors", 2005; from memory).
leuvenA.jpg, leuvenB.jpg: a street of houses, photographed twice with the camera turned in between.
"""

import cv2
import numpy as np
import pytest

from kerbwalk import registration
from kerbwalk.homography import transfer


def grey(path):
    return cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)


@pytest.fixture(scope="module")
def wall(opencv_samples):
    """(first, second, published homography)."""
    file = cv2.FileStorage(str(opencv_samples / "H1to3p.xml"), cv2.FILE_STORAGE_READ)
    matrix = file.getFirstTopLevelNode().mat()
    return grey(opencv_samples / "graf1.png"), grey(opencv_samples / "graf3.png"), matrix


@pytest.mark.parametrize("off", [(0, 0), (6, -4), (-5, 5)])
def test_homography_of_the_wall(wall, off):
    """From a guess that is off by some pixels, 4 % in size and a degree, to the published one."""
    first, second, truth = wall
    centre = np.array([420.0, 330.0])
    turn, size = np.radians(1), 1.04
    about = transfer(truth, centre[None])[0]
    spin = np.array([[size * np.cos(turn), -size * np.sin(turn)], [size * np.sin(turn), size * np.cos(turn)]])
    guess = np.eye(3)
    guess[:2, :2], guess[:2, 2] = spin, about - spin @ about + off
    link, _, _ = registration.register(first, second, registration.corners(first), guess @ truth, centre, 130)
    assert link.inliers > 100
    near = centre + np.mgrid[-100:101:50, -100:101:50].reshape(2, -1).T
    error = np.hypot(*(transfer(link.matrix, near) - transfer(truth, near)).T)
    # The published matrix is itself good to about a pixel.
    assert np.sqrt(np.mean(error**2)) < 1.2


def test_patches_of_the_wall(wall):
    """Single points, refined from the published homography, stay within its own precision of it."""
    first, second, truth = wall
    found = []
    for point in registration.corners(first)[:200:4].astype(float):
        refined = registration.refine_patch(np.float32(first), np.float32(second), truth, point, 20, 1.5)
        if refined and refined[1] > 0.9:
            found.append(refined[0] - transfer(truth, point[None])[0])
    assert len(found) > 15
    assert np.median(np.hypot(*np.array(found).T)) < 1.0


def test_a_street_seen_under_another_aim_and_exposure(opencv_samples):
    """The camera is turned by a third of the picture. There is no published truth: SIFT with RANSAC, OpenCV's own, is
    the other method; there and back is the second check; and a picture two stops darker must not matter.
    """
    first, second = (grey(opencv_samples / name) for name in ("leuvenA.jpg", "leuvenB.jpg"))
    centre = np.array([370.0, 210.0])
    near = centre + np.mgrid[-60:61:30, -60:61:30].reshape(2, -1).T
    sift = sift_homography(first, second)
    links = []
    for level in (200, 50):
        one, other = (registration.encode(p.astype(np.uint16) * n) for p, n in ((first, 200), (second, level)))
        points, reach = registration.corners(one), 0.18 * one.shape[1]
        shifts = registration.coarse_shifts(*map(registration.spectrum, (one, other)), one.shape)
        starts = [np.array([[1, 0, dx], [0, 1, dy], [0, 0, 1]]) for dx, dy in shifts]
        found = [registration.register(one, other, points, start, centre, reach)[0] for start in starts]
        link = max((f for f in found if f), key=lambda f: f.inliers)
        assert link.inliers >= 30 and link.share > 0.5
        where = transfer(link.matrix, centre[None])[0]
        start = np.linalg.inv(link.matrix)
        back, _, _ = registration.register(other, one, registration.corners(other), start, where, reach)
        returned = transfer(back.matrix @ link.matrix, near) - near
        assert np.sqrt(np.mean((returned**2).sum(1))) < 1.0
        links.append(transfer(link.matrix, near))
    assert np.abs(links[0] - links[1]).max() < 0.1
    assert np.median(np.hypot(*(links[0] - transfer(sift, near)).T)) < 2.0


def sift_homography(first, second):
    """Homography by Lowe's features and ratio test (2004), fitted by RANSAC."""
    finder = cv2.SIFT_create()
    (ours, describe_ours), (theirs, describe_theirs) = (finder.detectAndCompute(p, None) for p in (first, second))
    pairs = cv2.BFMatcher().knnMatch(describe_ours, describe_theirs, k=2)
    good = [best for best, other in pairs if best.distance < 0.7 * other.distance]
    source, target = np.array([ours[m.queryIdx].pt for m in good]), np.array([theirs[m.trainIdx].pt for m in good])
    return cv2.findHomography(source, target, cv2.RANSAC, 3.0)[0]


@pytest.mark.parametrize("name", ["graf1.png", "leuvenA.jpg", "leuvenB.jpg"])
@pytest.mark.parametrize("seed", [1, 2])
def test_real_photos_under_a_known_warp(opencv_samples, name, seed):
    """A tenth of a pixel over the whole frame: aimed again, rolled, a step nearer, exposed otherwise, and noisy."""
    rng = np.random.default_rng(seed)
    picture = grey(opencv_samples / name)
    height, width = picture.shape
    size, roll = 1 + rng.uniform(-0.04, 0.04), np.radians(rng.uniform(-1, 1))
    aside = rng.uniform(-0.015, 0.015, 2) * width
    turn = size * np.array([[np.cos(roll), -np.sin(roll)], [np.sin(roll), np.cos(roll)]])
    middle = np.array([width, height]) / 2
    truth = np.eye(3)
    truth[:2, :2], truth[:2, 2] = turn, middle - turn @ middle + aside
    truth[2, :2] = rng.uniform(-1, 1, 2) * 0.02 / width
    linear = (picture.astype(np.float32) / 255) ** 2.2 * 20000
    seen = [linear, 0.6 * cv2.warpPerspective(linear, truth, (width, height), flags=cv2.INTER_LANCZOS4)]
    first, second = (
        registration.encode(np.clip(rng.poisson(np.clip(p, 0, None) / 4) * 4, 0, 65535).astype(np.uint16)) for p in seen
    )
    start = np.array([[1, 0, aside[0] + 4], [0, 1, aside[1] - 5], [0, 0, 1]])
    link, _, _ = registration.register(first, second, registration.corners(first), start, middle, width)
    places = np.mgrid[0:width:40, 0:height:40].reshape(2, -1).T.astype(float)
    inside = ((transfer(truth, places) >= 0) & (transfer(truth, places) < (width, height))).all(1)
    error = np.hypot(*(transfer(link.matrix, places[inside]) - transfer(truth, places[inside])).T)
    assert np.sqrt(np.mean(error**2)) < 0.1


def test_corners_of_the_wall_by_the_published_homography(wall):
    """The mean distance of the first picture's corners, as the literature states it. OpenCV's own way (SIFT, RANSAC) is
    the first guess, and the other method.
    """
    first, second, truth = wall
    height, width = first.shape
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], float)

    def off(matrix):
        return np.hypot(*(transfer(matrix, corners) - transfer(truth, corners)).T).mean()

    sift = sift_homography(first, second)
    link, _, _ = registration.register(first, second, registration.corners(first), sift, (width / 2, height / 2), width)
    print(f"mean corner error: {off(link.matrix):.2f} px; SIFT with RANSAC: {off(sift):.2f} px")
    assert off(link.matrix) < min(1.5, off(sift))
