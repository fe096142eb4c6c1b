"""What placing found about the sensor, in words for the reader and with its figures."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from midchord.placing.dust import Grains
from midchord.placing.jumps import INDEX, SecondSurface
from midchord.placing.saturation import Saturated
from midchord.placing.streaks import LostAtRim, Streaks
from midchord_io.acquisition import Finding

__all__ = [
    "dust_findings",
    "lost_findings",
    "saturation_findings",
    "second_surface_findings",
    "streak_findings",
]

FITS = 0.05
"""A jump this close to thickness / 1.52, relative, is that of a sensor that looks straight down."""
MANY = 0.01
"""Share of the glass from which on points that were taken out leave a doubt."""


def second_surface_findings(
    found: SecondSurface | None, *, thickness_mm: float | None, glass_points: int
) -> Iterator[Finding]:
    """found  as found; points of it are taken out"""
    if found is None:
        return
    points = int(found.is_second.sum())
    figures = {"jump_mm": found.jump_mm, "patches": float(found.patches)}
    fit = "the thickness is not known, so it is not held against it"
    if thickness_mm is not None:
        expected_mm = thickness_mm / INDEX
        figures["expected_jump_mm"] = expected_mm
        is_near = abs(found.jump_mm - expected_mm) <= FITS * expected_mm
        fit = (
            f"that {'fits' if is_near else 'does not fit'} the {expected_mm:.2f} mm of glass "
            f"{thickness_mm:g} mm thick seen from straight above"
            + ("" if is_near else "; a sensor that triangulates sees another share of it")
        )
    yield Finding(
        "second surface",
        points,
        f"{points} points in {found.patches} patches lie {found.jump_mm:.2f} mm below the surface "
        f"around them, all by as much: the second surface, seen through the glass ({fit}). They "
        "count as not measured.",
        figures,
        is_doubt=points > MANY * glass_points,
    )


def saturation_findings(found: Iterable[Saturated], *, glass_points: int) -> Iterator[Finding]:
    """A finding for each end at which heights are clipped."""
    for end, level_mm, count in found:
        what, beyond = ("crests", "more") if end == "largest" else ("valleys", "less")
        yield Finding(
            f"saturation at the {end} height",
            count,
            f"{count} points ({100 * count / max(1, glass_points):.2g} % of the glass) have "
            f"exactly the {end} height, {level_mm:.4f} mm: the sensor was at the end of its range, "
            f"or that number is a code. They may be {beyond} and count as not measured; of the "
            f"{what} that are cut off there is no figure.",
            {"level_mm": level_mm},
            is_doubt=True,
        )


def streak_findings(found: Streaks, *, lines: int) -> Iterator[Finding]:
    """Dropouts that stand in streaks, counted apart from the scattered ones."""
    count = found.along_x + found.along_y
    if not count:
        return
    where = " and ".join(
        f"{number} along {axis}, the longest {longest_mm:.0f} mm"
        for number, axis, longest_mm in (
            (found.along_x, "x", found.longest_x_mm),
            (found.along_y, "y", found.longest_y_mm),
        )
        if number
    )
    whole = ""
    if found.lost_lines:
        are = "line is" if found.lost_lines == 1 else "lines are"
        whole = f" {found.lost_lines} {are} lost over the whole width."
    yield Finding(
        "dropout streaks",
        count,
        f"Dropouts stand in streaks: {where}, with {found.points} points in them; "
        f"{found.scattered} other points are lost.{whole}",
        {
            "streaks_along_x": float(found.along_x),
            "streaks_along_y": float(found.along_y),
            "longest_x_mm": found.longest_x_mm,
            "longest_y_mm": found.longest_y_mm,
            "lost_lines": float(found.lost_lines),
            "streak_points": float(found.points),
            "scattered_points": float(found.scattered),
        },
        is_doubt=found.lost_lines > MANY * lines,
    )


def lost_findings(found: Iterable[LostAtRim]) -> Iterator[Finding]:
    """Lines lost at the edges of the lite."""
    for side, lines, lost_mm in found:
        name = "lines" if side in ("leading", "trailing") else "columns"
        size = "length" if name == "lines" else "width"
        yield Finding(
            f"{name} lost at the {side} edge",
            lines,
            f"About {lines} {name} ({lost_mm:.0f} mm) were lost at the {side} edge: the {size} of "
            "the lite, that edge and its edge lift are of what is left.",
            {"lost_mm": lost_mm},
            is_doubt=True,
        )


def dust_findings(found: Grains | None, *, face: str) -> Iterator[Finding]:
    """Grains that were taken out, and bumps in rows that were left."""
    if found is None:
        return
    if found.grains:
        points = int(found.is_dust.sum())
        yield Finding(
            "dust",
            found.grains,
            f"{found.grains} small bumps, up to {1000 * found.largest_mm:.0f} um high, stand alone "
            f"on the {face} face: dust, or faults of the glass as small. They were taken out "
            f"({points} points).",
            {"largest_mm": found.largest_mm, "points": float(points)},
        )
    if found.in_rows:
        yield Finding(
            "bumps in rows",
            found.in_rows,
            f"{found.in_rows} small bumps stand in rows, as rollers and nozzles leave them, not "
            "dust: they are left in the surface.",
        )
