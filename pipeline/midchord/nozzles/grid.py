"""What the nozzle grid of a machine can leave on a cold lite, and what a map can show of it.

*Tracks.* Glass that moves under the nozzles is marked along lines: one track for each column of
nozzles. Where every second row is shifted (stagger) a column leaves two tracks, of the odd rows and
of the even rows. Two tracks that a map cannot part are one; a stagger of half a pitch then leaves
an even surface, and nothing can be said.

*Pitch.* The marks are made on hot glass: in the cold lite their pitch is p (1 - shrinkage). Over a
lite of 1200 mm an error of 0.3 % moves the last track by 3.6 mm, so the pitch is fitted, within
the tolerances of shrinkage and drawing.

*Sampling.* A pitch p needs a map with at least two points to each track gap; from fewer a false,
longer pitch is made.

*Rows.* To and fro by a stroke S smears a row pattern of pitch p. What is left of its first harmonic
is |sin(pi S/p) / (pi S/p)| for an even motion and |J0(pi S/p)| for a harmonic one, which stands
longer at its reversal points; the lesser counts, at the worst stroke within its tolerance.
(Geometry derived: the Fourier transform of the density of the position.)
"""

from __future__ import annotations

import itertools
import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from midchord.machine import Machine, Nozzles
from midchord_io.errors import SettingsError, UnsupportedScan

__all__ = [
    "NozzleGrid",
    "RowsAllowed",
    "check_pitch",
    "grid_of",
    "pitch_tolerance",
    "rows_allowed",
]

Floats = npt.NDArray[np.float64]

LEAST_STAGGER_CONTRAST = 0.5
LEAST_TOGETHER = 0.2


class NozzleGrid(NamedTuple):
    """Tracks across the travel, as in the cold lite.

    drawn_mm          pitch across on the drawing
    pitch_mm          the same in the cold lite, with its tolerance (a share)
    offsets           place of each track of a column, in pitches from its first nozzle
    names             "" or which rows made the track
    first_across_mm   of column 1, on the machine frame
    columns           how many there are, None: not known
    """

    drawn_mm: float
    pitch_mm: float
    tolerance: float
    offsets: tuple[float, ...]
    names: tuple[str, ...]
    first_across_mm: float
    columns: int | None

    @property
    def gap_mm(self) -> float:
        """Smallest distance of two tracks."""
        places = [*self.offsets, self.offsets[0] + 1]
        return self.pitch_mm * min(b - a for a, b in itertools.pairwise(places))

    def visible(self, order: npt.NDArray[np.int_]) -> npt.NDArray[np.bool_]:
        """Whether a harmonic of the pitch is left where all tracks of a column come together."""
        together = np.exp(-2j * math.pi * np.outer(order, np.array(self.offsets))).sum(axis=1)
        return np.asarray(np.abs(together) > LEAST_TOGETHER)

    @property
    def period(self) -> float:
        """Pitches after which the row of tracks looks the same again."""
        count = len(self.offsets)
        is_even = abs(self.gap_mm * count - self.pitch_mm) < 0.02 * self.pitch_mm
        return 1 / count if is_even else 1.0


class RowsAllowed(NamedTuple):
    """Whether rows can be told apart; ``contrast`` is what the motion left, None: not known."""

    allowed: bool
    contrast: float | None
    reason: str


def grid_of(machine: Machine, y_pitch_mm: float) -> NozzleGrid:
    """The tracks that maps of this pitch can show.

    y_pitch_mm  of the coarsest map, across
    Raises      SettingsError: no nozzles described; UnsupportedScan: the maps are too coarse
    """
    nozzles = _nozzles(machine)
    shrinkage = machine.glass.shrinkage_percent / 100
    tolerance = pitch_tolerance(machine)
    pitch = nozzles.pitch_across_mm * (1 - shrinkage)
    stagger = nozzles.stagger_mm / nozzles.pitch_across_mm
    offsets: tuple[float, ...] = (0.0,)
    names: tuple[str, ...] = ("",)
    if stagger > 0:
        least = min(stagger, 1 - stagger) * pitch
        if least >= 2 * y_pitch_mm:
            offsets, names = (0.0, stagger), ("odd rows", "even rows")
        else:
            middle = stagger / 2 if stagger <= 0.5 else (1 + stagger) / 2
            if abs(math.cos(math.pi * stagger)) < LEAST_STAGGER_CONTRAST:
                raise _too_coarse("machine", y_pitch_mm, least, "tracks, with the stagger of rows,")
            offsets = (middle,)
    grid = NozzleGrid(
        nozzles.pitch_across_mm, pitch, tolerance, offsets, names,
        nozzles.first_across_mm, nozzles.columns,
    )  # fmt: skip
    check_pitch("machine", y_pitch_mm, nozzles.pitch_across_mm)
    return grid


def pitch_tolerance(machine: Machine) -> float:
    """Share by which the pitch in the cold lite may differ from the drawing's, shrunk: tolerance of
    the drawing and of the shrinkage, or no shrinkage at all (a pitch measured on cold glass)."""
    glass = machine.glass
    own = max(glass.shrinkage_tolerance_percent, glass.shrinkage_percent)
    return (_nozzles(machine).pitch_tolerance_percent + own) / 100


def check_pitch(where: str, y_pitch_mm: float, pitch_mm: float) -> None:
    """Raises UnsupportedScan where a map is too coarse across for a nozzle pitch."""
    if y_pitch_mm > pitch_mm / 2:
        raise _too_coarse(where, y_pitch_mm, pitch_mm, "nozzles")


def rows_allowed(machine: Machine, least_contrast: float) -> RowsAllowed:
    """Whether the motion of the glass left the rows of nozzles apart.

    least_contrast  of the first harmonic of a row's mark that must be left
    """
    nozzles, motion = _nozzles(machine), machine.oscillation
    pitch = nozzles.pitch_along_mm
    if motion is None:
        return RowsAllowed(
            False, None,
            "the machine file does not say how the glass moved in the quench ([oscillation])",
        )  # fmt: skip
    low = max(0.0, motion.stroke_mm - motion.stroke_tolerance_mm)
    strokes = np.linspace(low, motion.stroke_mm + motion.stroke_tolerance_mm, 101)
    if motion.stroke_mm == 0:
        strokes = np.zeros(1)
    contrast = float(np.min(_left_by(strokes / pitch)))
    moved = f"the glass moved to and fro by {motion.stroke_mm:g} mm"
    if len(motion.reversal_points_mm) == 2:
        near, far = sorted(motion.reversal_points_mm)
        moved += f" and turned at {near:g} and {far:g} mm"
    is_smeared = contrast < least_contrast
    left = (
        f"{moved}, which {'may leave no more than' if is_smeared else 'leaves at least'} "
        f"{100 * contrast:.0f} % of the mark of rows {pitch:g} mm apart"
    )
    if is_smeared:
        return RowsAllowed(False, contrast, f"{left}; needed are {100 * least_contrast:.0f} %")
    return RowsAllowed(True, contrast, left)


def _left_by(strokes: Floats) -> Floats:
    """Contrast of the first harmonic after strokes in pitches, the lesser of two motions."""
    from scipy.special import j0

    even = np.abs(np.sinc(strokes))
    harmonic = np.abs(j0(math.pi * strokes))
    return np.asarray(np.minimum(even, harmonic))


def _nozzles(machine: Machine) -> Nozzles:
    if machine.nozzles is None:
        raise SettingsError(
            machine.name,
            found="the machine file describes no nozzles",
            needed="[nozzles] with pitch_along_mm and pitch_across_mm",
            do="add them, or leave the nozzle imprint out",
        )
    return machine.nozzles


def _too_coarse(where: str, y_pitch_mm: float, gap_mm: float, what: str) -> UnsupportedScan:
    return UnsupportedScan(
        where,
        found=f"the maps have a point every {y_pitch_mm:g} mm across, and {what} stand "
        f"{gap_mm:g} mm apart",
        needed="a pitch across of at most half of that: a coarser one shows a false, longer pitch",
        do="scan finer across, or leave the nozzle imprint out",
    )
