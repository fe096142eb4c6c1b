"""A production of known truth: many lites through one invented machine.

Each lite is a residual surface (bow and edge lift already out) on its own frame,

    z = sum of lines A_k c_i cos(2 pi x / P + phase_i)     roller run-out, wheels: phase at random,
                                                           or fixed to the machine (supports)
      + natural wave      wavelength scatters from lite to lite and along each lite: no machine
      + imprint           a dimple under every nozzle, at the lite's place in the machine; odd
                          nozzles stronger, weaker, or missing
      + background        a continuous spectrum
      + noise

Periods are those in the cold lite. Everything is drawn from (seed, lite number): a lite is the same
whatever other lites are made, in whatever order. A cause may begin, or grow, with a lite of the
production, so that drifts and steps are known too.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Annotated, Literal, Self

import numpy as np
import numpy.typing as npt
import xarray as xr
from pydantic import Field, model_validator

from midchord_io.scan import make_scan
from midchord_io.toml_models import Strict

__all__ = [
    "Background",
    "Line",
    "NaturalWave",
    "NozzleImprint",
    "OddColumn",
    "PlaceScatter",
    "Production",
    "residuals",
    "scan_of",
]

LOWEST, HIGHEST, COMPONENTS = 1 / 900, 1 / 15, 400
"""Of the background, cycles per mm, and how many waves it is made of."""

Floats = npt.NDArray[np.float64]
Number = Annotated[float, Field(allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]


class Line(Strict):
    """A wave of one period.

    between_lites     relative standard deviation of the amplitude (lognormal)
    phase             "random" for each lite, or "machine": at its maximum at at_mm of the machine
    from_lite         absent in earlier ones (from 0)
    growth_per_lite   of the amplitude, relative, from that lite on
    """

    period_mm: Positive
    amplitude_mm: NotNegative
    between_lites: NotNegative = 0.3
    phase: Literal["random", "machine"] = "random"
    at_mm: Number = 0.0
    from_lite: Annotated[int, Field(ge=0)] = 0
    growth_per_lite: Number = 0.0


class NaturalWave(Strict):
    """Roll wave of no part: its wavelength scatters between lites and wanders in each."""

    wavelength_mm: Positive
    amplitude_mm: NotNegative
    scatter_percent: NotNegative = 5.0
    wander_percent: NotNegative = 2.0


class OddColumn(Strict):
    """Nozzles of one column: factor 0 is missing, 0.3 blocked, 2 too strong; off_mm moved
    across."""

    column: Annotated[int, Field(ge=1)]
    factor: Number
    off_mm: Number = 0.0


class NozzleImprint(Strict):
    """A round Gaussian dimple under each nozzle (smeared along the travel where smear_mm > 0)."""

    depth_mm: Number
    pitch_along_mm: Positive
    pitch_across_mm: Positive
    first_across_mm: Number = 0.0
    width_mm: Positive = 8.0
    smear_mm: NotNegative = 0.0
    stagger_mm: NotNegative = 0.0
    odd: tuple[OddColumn, ...] = ()


class Background(Strict):
    """Continuous spectrum of the ridge profile: falls as 1 / (1 + (f corner)^2)."""

    sd_mm: NotNegative = 0.003
    corner_mm: Positive = 400.0


class PlaceScatter(Strict):
    """Where lites lie in the machine: mean place, and how they scatter about it."""

    along_mm: Number = 1000.0
    across_mm: Number = 100.0
    along_sd_mm: NotNegative = 150.0
    across_sd_mm: NotNegative = 4.0


class Production(Strict):
    """The lites; ``Production.model_validate({...})`` or by keywords."""

    seed: Annotated[int, Field(ge=0)]
    lites: Annotated[int, Field(ge=1, le=1_000_000)]
    length_mm: Positive = 2400.0
    width_mm: Positive = 1200.0
    pitch_mm: Positive = 5.0
    lines: tuple[Line, ...] = ()
    natural: NaturalWave | None = None
    imprint: NozzleImprint | None = None
    background: Background = Background()
    place: PlaceScatter = PlaceScatter()
    noise_mm: NotNegative = 0.002
    ridge_skew: Number = 0.0
    """mm of x per mm of y."""
    position_known: bool = True

    @model_validator(mode="after")
    def _large_enough(self) -> Self:
        if min(self.length_mm, self.width_mm) < 20 * self.pitch_mm:
            raise ValueError("a lite must be at least 20 pitches long and wide")
        return self

    def line_share(self, line: Line, *, distortion: bool = False) -> float:
        """True share of one line of the ridge profile's mean square height (or curvature) between
        30 and 700 mm, natural wave and background included, noise left out; on average over
        lites, all lines there from the first lite on and not growing."""
        power = 0.5 * line.amplitude_mm**2
        weight = 4 if distortion else 0
        total = sum(
            0.5 * one.amplitude_mm**2 * (2 * math.pi / one.period_mm) ** weight
            for one in self.lines
        )
        if self.natural is not None:
            own = 0.5 * self.natural.amplitude_mm**2
            total += own * (2 * math.pi / self.natural.wavelength_mm) ** weight
        f = np.linspace(LOWEST, HIGHEST, 20_001)
        shape = _shape(f, self.background.corner_mm)
        seen = (f >= 1 / 700) & (f <= 1 / 30)
        inside = (shape * (2 * math.pi * f) ** weight)[seen].sum() / shape.sum()
        total += self.background.sd_mm**2 * float(inside)
        return power * (2 * math.pi / line.period_mm) ** weight / total


def residuals(production: Production) -> Iterator[xr.Dataset]:
    """The lites one by one, as maps that hold the residual only.

    yields  residual (x, y) float32 mm on the lite frame; attrs as of maps: lite_id, scanned_at,
            length_mm, width_mm, frame_of_scan, corners_machine_mm; ``truth``: place and amplitudes
    """
    for number in range(production.lites):
        yield _lite(production, number)


def scan_of(production: Production, number: int) -> xr.Dataset:
    """The scan of one lite by the scan contract, on the lite frame, for the whole path to maps."""
    lite = _lite(production, number)
    return make_scan(
        lite["residual"].values,
        x_mm=lite["x"].values,
        y_mm=lite["y"].values,
        lite_id=str(lite.attrs["lite_id"]),
        instrument="simulated scanner",
        scanned_at=str(lite.attrs["scanned_at"]),
        frame="lite",
    )


def _lite(production: Production, number: int) -> xr.Dataset:
    rng = np.random.default_rng([production.seed, number])
    pitch = production.pitch_mm
    x = np.arange(pitch / 2, production.length_mm, pitch)
    y = np.arange(pitch / 2, production.width_mm, pitch)
    scatter = production.place
    along = scatter.along_mm + scatter.along_sd_mm * float(rng.standard_normal())
    across = scatter.across_mm + scatter.across_sd_mm * float(rng.standard_normal())
    profile, amplitudes = _profile(production, number, along, rng)
    skew = production.ridge_skew * (y - y.mean())
    wide = np.arange(x[0] - 200, x[-1] + 200, 1.0)
    ridges = profile(wide)
    z = np.stack([np.interp(x - shift, wide, ridges) for shift in skew], axis=1)
    if production.imprint is not None:
        z += _imprint(production.imprint, x + along, y + across)
    z += production.noise_mm * rng.standard_normal(z.shape)
    attrs = {
        "lite_id": f"P-{number + 1:05d}",
        "scanned_at": f"2026-02-{1 + number // 1440 % 28:02d}T{number // 60 % 24:02d}:"
        f"{number % 60:02d}:00Z",
        "frame": "lite",
        "frame_of_scan": "machine" if production.position_known else "lite",
        "length_mm": production.length_mm,
        "width_mm": production.width_mm,
        "skew_deg": 0.0,
        "truth": {"along_mm": along, "across_mm": across, "amplitudes_mm": amplitudes},
    }
    if production.position_known:
        right, back = across + production.width_mm, along + production.length_mm
        attrs["corners_machine_mm"] = {
            "leading_left": [along, across],
            "leading_right": [along, right],
            "trailing_left": [back, across],
            "trailing_right": [back, right],
        }
    field = (("x", "y"), z.astype(np.float32), {"units": "mm", "long_name": "residual"})
    return xr.Dataset({"residual": field}, coords={"x": x, "y": y}, attrs=attrs)


class _Profile:
    """The ridge profile of one lite, anywhere along it."""

    def __init__(self) -> None:
        self.waves: list[tuple[Floats, float, float]] = []  # wavenumbers' phase table, A, phase
        self.lines: list[tuple[float, float, float]] = []

    def __call__(self, x: Floats) -> Floats:
        z = np.zeros_like(x)
        for k, amplitude, phase in self.lines:
            z += amplitude * np.cos(k * x + phase)
        for table, amplitude, phase in self.waves:
            z += amplitude * np.cos(np.interp(x, table[0], table[1]) + phase)
        return z


def _profile(
    production: Production, number: int, along: float, rng: np.random.Generator
) -> tuple[_Profile, list[float]]:
    profile, amplitudes = _Profile(), []
    for line in production.lines:
        spread = math.sqrt(math.log1p(line.between_lites**2))
        # the mean square of the amplitude stays what the line says
        factor = math.exp(spread * float(rng.standard_normal()) - spread**2)
        phase = float(rng.uniform(0, 2 * math.pi))
        since = number - line.from_lite
        amplitude = line.amplitude_mm * factor * max(0.0, 1 + line.growth_per_lite * since)
        amplitude = amplitude if since >= 0 else 0.0
        k = 2 * math.pi / line.period_mm
        if line.phase == "machine":
            phase = k * (along - line.at_mm)
        profile.lines.append((k, amplitude, phase))
        amplitudes.append(amplitude)
    natural = production.natural
    if natural is not None:
        mean = natural.wavelength_mm * (
            1 + natural.scatter_percent / 100 * float(rng.standard_normal())
        )
        places = np.arange(-400.0, production.length_mm + 400.0, 10.0)
        steps = rng.standard_normal(places.size)
        smooth = np.convolve(steps, np.hanning(61) / math.sqrt((np.hanning(61) ** 2).sum()), "same")
        k_local = 2 * math.pi / mean * (1 + natural.wander_percent / 100 * smooth)
        table = np.stack([places, np.cumsum(k_local) * 10.0])
        profile.waves.append((table, natural.amplitude_mm, float(rng.uniform(0, 2 * math.pi))))
    background = production.background
    if background.sd_mm > 0:
        step = (HIGHEST - LOWEST) / COMPONENTS
        f = LOWEST + step * (np.arange(COMPONENTS) + rng.uniform(0, 1, COMPONENTS))
        weight = np.sqrt(_shape(f, background.corner_mm))
        weight *= background.sd_mm / math.sqrt(0.5 * float((weight**2).sum()))
        sizes = weight * np.sqrt(rng.chisquare(2, f.size) / 2)
        phases = rng.uniform(0, 2 * math.pi, f.size)
        for fk, size, phase in zip(f, sizes, phases, strict=True):
            profile.lines.append((2 * math.pi * float(fk), float(size), float(phase)))
    return profile, amplitudes


def _shape(f: Floats, corner_mm: float) -> Floats:
    return np.asarray(1 / (1 + (f * corner_mm) ** 2), dtype=np.float64)


def _imprint(imprint: NozzleImprint, along: Floats, across: Floats) -> Floats:
    """Dimples under the nozzles, at places on the machine frame; (along, across) mm."""
    odd = {one.column: one for one in imprint.odd}
    z = np.zeros((along.size, across.size))
    first = math.floor((across[0] - imprint.first_across_mm) / imprint.pitch_across_mm) - 1
    last = math.ceil((across[-1] - imprint.first_across_mm) / imprint.pitch_across_mm) + 1
    width_along = math.hypot(imprint.width_mm, imprint.smear_mm)
    for parity in (0, 1) if imprint.stagger_mm else (0,):
        period = imprint.pitch_along_mm * (2 if imprint.stagger_mm else 1)
        start = parity * imprint.pitch_along_mm
        off = (along - start + period / 2) % period - period / 2
        near = np.arange(-3, 4)[:, None] * period
        rows = np.exp(-0.5 * ((off + near) / width_along) ** 2).sum(axis=0)
        columns = np.zeros(across.size)
        for index in range(first, last + 1):
            at = imprint.first_across_mm + index * imprint.pitch_across_mm
            one = odd.get(index + 1)
            factor, moved = (one.factor, one.off_mm) if one else (1.0, 0.0)
            at += parity * imprint.stagger_mm + moved
            columns += factor * np.exp(-0.5 * ((across - at) / imprint.width_mm) ** 2)
        z -= imprint.depth_mm * np.outer(rows, columns)
    return np.asarray(z - z.mean(), dtype=np.float64)
