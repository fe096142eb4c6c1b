"""Overall bow of a lite's form, as supported: how far it stands off the chords of its edges.

Taken from the form alone, never from raw ends that carry edge lift. The standards measure bow on
a lite that stands upright at room temperature; a lite that lies is flattened by its weight. So
these are figures of the scan, never a verdict by such a standard.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from midchord.detrending.edge_lift import Rims

__all__ = ["CHORDS", "overall_bow", "quadratic_power_mdpt"]

Floats = npt.NDArray[np.float64]

CHORDS = ("leading", "trailing", "left", "right", "diagonal_1", "diagonal_2")
POINTS = 201


def overall_bow(
    form_at: Callable[[Floats, Floats], Floats], rims: Rims
) -> tuple[dict[str, float], dict[str, float]]:
    """Largest distance of the form from the chord of each edge and diagonal.

    form_at  heights at points (x, y), mm, two arrays of one length
    returns  bow in mm and in mm per m of chord, by CHORDS; positive where the form stands above
             its chord. diagonal_1 runs from the leading left corner
    """
    x0, x1 = rims.leading_x.min(), rims.trailing_x.max()
    y0, y1 = rims.left_y.min(), rims.right_y.max()
    ends = {
        "leading": ((x0, y0), (x0, y1)),
        "trailing": ((x1, y0), (x1, y1)),
        "left": ((x0, y0), (x1, y0)),
        "right": ((x0, y1), (x1, y1)),
        "diagonal_1": ((x0, y0), (x1, y1)),
        "diagonal_2": ((x0, y1), (x1, y0)),
    }
    bow, per_metre = {}, {}
    t = np.linspace(0, 1, POINTS)
    for name, (start, end) in ends.items():
        x = start[0] + t * (end[0] - start[0])
        y = start[1] + t * (end[1] - start[1])
        z = np.asarray(form_at(x, y), dtype=np.float64)
        off = z - (z[0] + t * (z[-1] - z[0]))
        bow[name] = float(off[np.abs(off).argmax()])
        chord_m = float(np.hypot(end[0] - start[0], end[1] - start[1])) / 1000
        per_metre[name] = bow[name] / chord_m
    return bow, per_metre


def quadratic_power_mdpt(
    height_mm: npt.NDArray[np.floating], x_mm: Floats, y_mm: Floats
) -> dict[str, float]:
    """Reflected power of the best-fitting quadratic: what the lite as a whole does to an image.

    height_mm  (x, y), NaN where not measured
    returns    along (2 z_xx), across (2 z_yy) and twist (2 z_xy) in mdpt; positive where the face
               is concave seen from outside
    """
    u = 2 * (x_mm - x_mm[0]) / (x_mm[-1] - x_mm[0]) - 1
    v = 2 * (y_mm - y_mm[0]) / (y_mm[-1] - y_mm[0]) - 1
    known = np.isfinite(height_mm)
    rows, columns = np.nonzero(known)
    s, t = u[rows], v[columns]
    terms = np.stack([np.ones(rows.size), s, t, s**2, s * t, t**2])
    c = np.linalg.lstsq(terms.T, height_mm[known].astype(np.float64), rcond=None)[0]
    per_x, per_y = 2 / (x_mm[-1] - x_mm[0]), 2 / (y_mm[-1] - y_mm[0])
    return {
        "along": float(4e6 * c[3] * per_x**2),
        "across": float(4e6 * c[5] * per_y**2),
        "twist": float(2e6 * c[4] * per_x * per_y),
    }
