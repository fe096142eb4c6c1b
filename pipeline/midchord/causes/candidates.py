"""The periods that a machine can leave along the travel, each with its tolerance.

======================= ========================= ==============================================
part                    period in the cold lite    how it comes about
======================= ========================= ==============================================
rollers                 pi d                      run-out, or something stuck to the roller
rollers                 pi d / 2                  a roller that is oval: two lobes a turn
rollers                 pitch                     sag between neighbours
nozzles                 pitch along               imprint of the air jets
oscillation             stroke                    dwell at the two points where the glass turns
scanner                 pitch of the supports     sag under an area scanner
encoder                 circumference             run-out of the wheel that measures the travel
anything fixed in time  speed / frequency         vibration
======================= ========================= ==============================================

What marks hot glass is shrunk by s = shrinkage +- its tolerance: the period lies between
(p - dp)(1 - s - ds) and (p + dp)(1 - s + ds). A candidate is a range of periods, and whatever lies
in it is that candidate's: the search inside it is paid for in the p-value. Periods outside the
range that is analysed are named, with the reason, and not tried.

Two candidates are *separable* where their ranges are at least ``least_cells`` resolutions apart.
The resolution of a lite of length T is 1 / T in frequency, L^2 / T in wavelength. It does not
improve with the number of lites: their phases differ, so heights cannot be joined end to end, only
powers averaged. (Geometry derived.)
"""

from __future__ import annotations

import math
from typing import NamedTuple

from midchord.machine import Glass, Machine

__all__ = ["Candidate", "Untried", "candidates_of", "gap_in_cells"]


class Candidate(NamedTuple):
    """One possible cause.

    cause                as shown, "furnace rollers: circumference"
    part, kind           the two halves of it
    period_mm            nominal, in the cold lite
    low_mm, high_mm      range by the tolerances
    remark               "", or what a reader must know of it
    """

    cause: str
    part: str
    kind: str
    period_mm: float
    low_mm: float
    high_mm: float
    remark: str = ""


class Untried(NamedTuple):
    """A period of the machine that these lites cannot show, and why."""

    cause: str
    period_mm: float
    reason: str


def candidates_of(
    machine: Machine, *, shortest_mm: float, longest_mm: float, length_mm: float
) -> tuple[list[Candidate], list[Untried]]:
    """All candidates of a machine, longest period first, and the periods that are not tried.

    shortest_mm, longest_mm  waves that are analysed
    length_mm                typical used length of the lites: a period must fit in 2.5 times
    """
    tried, untried = [], []
    for one in sorted(_all(machine), key=lambda c: -c.period_mm):
        reason = ""
        if one.low_mm < shortest_mm:
            reason = f"shorter than the shortest wave analysed, {shortest_mm:g} mm"
        elif one.high_mm > longest_mm:
            reason = f"longer than the longest wave analysed, {longest_mm:g} mm"
        elif one.high_mm > length_mm / 2.5:
            reason = f"does not fit 2.5 times into the used length of {length_mm:.0f} mm"
        if reason:
            untried.append(Untried(one.cause, one.period_mm, reason))
        else:
            tried.append(one)
    return tried, untried


def gap_in_cells(one: Candidate, other: Candidate, length_mm: float) -> float:
    """Distance of two ranges of periods in resolutions of 1 / length; 0 where they overlap."""
    first, second = sorted((one, other), key=lambda c: c.low_mm)
    return max(0.0, (1 / first.high_mm - 1 / second.low_mm) * length_mm)


def _all(machine: Machine) -> list[Candidate]:
    found: list[Candidate] = []
    for rollers in machine.rollers:
        glass = machine.glass if rollers.place != "scanner" else None
        turn, wear = math.pi * rollers.diameter_mm, math.pi * rollers.diameter_tolerance_mm
        found += [
            _candidate(rollers.name, "circumference", turn, wear, glass),
            _candidate(rollers.name, "half the circumference", turn / 2, wear / 2, glass),
            _candidate(
                rollers.name, "pitch", rollers.pitch_mm, rollers.pitch_tolerance_mm, glass
            ),
        ]
    if machine.nozzles is not None:
        pitch = machine.nozzles.pitch_along_mm
        found.append(
            _candidate(
                "nozzles", "pitch along", pitch,
                pitch * machine.nozzles.pitch_tolerance_percent / 100, machine.glass,
                "here only as far as it is the same all across; nozzle by nozzle it is told apart "
                "by the nozzle imprint",
            )
        )  # fmt: skip
    if machine.oscillation is not None and machine.oscillation.stroke_mm >= 1:
        oscillation = machine.oscillation
        found.append(
            _candidate(
                "oscillation", "stroke", oscillation.stroke_mm, oscillation.stroke_tolerance_mm,
                machine.glass,
            )
        )  # fmt: skip
    scanner = machine.scanner
    if scanner.support_pitch_mm is not None:
        remark = {
            None: "only where an area scanner takes the lite at once, or the lite rests: the "
            "machine file does not say which kind the scanner is",
            "line": "a fixed line scanner cannot see sag between supports with their period: if "
            "this is shown, something else has that period",
        }.get(scanner.kind, "")
        found.append(
            _candidate(
                "scanner supports", "pitch", scanner.support_pitch_mm,
                scanner.support_tolerance_mm, None, remark,
            )
        )  # fmt: skip
    if machine.encoder is not None:
        wheel = machine.encoder
        found.append(
            _candidate(
                "encoder wheel", "circumference", wheel.wheel_circumference_mm,
                wheel.wheel_tolerance_mm, None,
            )
        )  # fmt: skip
    for one in machine.disturbances:
        speed = getattr(machine.speeds, f"{one.at}_mm_per_s")
        period = float(speed) / one.frequency_hz
        glass = machine.glass if one.at != "scanner" else None
        spread = period * one.frequency_tolerance_percent / 100
        found.append(_candidate(one.name, "vibration", period, spread, glass))
    return found


def _candidate(
    part: str, kind: str, size_mm: float, spread_mm: float, glass: Glass | None, remark: str = ""
) -> Candidate:
    shrunk = glass.shrinkage_percent / 100 if glass else 0.0
    doubt = glass.shrinkage_tolerance_percent / 100 if glass else 0.0
    return Candidate(
        f"{part}: {kind}",
        part,
        kind,
        size_mm * (1 - shrunk),
        (size_mm - spread_mm) * (1 - shrunk - doubt),
        (size_mm + spread_mm) * (1 - shrunk + doubt),
        remark,
    )
