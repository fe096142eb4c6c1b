"""What the twin of a hand gauge reads everywhere on one lite, from its stored maps.

The hand gauge saw everything, bow and edge lift included, so its twin is swept over the placed
height. A dial does not show the noise of a sensor: the heights are pooled over the lines within
POOL_MM and smoothed along the travel by a local fit of half-width SMOOTHING_MM (a 120 mm wave
keeps 0.9999 of itself), without which a base would ride on the peaks of the noise.

Between points of the maps readings are cubic along x and linear across. A straight line between
points 5 mm apart cuts the tops off: 0.1 um of a 0.1 mm swing, small, but always low.

A hand is off by some mm. What it reads *on average* is the mean of the map over where it may have
stood, not the reading at the stated place: on a crest every way of being off reads low
(``mean_at``).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numba as nb
import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord.gauge import height_at
from midchord.lines import fit_kernel, local_fit, pooled_lines
from midchord.run import summary
from midchord.twins import sweep_twin
from midchord_io.errors import SurveyError
from midchord_io.gauge_card import GaugeCard
from midchord_io.survey_cells import plain_name

__all__ = ["MappedLite", "TwinField"]

Floats = npt.NDArray[np.float64]

POOL_MM = 10.0
SMOOTHING_MM = 30.0
GRADIENT_STEP_MM = 5.0
LEAST_GAIN = 0.1
PLACES = 5
"""Of the mean over where a hand may have stood, along each axis: a 230 mm wave keeps its mean to
10^-4 for hands off by 25 mm."""
NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(PLACES)


@dataclass(frozen=True)
class MappedLite:
    """A lite with its stored maps."""

    maps: xr.Dataset

    @property
    def lite_id(self) -> str:
        """As a survey writes it: see ``plain_name``."""
        return plain_name(str(self.maps.attrs["lite_id"]))

    @cached_property
    def summary(self) -> dict[str, Any]:
        return summary(self.maps)

    @property
    def length_mm(self) -> float:
        return float(self.summary["length_mm"])

    @property
    def width_mm(self) -> float:
        return float(self.summary["width_mm"])

    @cached_property
    def height(self) -> xr.DataArray:
        """Placed heights without the noise of the sensor, (x, y), mm."""
        placed = self.maps["height"]
        x, y = placed["x"].values, placed["y"].values
        pitch = float(x[1] - x[0])
        lines = pooled_lines(
            np.ascontiguousarray(placed.values), y, y, pool_mm=POOL_MM, x_pitch_mm=pitch
        )
        smooth = local_fit(lines, self._half_width(pitch)).astype(np.float32)
        return placed.copy(data=np.where(np.isfinite(lines), smooth, np.float32(np.nan)))

    @staticmethod
    def _half_width(pitch_mm: float) -> int:
        return max(2, round(SMOOTHING_MM / pitch_mm))

    @cached_property
    def height_sd_mm(self) -> float:
        """Standard uncertainty of a smoothed height, from the noise of the scan."""
        x, y = self.maps["x"].values, self.maps["y"].values
        pitch = float(x[1] - x[0])
        lines = 1 + 2 * int(POOL_MM / float(y[1] - y[0]))
        kept = float((fit_kernel(self._half_width(pitch)) ** 2).sum())
        white = float(self.summary["noise_mm"] or 0.0) ** 2 / lines
        correlated = float(self.summary["noise_density_mm3"]) / pitch
        return float(np.sqrt(kept * max(white, correlated)))

    def twin(self, card: GaugeCard, *, half_span_mm: float | None = None) -> TwinField:
        """The twin of a gauge on this lite.

        half_span_mm  another one than the card's, for the question what if
        """
        half_span = half_span_mm if half_span_mm is not None else card.half_span_mm
        self._check_reach(card, half_span)
        along_x = self._swept(card, half_span, "x")
        values = along_x.values.astype(np.float64)
        if card.kind == "edge-lift":
            values = self._by_nearest_edge(values, self._swept(card, half_span, "y").values)
        reading = along_x
        factor = 1.0
        if card.is_on_feet and card.depth_is == "surface":
            factor = 1.0 / self.gain(half_span or 0.0)
        sd = self.height_sd_mm * (np.sqrt(1.5) if card.is_on_feet else np.sqrt(2.0))
        return TwinField(
            self.lite_id,
            reading["x"].values,
            reading["y"].values,
            values * factor,
            sd * factor,
            self.length_mm,
            self.width_mm,
            card.is_on_feet,
        )

    def _swept(self, card: GaugeCard, half_span_mm: float | None, along: str) -> xr.DataArray:
        return sweep_twin(
            self.height,
            kind=card.kind,
            half_span_mm=half_span_mm if card.is_on_feet else None,
            base_mm=card.base_mm,
            along=along,
            face=card.face or "upper",
        )

    def _by_nearest_edge(
        self, along_x: npt.NDArray[np.floating], along_y: npt.NDArray[np.floating]
    ) -> Floats:
        """Edge lift is read across the edge that is nearest."""
        x, y = self.maps["x"].values[:, np.newaxis], self.maps["y"].values
        to_ends = np.minimum(x, self.length_mm - x)
        to_sides = np.minimum(y, self.width_mm - y)
        return np.where(to_sides < to_ends, along_y, along_x).astype(np.float64)

    def _check_reach(self, card: GaugeCard, half_span_mm: float | None) -> None:
        """Refuse gauges that these maps cannot show, or that are blind to this lite's wave."""
        pitch = float(self.maps["x"][1] - self.maps["x"][0])
        reach = half_span_mm if card.is_on_feet else 0.5 * (card.base_mm or 0.0)
        on_glass = float(self.maps["x"][-1] - self.maps["x"][0]) if card.is_on_feet else np.inf
        longest = min(self.length_mm, on_glass) / 2
        if reach is not None and not pitch <= reach < longest:
            raise SurveyError(
                f"gauge {card.gauge}",
                found=f"contacts {reach:.4g} mm from the plunger",
                needed=f"between {pitch:g} mm, the pitch of the maps, and half of lite "
                f"{self.lite_id}, {longest:.0f} mm",
                do="correct the card, or store the maps at the pitch of the scan",
            )
        if card.is_on_feet and card.depth_is == "surface" and self.gain(reach or 0.0) < LEAST_GAIN:
            raise SurveyError(
                f"gauge {card.gauge}",
                found=f"feet {reach:.4g} mm from the plunger, nearly blind to the waves of lite "
                f"{self.lite_id}",
                needed="a gain that depths of the surface can be worked out with",
                do='say depth_is = "swing", or use other feet',
            )

    def gain(self, half_span_mm: float) -> float:
        """Swing over true peak-to-valley at the lite's mean wavelength; 2 where it has no wave."""
        wavelength = self.summary["mean_wavelength_mm"]
        if wavelength is None:
            return 2.0
        return float(1 - np.cos(2 * np.pi * half_span_mm / wavelength))


@dataclass(frozen=True)
class TwinField:
    """Readings of one twin on one lite.

    reading_mm  (x, y), NaN where it cannot stand
    sd_mm       standard uncertainty of a reading from the scan's noise
    is_smooth   of gauges on feet; what hangs below a hull has kinks, which a cubic overshoots
    """

    lite_id: str
    x_mm: Floats
    y_mm: Floats
    reading_mm: Floats
    sd_mm: float
    length_mm: float
    width_mm: float
    is_smooth: bool = True

    def at(self, x_mm: npt.ArrayLike, y_mm: npt.ArrayLike) -> Floats:
        """Readings at places; NaN where one of the points around it is."""
        x, y = np.broadcast_arrays(np.asarray(x_mm, float), np.asarray(y_mm, float))
        u = (x - self.x_mm[0]) / (self.x_mm[1] - self.x_mm[0])
        v = (y - self.y_mm[0]) / (self.y_mm[1] - self.y_mm[0])
        value = _between(self.reading_mm, u.ravel(), v.ravel(), self.is_smooth)
        return np.asarray(value.reshape(x.shape))

    def mean_at(self, x_mm: npt.ArrayLike, y_mm: npt.ArrayLike, sd_mm: float) -> Floats:
        """Mean reading of a hand that is off its place by sd_mm along each axis, normally.

        By Gauss-Hermite quadrature along each axis, the deviations of both added. Where the twin
        cannot stand on both sides of the place, the two are left out.
        """
        x, y = np.asarray(x_mm, float), np.asarray(y_mm, float)
        here = self.at(x, y)
        if sd_mm <= 0:
            return here
        mean = here
        for node, weight in zip(NODES, WEIGHTS / WEIGHTS.sum(), strict=True):
            if node > 0:
                d = node * sd_mm
                for dx, dy in ((d, 0.0), (0.0, d)):
                    both = self.at(x + dx, y + dy) + self.at(x - dx, y - dy) - 2 * here
                    mean = mean + weight * np.nan_to_num(both)
        return np.asarray(mean)

    def gradient(self, x_mm: npt.ArrayLike, y_mm: npt.ArrayLike) -> tuple[Floats, Floats]:
        """Change of the reading along x and across y, mm per mm; one-sided at the ends."""
        x, y = np.asarray(x_mm, float), np.asarray(y_mm, float)
        h = GRADIENT_STEP_MM

        def slope(low: Floats, here: Floats, high: Floats) -> Floats:
            central = (high - low) / (2 * h)
            forward, backward = (high - here) / h, (here - low) / h
            one_sided = np.where(np.isfinite(forward), forward, backward)
            return np.where(np.isfinite(central), central, np.nan_to_num(one_sided))

        here = self.at(x, y)
        return (
            slope(self.at(x - h, y), here, self.at(x + h, y)),
            slope(self.at(x, y - h), here, self.at(x, y + h)),
        )


@nb.njit(cache=True, nogil=True)
def _between(z: Any, u: Any, v: Any, is_smooth: bool) -> Any:
    """Readings at columns v and rows u of z, in points. Half a cell beyond the outermost points
    still belongs to them; a place within 1e-6 of a point stands on it."""
    n, m = z.shape
    out = np.full(u.size, np.nan)
    for p in range(u.size):
        if not (-0.5 <= u[p] <= n - 0.5 and -0.5 <= v[p] <= m - 0.5):
            continue
        a, b = min(max(u[p], 0.0), n - 1.0), min(max(v[p], 0.0), m - 1.0)
        i, j = int(np.floor(a + 1e-6)), int(np.floor(b + 1e-6))
        s, t = a - i, b - j
        out[p] = _along(z, i, s, j, is_smooth)
        if t >= 1e-6:
            out[p] += t * (_along(z, i, s, j + 1, is_smooth) - out[p])
    return out


@nb.njit(cache=True, inline="always")
def _along(z: Any, i: int, s: float, j: int, is_smooth: bool) -> Any:
    if is_smooth:
        return height_at(z, i, s, j)
    if s < 1e-6:
        return z[i, j]
    return z[i, j] + s * (z[i + 1, j] - z[i, j])
