"""How loops over pixels and sights are compiled."""

import sys

import numba


def _without_blas():
    """Keep Numba from loading SciPy's linear algebra, which it does to see whether compiled code may use it: a sixth of
    a second in every job. No code of ours does.
    """
    if "scipy.linalg" not in sys.modules:
        sys.modules["scipy.linalg"] = None
        import numba.np.arraymath  # noqa: F401, PLC0415

        del sys.modules["scipy.linalg"]


_without_blas()
# Also what stands side by side in a loop is done at once, as by C compilers. The order of sums, and so the bits, stay.
numba.config.SLP_VECTORIZE = 1
# Kept on the disk for the next job, and without Python's lock while it runs.
compiled = numba.njit(cache=True, nogil=True)
