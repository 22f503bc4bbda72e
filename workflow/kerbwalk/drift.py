"""What small errors of links between neighbours add up to over a walk, as the places that last through it tell."""

import cv2
import numpy as np
from scipy.linalg import block_diag

from kerbwalk.beats import medians
from kerbwalk.light import BLOCK

# A place is a square of the light proxy about a corner, this many pixels a side, all of it usable.
SIDE = 2 * BLOCK + 3
# The drift bends every so many photos; how much from one bend to the next: its slope, and that slope's change (log).
KNOTS, SLOPE, BEND = 10, 2e-2, 1e-2
# And by how much links may be wrong where something that lights much of the picture comes or goes (log); below the
# other they err no more there than elsewhere, and a drift without jumps is known better.
JUMP, CLEAR = 0.01, 5e-3
# Places seen in fewer photos are left out: in most of these they may have been lit by something else.
OFTEN = 8
# Of more sights than this some are left out, evenly. What is seen in one photo errs together: so many count as one.
MOST, TOGETHER = 20_000, 4
# A place says the less the less evenly it shines beyond so much (log), as what lies behind an edge, or a lamp's glow,
# moves across it.
UNEVEN = 4e-3
# Vignetting that the lens may have (log, at the corner).
VIGNETTING = 0.3
# Standard deviation of a beat in a photo, where its changes have 1.
BEAT = 0.7
# Tukey's biweight ends here at first, and at last at so many standard deviations, or no nearer than this (log).
FAR, END, NEAR = 0.1, 2.5, 0.01


def brightness(frame, at):
    """How bright places of a laid photo are: log e (m,), NaN where not all of one is usable.

    frame: light.Frame; at: (m, 2), their middles, pixels of the laid light proxy.
    """
    places = np.float32(at)[None]
    good = cv2.erode((frame.grey > 0).view(np.uint8), np.ones((SIDE, SIDE), np.uint8), borderValue=0)
    grey = cv2.blur(cv2.max(frame.grey, 0), (SIDE, SIDE), borderType=cv2.BORDER_CONSTANT)
    grey, good = (cv2.remap(part, places, None, cv2.INTER_LINEAR)[0] for part in (grey, np.float32(good)))
    return np.where(good > 0.999, np.log(np.maximum(grey, 1e-3)), np.nan)


def drift(levels, photo, point, value, rim, rounds=30, lit=None, lens=None, shares=None):
    """How far levels have drifted from what lasting places show: log e, to be added, its mean zero; and the vignetting.

    levels: (n,) log brightness of the photos, NaN where unknown; one line a sight: photo, point int (m,); value (m,)
    log brightness of the place, NaN where unknown; rim (m,), its squared distance from the lens's axis, 1 in the
    corner; rounds: a third of them suffice for the vignetting; lit: bool (n,), photos that something that passes lights
    much, or None where nothing does; lens: the vignetting that links tell, and its standard deviation
    (light.vignetting), or None: where all moves outwards, as in a street that is walked along, places alone cannot tell
    vignetting from a drift; shares: (points, b), how much of each beat places take (beats.shares), or None. Returns
    (n,) and the lens's vignetting (log e, at the corner).
    Least squares with one brightness for each place, which is eliminated, the lens's vignetting, each beat in each
    photo, as what beats has slow waves too, and a drift that changes slowly, so that what the links say from photo to
    photo stays; but it may jump where photos begin or cease to be lit, of which links take some light for a gain. What
    is seen in these does not count. Tukey's biweight (Beaton & Tukey 1974), drawn in step by step (graduated
    non-convexity, Blake & Zisserman 1987), leaves out whoever stands before a place and what lights it for a while; and
    each place counts by how evenly it shines (iteratively reweighted).
    """
    count = len(levels)
    lit = np.zeros(count, bool) if lit is None else lit
    value = value - levels[photo]
    known = np.isfinite(value) & ~lit[photo]
    often = np.bincount(point[known], minlength=point.max(initial=0) + 1) >= min(OFTEN, count)
    known &= often[point]
    some = np.flatnonzero(known)[:: 1 + known.sum() // MOST]
    photo, value, rim = photo[some], value[some], rim[some]
    places, point = np.unique(point[some], return_inverse=True)
    hats, stiff = _stretches(lit)
    every, beats = np.eye(count), () if shares is None else shares[places].T
    expected, doubt = lens or (0.0, VIGNETTING)
    prior = block_diag(stiff + 1 / SLOPE**2 / count, *(every / BEAT**2 for _ in beats), 1 / doubt**2)
    right = np.append(np.zeros(len(prior) - 1), -expected / doubt**2)
    parts = [(hats, np.ones(len(point))), *((every, share[point]) for share in beats)]
    many, middle = np.bincount(point), medians(point, value)
    value = value - middle[point]
    answer, own, end = np.zeros(len(prior)), np.zeros(len(many)), FAR
    ends = np.cumsum([hat.shape[1] for hat, _ in parts])[:-1]
    for _ in range(rounds if len(value) else 0):
        error = value - own[point] - rim * answer[-1]
        for (hat, share), found in zip(parts, np.split(answer[:-1], ends), strict=True):
            error -= share * (hat @ found)[photo]
        weight = np.square(np.maximum(1 - np.square(error / end), 0))
        uneven = np.bincount(point, np.minimum(np.square(error), end**2)) / many
        weight *= (UNEVEN**2 / (UNEVEN**2 + uneven))[point]
        normal, mean = eliminated(photo, point, weight, np.column_stack([rim, value]), parts)
        normal[:-1] += TOGETHER * UNEVEN**2 * np.column_stack([prior, right])
        was, answer = answer, np.linalg.solve(normal[:-1, :-1], normal[:-1, -1])
        own = mean[:, -1] - mean[:, :-1] @ answer
        if end < FAR and np.abs(was - answer).max() < 2e-5:
            break
        spread = 1.4826 * np.median(np.abs(error[weight > 0])) if weight.any() else 0.0
        end = max(0.65 * end, END * spread, NEAR)
    found = hats @ answer[: len(stiff)]
    return found - (found[np.isfinite(levels)].mean() if np.isfinite(levels).any() else 0.0), -float(answer[-1])


def jump(found, lit):
    """How far a drift (n,) jumps at most where photos begin or cease to be lit, bool (n,): log e, 0 where none do."""
    return np.abs(np.diff(found))[np.diff(lit)].max(initial=0.0)


def _stretches(lit):
    """What a drift is made of, and how stiff it is: hats (n, k), of which at most two side by side have a part in each
    photo, and their prior (k, k). Stretches of photos that are lit, and of others, hang together by little.
    """
    hats, prior = [], []
    for own in np.split(np.arange(len(lit)), np.flatnonzero(np.diff(lit)) + 1):
        knots = np.linspace(own[0], own[-1], -(-len(own) // KNOTS) + 1) if len(own) > 1 else own
        every = np.eye(len(knots))
        hats.append(np.array([np.interp(own, knots, one) for one in every]).T)
        prior.append(sum(rows.T @ rows for rows in (np.diff(every, axis=0) / SLOPE, np.diff(every, 2, axis=0) / BEND)))
    last = np.cumsum([len(one) for one in prior])[:-1] - 1
    every = np.eye(last.max(initial=-1) + 1 + len(prior[-1]))
    jumps = (every[last + 1] - every[last]) / JUMP
    return block_diag(*hats), block_diag(*prior) + jumps.T @ jumps


def eliminated(photo, point, weight, columns, parts):
    """The normal equations of sights, without the places' own brightness, and the means at each place.

    photo, point, weight: (m,); columns: (m, c), the design's last ones, and the values; parts: what comes before them,
    [(hats (photos, k), of which at most two side by side have a part in each photo, and by what each sight has them,
    (m,))]. Returns (all k + c, all k + c), the right side last, and (points, all k + c). No table has a line for each
    sight and a column for each photo.
    """
    points, more = point.max() + 1, columns * weight[:, None]

    def by(place, many, values):
        return np.column_stack([np.bincount(place, one, many) for one in values])

    tables, rows = [], []
    for place, (hats, share) in enumerate(parts):
        count, knots = hats.shape
        wide = np.pad(hats, ((0, 0), (0, 1)))
        left, own = (wide > 0).argmax(axis=1), weight * share
        cells = point * (knots + 1) + left[photo]
        table = sum(
            np.bincount(cells + k, own * wide[range(count), left + k][photo], points * (knots + 1)) for k in (0, 1)
        )
        tables.append(table.reshape(-1, knots + 1)[:, :knots])
        across = [hats.T @ (other * by(photo, count, [own * further])) for other, further in parts[place:]]
        rows.append((across, hats.T @ by(photo, count, (share[:, None] * more).T)))
    sums = np.hstack([*tables, by(point, points, more.T)])
    mean = sums / (by(point, points, [weight]) + 1e-9)
    square = np.zeros((sums.shape[1],) * 2)
    start, last = 0, sums.shape[1] - columns.shape[1]
    for across, beside in rows:
        wide = np.hstack([*across, beside])
        square[start : start + len(wide), start:] = wide
        square[start:, start : start + len(wide)] = wide.T
        start += len(wide)
    square[last:, last:] = columns.T @ more
    return square - sums.T @ mean, mean
