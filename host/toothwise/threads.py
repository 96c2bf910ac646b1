"""One thread for numpy's matrices. Ours are a hundred wide: threads that share one out wait longer for each other than
they work (ten times as long where another program has the second core)."""

import os

_NAMES = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
"""What the libraries under numpy listen to, each for itself: OpenBLAS, MKL, Accelerate."""


def one_each() -> None:
    """To be called before numpy is imported; who has set it otherwise is left alone."""
    for name in _NAMES:
        os.environ.setdefault(name, "1")
