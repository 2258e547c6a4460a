"""Lower convex hull of points in the plane."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt


def lower_hull(x: npt.ArrayLike, y: npt.ArrayLike) -> npt.NDArray[np.intp]:
    """Indices of the lower convex hull of points sorted by x (then y), by Andrew's chain.

    Of points with one x only the first can be on it.

    >>> lower_hull([0.0, 1.0, 2.0, 3.0], [0.0, 1.0, -1.0, 0.0]).tolist()
    [0, 2, 3]
    """
    xs, ys = np.asarray(x, dtype=float).tolist(), np.asarray(y, dtype=float).tolist()
    kept: list[int] = []
    for i, (xi, yi) in enumerate(zip(xs, ys, strict=True)):
        if kept and xi == xs[kept[-1]]:
            continue
        while len(kept) > 1:
            a, b = kept[-2], kept[-1]
            if (ys[b] - ys[a]) * (xi - xs[b]) < (yi - ys[b]) * (xs[b] - xs[a]):
                break
            kept.pop()
        kept.append(i)
    return np.array(kept, dtype=np.intp)
