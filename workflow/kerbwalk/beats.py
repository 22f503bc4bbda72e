"""Light that beats by itself, such as a sign's or a lamp's on the mains, from what many places have of it at once.

Each place takes its own share of a beat, so that beats are vectors of the table of places' changes from photo to photo.
What passes by makes such vectors as well, but not to and fro.
"""

import numpy as np

# So many of the strongest vectors are looked at.
TRIED = 4
# A beat goes to and fro if not one change in ten is beyond this many standard deviations (1.64 of a normal
# distribution), with no greater kurtosis than this (3 of a normal one): what passes comes and goes once.
SELDOM, KURTOSIS = 2.5, 8.0
# And it is most of what so many places change by: without it half of the usual change at the most is left, of places
# that change as much by it (log, RMS). Walkers and a walk's own changes are shared by chance, and by no place fully.
LEAST, LEFT, STRONG = 4, 0.5, 0.01
# A place is asked if it is seen in so many photos.
OFTEN = 8
# Changes above this (log) count as this; no place is known better than this.
MOST, FLOOR = 0.3, 2e-3
# From so many standard deviations on a change counts less.
END = 2.0
ROUNDS = 10


def changes(photo, point, value):
    """What places change by from one of the photos to the next: the later photo, the point, the change, (m,) each.

    photo, point: int (n,), one line a sight; value: (n,) log brightness, NaN where unknown.
    """
    known = np.isfinite(value)
    photo, point, value = photo[known], point[known], value[known]
    ordered = np.lexsort((photo, point))
    place = np.unique(photo[ordered], return_inverse=True)[1]
    follows = (np.diff(point[ordered]) == 0) & (np.diff(place) == 1)
    return photo[ordered][1:][follows], point[ordered][1:][follows], np.diff(value[ordered])[follows]


def found(count, photo, point, value):
    """The beats: (b, count), how each changes from photo to photo, RMS 1.

    count: of the photos; photo, point, value: as for changes(), without the photos' own brightness. The strongest
    vectors of a table with gaps, one after the other, by alternating least squares (Wiberg 1976, from memory) with
    Cauchy's weights; which of them beat is told by a method of our own.
    """
    photo, point, change = changes(photo, point, value)
    often = np.bincount(point, minlength=1)[point] >= OFTEN
    photo, point, change = photo[often], np.unique(point[often], return_inverse=True)[1], change[often]
    beats = []
    for _ in range(TRIED if len(change) else 0):
        swing, share = _strongest(count, photo, point, change)
        left = change - share[point] * swing[photo]
        usual, rest = (medians(point, np.abs(part)) for part in (change, left))
        size = np.abs(swing[np.unique(photo)])
        to_and_fro = np.quantile(size, 0.9) < SELDOM * 1.48 * np.median(size)
        to_and_fro &= (size**4).mean() < KURTOSIS * (size**2).mean() ** 2
        if to_and_fro and ((rest < LEFT * usual) & (np.abs(share) > STRONG)).sum() >= LEAST:
            beats.append(swing)
        change = left
    return np.array(beats).reshape(-1, count)


def shares(beats, points, photo, point, value):
    """How much of each beat each place takes: (points, b). beats: found(); points: how many; others as for found()."""
    photo, point, change = changes(photo, point, value)
    places, point = np.unique(point, return_inverse=True)
    result = np.zeros((points, len(beats)))
    for swing, column in zip(beats, result.T, strict=True):
        share = np.zeros(len(places))
        for _ in range(ROUNDS if len(places) else 0):
            weight = _weight(point, change - share[point] * swing[photo])
            share = _ratio(weight, swing[photo], change, point, len(places))
        change = change - share[point] * swing[photo]
        column[places] = share
    return result


def _strongest(count, photo, point, change):
    """The vector that most changes have a share of, (count,), and the shares, (points,)."""
    points = point.max() + 1
    size = np.sqrt(_mean(np.square(np.clip(change, -MOST, MOST)), point, points)) + FLOOR
    scaled = np.clip(change / size[point], -2, 2)
    # A photo in which all changes at once, as where a bus comes, is no more than any other.
    lively = np.sqrt(_mean(np.square(scaled), photo, count))
    even = np.minimum(1, np.median(lively[lively > 0]) / np.maximum(lively, 1e-9))[photo]
    table = np.zeros((count, points))
    table[photo, point] = even * scaled
    swing = np.linalg.svd(table, full_matrices=False)[0][:, 0]
    share = np.zeros(points)
    for _ in range(ROUNDS):
        weight = _weight(point, change - share[point] * swing[photo])
        share = _ratio(weight * np.square(even), swing[photo], change, point, points)
        swing = _ratio(weight, share[point], change, photo, count)
        swing /= np.sqrt(np.square(swing).mean()) + 1e-12
    return swing, share


def _mean(values, by, many):
    return np.bincount(by, values, many) / np.maximum(np.bincount(by, minlength=many), 1)


def _weight(point, error):
    """What each change counts: by what its place errs, and the less the farther off it is itself (Cauchy's weights)."""
    variance = np.square(1.4826 * medians(point, np.abs(error)) + FLOOR)[point]
    return 1 / (variance + np.square(error / END))


def _ratio(weight, factor, change, by, many):
    """Least squares of change = factor * x, an x for each of `many`; by: (m,), whose each change is."""
    return np.bincount(by, weight * factor * change, many) / (np.bincount(by, weight * factor**2, many) + 1e-12)


def medians(point, value):
    """The median of each point's values; all numbers up to the greatest are points."""
    order = np.lexsort((value, point))
    many = np.bincount(point)
    return value[order][np.cumsum(many) - many + many // 2]
