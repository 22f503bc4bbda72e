"""A look from a graded still: what was done to a picture, as one change of colours that holds for every frame.

Before and after are pictures of one scene as BT.709 signals for a BT.1886 display. The change is fitted in three
layers, each to what the one before has left: an ASC CDL; a monotone curve a channel; a table of colours, smooth and
pulled towards no change. So where the still has no colours the change is what the first two layers say, and where
it has, no grade that goes by colour alone is out of reach. Changes that go by place (a vignette, a dodged face)
contradict each other in colour, and are outvoted: each layer is fitted by reweighted least squares with Cauchy weights
(Holland & Welsch 1977). Curves and table are penalised splines (Eilers & Marx 1996).
"""

import numpy as np
from scipy import optimize, sparse
from scipy.sparse import linalg

from kerbwalk.colour import LUMA_BT709

KNOTS, LATTICE, CUBE = 33, 17, 33
# Signals further apart than this are taken for something that no global change explains.
ALIKE = 0.02
# Penalties, in samples: on a curve's and the table's bending, and on the table's size.
CURVE_STIFF, TABLE_STIFF, TABLE_SMALL = 1.0, 0.3, 0.003
MOST_SAMPLES, CDL_SAMPLES = 200_000, 6_000
# For positive definite matrices, which need no pivots: two thirds of the time.
SYMMETRIC = {"SymmetricMode": True}
_NEUTRAL = np.array([1.0, 1, 1, 0, 0, 0, 1, 1, 1, 1])


def fit(before, after, trust):
    """The change as a cube of colours, and its CDL part.

    before, after: (n, 3) signals, 0..1, of the same points; trust: (n,) weights. Returns the cube, float64
    (33, 33, 33, 3), by red, green, blue of the signal before; and a dict of slope, offset, power and saturation.
    """
    pick = np.linspace(0, len(before) - 1, min(len(before), MOST_SAMPLES)).astype(int)
    before, after, trust = before[pick].astype(float), after[pick].astype(float), trust[pick] * _rarity(before[pick])
    few = np.linspace(0, len(pick) - 1, min(len(pick), CDL_SAMPLES)).astype(int)
    cdl = _fit_cdl(before[few], after[few], trust[few])
    graded = apply_cdl(before, cdl)
    curves = [_fit_curve(graded[:, c], after[:, c], trust) for c in range(3)]
    left = after - _curved(graded, curves)
    table = _fit_table(before, left, trust)
    places = np.stack(np.meshgrid(*[np.linspace(0, 1, CUBE)] * 3, indexing="ij"), axis=-1).reshape(-1, 3)
    cube = _curved(apply_cdl(places, cdl), curves) + _in_lattice(places) @ table
    cube = np.clip(cube, 0, 1).reshape(CUBE, CUBE, CUBE, 3)
    for channel in range(3):  # more red before is never less red after
        cube[..., channel] = np.maximum.accumulate(cube[..., channel], axis=channel)
    slope, offset, power = (values.tolist() for values in cdl[:9].reshape(3, 3))
    return cube, {"slope": slope, "offset": offset, "power": power, "saturation": float(cdl[9])}


def apply_cdl(signal, cdl):
    """An ASC CDL v1.2 of ten numbers (slope, offset, power, saturation) on signals (n, 3)."""
    graded = np.power(np.clip(signal * cdl[:3] + cdl[3:6], 1e-9, None), cdl[6:9])
    luma = (graded @ LUMA_BT709)[:, None]
    return np.clip(luma + cdl[9] * (graded - luma), 0, 1)


def _fit_cdl(before, after, trust):
    weight = np.sqrt(trust / trust.mean())[:, None]

    def misfit(cdl):
        return np.concatenate([(weight * (apply_cdl(before, cdl) - after)).ravel(), 0.3 * (cdl - _NEUTRAL)])

    low, high = np.repeat([0.1, -0.5, 0.2, 0.0], [3, 3, 3, 1]), np.repeat([6.0, 0.5, 5.0, 4.0], [3, 3, 3, 1])
    found = _NEUTRAL
    # A strong change is first followed as a whole, and only then are places that contradict it left to themselves.
    for loss, wide in (("linear", 1), ("cauchy", 4), ("cauchy", 1)):
        found = optimize.least_squares(misfit, found, bounds=(low, high), loss=loss, f_scale=wide * ALIKE).x
    return found


def _fit_curve(before, after, trust):
    """Values at KNOTS even places of 0..1, rising."""
    rows = _interpolation(before, KNOTS)
    bend = sparse.csr_array(np.diff(np.eye(KNOTS), 2, axis=0))
    straight = np.linspace(0, 1, KNOTS)
    hold_back = CURVE_STIFF * bend.T @ bend + 1e-3 * sparse.eye_array(KNOTS)
    change = _reweighted(rows, after - before, trust, hold_back.tocsc())
    return np.maximum.accumulate(straight + change)


def _curved(signal, curves):
    places = np.linspace(0, 1, KNOTS)
    return np.stack([np.interp(signal[:, c], places, curves[c]) for c in range(3)], axis=-1)


def _fit_table(before, left, trust):
    """What to add at each point of the lattice, (LATTICE^3, 3)."""
    bend = sparse.csr_array(np.diff(np.eye(LATTICE), 2, axis=0))
    one = sparse.eye_array(LATTICE)
    axes = [(bend, one, one), (one, bend, one), (one, one, bend)]
    along = sparse.vstack([sparse.kron(sparse.kron(a, b), c) for a, b, c in axes])
    hold_back = TABLE_STIFF * along.T @ along + TABLE_SMALL * sparse.eye_array(LATTICE**3)
    return _reweighted(_in_lattice(before), left, trust, hold_back.tocsc())


def _reweighted(rows, wanted, trust, hold_back):
    """Coefficients that bring rows @ coefficients near to what is wanted, (n,) or (n, m)."""
    apart = np.zeros(len(trust))
    for _ in range(4):
        weight = trust / (1 + np.square(apart / ALIKE))
        scaled = sparse.diags_array(weight) @ rows
        normal = (rows.T @ scaled + hold_back).tocsc()
        found = linalg.splu(normal, "MMD_AT_PLUS_A", 0.0, options=SYMMETRIC).solve(scaled.T @ wanted)
        error = wanted - rows @ found
        apart = np.abs(error) if error.ndim == 1 else np.linalg.norm(error, axis=1)
    return found


def _interpolation(x, count):
    """Rows of linear interpolation between `count` even places of 0..1: sparse (n, count)."""
    place = np.clip(x, 0, 1) * (count - 1)
    low = np.minimum(place.astype(int), count - 2)
    share = place - low
    lines = np.repeat(np.arange(len(x)), 2)
    columns = np.stack([low, low + 1], axis=-1).ravel()
    return sparse.csr_array((np.stack([1 - share, share], axis=-1).ravel(), (lines, columns)), (len(x), count))


def _in_lattice(signal):
    """Rows of trilinear interpolation in the lattice: sparse (n, LATTICE^3)."""
    place = np.clip(signal, 0, 1) * (LATTICE - 1)
    low = np.minimum(place.astype(int), LATTICE - 2)
    share = place - low
    values, columns = [], []
    for corner in np.ndindex(2, 2, 2):
        values.append(np.prod(np.where(corner, share, 1 - share), axis=1))
        columns.append((low + corner) @ [LATTICE**2, LATTICE, 1])
    lines = np.tile(np.arange(len(signal)), 8)
    return sparse.csr_array((np.concatenate(values), (lines, np.concatenate(columns))), (len(signal), LATTICE**3))


def _rarity(signal):
    """Weights that let a lamp's colours count beside a whole dark sky: by the root of how full a cell is."""
    cells = np.clip(signal * 12, 0, 11).astype(int) @ [144, 12, 1]
    full = np.bincount(cells, minlength=1728)[cells]
    return 1 / np.sqrt(full) * np.sqrt(full.mean())
