"""The step of the stored heights, measured from the data.

A sensor that counts in steps, or a file that keeps few digits, gives heights on a ladder. While
the noise spreads them over more than a step they still average out (the noise dithers them); once
the noise is below half a step they do not, and a wave of less than a step is not there at all.
The step is the largest number that all differences of heights are whole multiples of. It is looked
for on a sample, so a lite of 60 million points costs no more than a small one.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord_io.acquisition import Finding, findings_of, with_findings

__all__ = [
    "QUANTISED",
    "doubtful_step_mm",
    "noise_mm",
    "quantisation",
    "step_mm",
    "with_quantisation",
]

QUANTISED = "quantised heights"
"""The key of the finding."""

SAMPLE = 200_000
FINEST_MM = 1e-9
"""No sensor resolves a millionth of a micrometre."""
FEWEST = 500
"""Heights; fewer may stand on a ladder by chance."""
WORTH_SAYING = 0.1
"""Of the noise: a finer step adds less than 0.05 % to it (step/sqrt(12) in quadrature)."""
DITHERED = 0.5
"""Normal noise of half a step leaves 0.2 % of a step of the rounding systematic: the first term of
its Fourier series averaged over the noise, exp(-2 pi^2 0.5^2) / pi."""
LEAST_DOUBT_MM = 1e-3
"""A finer step is of no account for roll wave, whatever the noise."""
OFF_LADDER = 0.05
"""A height is on the ladder if it is within this share of a step."""
ON_LADDER = 0.99
"""Share of the heights that must be on it."""
ROUNDINGS = 8
"""Differences below this many roundings of a float32 are no steps."""


def step_mm(heights_mm: npt.NDArray[np.floating]) -> float:
    """The step that heights stand on, mm; 0 where they stand on none, or are few.

    heights_mm  any shape, mm; not finite: not measured. A sample of at most 200 000 is looked at
    """
    # thinned along each axis alike: a whole grid is never copied
    thin = max(1, int((heights_mm.size / SAMPLE) ** (1 / heights_mm.ndim)))
    some = heights_mm[(slice(None, None, thin),) * heights_mm.ndim]
    some = some[np.isfinite(some)].astype(np.float64)
    values = np.unique(some)
    if some.size < FEWEST or values.size < 2:
        return 0.0
    rounding = max(FINEST_MM, ROUNDINGS * float(np.spacing(np.float32(np.abs(values).max()))))
    away = values - values[0]
    steps = np.diff(values)
    steps = np.sort(steps[steps > rounding])
    if not steps.size:
        return 0.0
    step = float(np.median(steps[steps <= 1.2 * steps[0] + rounding]))
    # a short stretch gives the step well enough to count the next, longer one
    reach = 16 * step
    while True:
        near = away[(away >= 0.5 * step) & (away <= reach)]
        if near.size:
            times = np.maximum(1.0, np.round(near / step))
            step = float((near * times).sum() / (times * times).sum())
        if reach >= away[-1]:
            break
        reach *= 4
    times = away / step
    off = np.abs(times - np.round(times))
    is_on = off <= OFF_LADDER + rounding / step
    if rounding > OFF_LADDER * step or is_on.mean() < ON_LADDER:
        return 0.0
    return step


def noise_mm(height: npt.NDArray[np.floating], *, step: float = 0.0) -> float:
    """Noise of neighbouring points along the first axis, mm, from their second differences.

    height   (x, y), mm; NaN where not measured
    step     of the heights, mm: the variance of rounding, step^2 / 12, is taken off

    The second difference of white noise s has the spread sqrt(6) s; a wave of 150 mm and 0.1 mm
    depth at 1 mm pitch adds 0.03 um to it. By the median, unless the step hides it: then by the
    mean square with the outer twentieths drawn in, which takes 17 % off a normal variance.
    """
    if height.shape[0] < 3:
        return 0.0
    columns = max(1, height.size // SAMPLE)
    second = np.diff(height[:, ::columns].astype(np.float64), n=2, axis=0)
    second = second[np.isfinite(second)]
    if not second.size:
        return 0.0
    second -= np.median(second)
    noise = float(1.4826 * np.median(np.abs(second)) / np.sqrt(6.0))
    if noise > 2 * step:
        return noise
    drawn_in = np.clip(second, *np.percentile(second, (5, 95)))
    variance = float(np.mean(drawn_in**2)) / 0.831 / 6.0
    return float(np.sqrt(max(0.0, variance - step**2 / 12.0)))


def quantisation(step: float, noise: float) -> Finding | None:
    """What is to be said about a step, mm, at a noise, mm; None where there is nothing."""
    if step <= WORTH_SAYING * noise or step <= 0:
        return None
    is_doubt = noise < DITHERED * step and step > LEAST_DOUBT_MM
    effect = (
        "the noise is too small to average the steps out, so a wave of less than a step cannot be "
        "judged"
        if is_doubt
        else "the noise averages the steps out"
        if noise >= DITHERED * step
        else "too fine to matter"
    )
    return Finding(
        what=QUANTISED,
        count=1,
        sentence=f"heights are stored in steps of {step:.3g} mm, the noise between neighbours is "
        f"{noise:.3g} mm; {effect}",
        figures={"step_mm": step, "noise_mm": noise},
        is_doubt=is_doubt,
    )


def with_quantisation(scan: xr.Dataset) -> xr.Dataset:
    """The scan with a finding where its heights are quantised, unless it carries one already."""
    if any(finding.what == QUANTISED for finding in findings_of(scan)):
        return scan
    height = scan["height"].values
    step = step_mm(height)
    found = quantisation(step, noise_mm(height, step=step)) if step else None
    return scan if found is None else with_findings(scan, found)


def doubtful_step_mm(scan: xr.Dataset) -> float:
    """The step that the scan's own noise does not average out, mm; 0 where there is none.

    A scan made from points no longer shows the step of these; its finding tells.
    """
    said = (finding for finding in findings_of(scan) if finding.what == QUANTISED)
    return max((finding.figures["step_mm"] for finding in said if finding.is_doubt), default=0.0)
