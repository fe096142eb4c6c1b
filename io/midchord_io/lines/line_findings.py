"""What was found about scan lines, in words: one finding for each case, with its counts."""

from __future__ import annotations

from dataclasses import dataclass

from midchord_io.acquisition import Finding

__all__ = [
    "LONG_BRIDGE_MM",
    "LineCounts",
    "copies_of_unknown_place",
    "counted",
    "length_finding",
    "line_findings",
    "times",
]


LONG_BRIDGE_MM = 12.0
"""Over more, a 120 mm wave is no longer followed to 0.2 % of its depth."""

LARGEST_BRIDGED_SHARE = 0.1
"""Of the lines: with more of them made than that, the scan is no longer what was measured."""


@dataclass
class LineCounts:
    """Tally of one scan, filled while its lines are put in order."""

    lines: int
    filled: int = 0
    without: int = 0
    odd: int = 0
    crept: int = 0
    creeps: int = 0
    creep_mm: float = 0.0
    longest_creep_mm: float = 0.0
    copied: int = 0
    stops: int = 0
    stopped: int = 0
    standing: int = 0
    shared: int = 0
    bridged: int = 0
    widest_bridge_mm: float = 0.0
    gaps: int = 0
    gap_share: float = 0.0
    smallest_step_mm: float = 0.0
    largest_step_mm: float = 0.0


def counted(count: int, noun: str) -> str:
    """A count and its noun: 1 line, 2 lines."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def times(count: int) -> str:
    """once, or 2 times."""
    return "once" if count == 1 else f"{count} times"


def line_findings(counts: LineCounts, pitch_mm: float, gap_mm: float) -> tuple[Finding, ...]:
    """Findings of every case that occurred; the first says that the lines were uneven."""

    def figures(lines: int, **more: float) -> dict[str, float]:
        return {"lines": float(lines), "share": lines / counts.lines, **more}

    found = [
        Finding(
            "uneven lines",
            counts.lines,
            f"The {counts.lines} lines lay {counts.smallest_step_mm:.3g} to "
            f"{counts.largest_step_mm:.3g} mm apart; they were interpolated to an even pitch of "
            f"{pitch_mm:.4g} mm.",
            figures(
                counts.lines,
                pitch_mm=pitch_mm,
                smallest_step_mm=counts.smallest_step_mm,
                largest_gap_mm=counts.largest_step_mm,
            ),
        )
    ]
    if counts.filled or counts.without:
        lines = counts.filled + counts.without
        found.append(
            Finding(
                "lines without a position",
                lines,
                f"{counted(lines, 'line')} had no position: {counts.filled} put between the "
                f"neighbours, {counts.without} left out.",
                figures(lines, left_out=float(counts.without)),
                is_doubt=counts.without > 0,
            )
        )
    if counts.odd:
        found.append(
            Finding(
                "garbled positions",
                counts.odd,
                f"{counted(counts.odd, 'line')} with positions far out of order left out.",
                figures(counts.odd),
                is_doubt=True,
            )
        )
    if counts.crept:
        found.append(
            Finding(
                "backwards creep",
                counts.creeps,
                f"The glass crept back {times(counts.creeps)}, by {counts.longest_creep_mm:.2g} mm "
                f"at most; {counted(counts.crept, 'line')} over the same glass left out.",
                figures(counts.crept, largest_creep_mm=counts.longest_creep_mm),
            )
        )
    if counts.copied:
        found.append(
            Finding(
                "lines twice",
                counts.copied,
                f"{counted(counts.copied, 'line')} that copied another one left out.",
                figures(counts.copied),
            )
        )
    if counts.stops:
        lines = counts.stopped + counts.standing
        found.append(
            Finding(
                "stop and restart",
                counts.stops,
                f"The glass stood still {times(counts.stops)}; {counted(lines, 'line')} taken "
                "meanwhile became one for each place.",
                figures(lines),
            )
        )
    if counts.shared:
        found.append(
            Finding(
                "lines at one place",
                counts.shared,
                f"{counted(counts.shared, 'line')} closer than a quarter of the pitch to a "
                "neighbour became one with it.",
                figures(counts.shared),
            )
        )
    if counts.bridged or counts.gaps:
        is_long = counts.widest_bridge_mm > LONG_BRIDGE_MM
        is_many = counts.bridged > LARGEST_BRIDGED_SHARE * counts.lines
        made = " What lies between is made, not measured." if is_long or is_many else ""
        found.append(
            Finding(
                "lines missing",
                counts.bridged + counts.gaps,
                f"{counted(counts.bridged, 'missing line')} interpolated; "
                f"{counted(counts.gaps, 'gap')} wider than {gap_mm:.3g} mm left without heights "
                f"({100 * counts.gap_share:.1f} % of the length).{made}",
                figures(
                    counts.bridged,
                    gaps=float(counts.gaps),
                    gap_share=counts.gap_share,
                    largest_gap_mm=counts.largest_step_mm,
                    widest_bridge_mm=counts.widest_bridge_mm,
                ),
                is_doubt=counts.gaps > 0 or is_long or is_many,
            )
        )
    return tuple(found)


def copies_of_unknown_place(copies: int, lines: int, pitch_mm: float) -> Finding:
    """Copies in a scan whose lines are only counted: it cannot be told what they stand for."""
    return Finding(
        "lines twice",
        copies,
        f"{counted(copies, 'line')} the same as the one before: whether added or for a lost one "
        f"cannot be told from a pitch alone, so places may be off by up to "
        f"{copies * pitch_mm:.3g} mm.",
        {"lines": float(copies), "share": copies / lines, "largest_shift_mm": copies * pitch_mm},
        is_doubt=True,
    )


def length_finding(measured_mm: float | None, known_mm: float) -> Finding:
    """The length that the scan gives a lite of known length; None where its ends are not seen."""
    if measured_mm is None:
        return Finding(
            "length",
            0,
            "The stated length of the lite cannot be compared: the scan does not go past both of "
            "its ends, or sees what is beside the glass.",
        )
    off = measured_mm / known_mm - 1
    return Finding(
        "length",
        1,
        f"The lite is {known_mm:.1f} mm long as stated and {measured_mm:.1f} mm by the scan "
        f"({100 * off:+.2f} %)"
        + ("." if abs(off) <= 0.005 else ": encoder slip, or a wrong pitch or speed."),
        {"known_mm": known_mm, "measured_mm": measured_mm, "share": off},
        is_doubt=abs(off) > 0.005,
    )
