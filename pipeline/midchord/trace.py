"""Maps of lites and a machine: which part of the machine made which part of the waves.

    maps --ridge_profile--> profiles --find_waves--> waves     what the lites hold, machine unseen
    machine --candidates_of--> candidates                      what the machine could leave
    waves + candidates --attribute--> causes                   shares, intervals, p-values, doubts

The lites are read one after the other and only their profiles are kept, so that thousands fit. What
is said never goes beyond four limits, which the result states:

- the resolution of one lite, L^2 / length, whatever the number of lites;
- the tolerance of every period of the machine;
- steadiness: a wave whose length wanders from lite to lite is no machine's;
- the number of candidates tried (Holm).

A trace shows that something with the period of a part is there, not that the part is at fault.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import xarray as xr

from midchord.causes.attribution import Attributed, attribute
from midchord.causes.candidates import Untried, candidates_of
from midchord.causes.harmonics import GroupFit, Weights, fit
from midchord.causes.profiles import RidgeProfile, pieces_of, ridge_profile
from midchord.causes.shares import Share, share_of, totals_of
from midchord.causes.trace_settings import TraceSettings
from midchord.causes.waves_found import Found, Rules, find_waves, frequencies_of
from midchord.machine import Machine
from midchord.machine_place import MachinePlace, place_of
from midchord.nozzles.imprint import NozzleGathering, NozzleImprint
from midchord.spectra.along import Spectrum, density_along
from midchord.spectra.areal import Areal, areal_density, content_by_zone
from midchord_io.errors import LiteTooSmall, MidchordError, ScanError

__all__ = ["BANDS_MM", "SCHEMA_VERSION", "Trace", "TracedLite", "trace"]

SCHEMA_VERSION = 1
BANDS_MM = ((30.0, 60.0), (60.0, 120.0), (120.0, 200.0), (200.0, 300.0), (300.0, 450.0),
            (450.0, 700.0))  # fmt: skip
"""Bands of the wavelength content by zone."""

Floats = npt.NDArray[np.float64]


class TracedLite(NamedTuple):
    """One lite as it went in."""

    lite_id: str
    length_mm: float
    used_mm: float
    skew_deg: float
    ridge_bow_mm: float
    coherence: float
    place: MachinePlace


@dataclass(frozen=True)
class Trace:
    """All that was found.

    lites       as they went in
    waves, wave_shares   found without the machine
    causes      all candidates, the surest and largest first
    untried     periods that these lites cannot show
    spectrum    mean density of the ridge profiles, mm^2 mm; fine: with one taper, which scatters
                more and smears less
    areal       mean areal density, None where lites differ too much in pitch
    content_mm2 (row, column, band) mean square height by zone
    nozzles     imprint of the quench nozzles; None where the machine file describes none, or where
                nozzles_refused says why not
    resolution  1 / typical length of a piece, cycles per mm
    """

    machine: Machine
    settings: TraceSettings
    lites: list[TracedLite]
    waves: list[Found]
    wave_shares: list[Share]
    causes: list[Attributed]
    untried: list[Untried]
    spectrum: Spectrum
    fine: Spectrum
    areal: Areal | None
    content_mm2: Floats
    resolution: float
    left_out: list[tuple[str, str]]
    nozzles: NozzleImprint | None
    nozzles_refused: str

    @property
    def explained(self) -> tuple[float, float]:
        """Share of depth and of distortion of all waves that a shown or agreeing cause matches."""
        matched = {one.wave for one in self.causes if one.verdict != "not shown"} - {None}
        shares = [self.wave_shares[number] for number in matched if number is not None]
        return (
            min(1.0, sum(share.depth for share in shares)),
            min(1.0, sum(share.distortion for share in shares)),
        )

    def causes_of(self, wave: int) -> list[Attributed]:
        """The candidates that a wave matches."""
        return [one for one in self.causes if one.wave == wave]

    def as_dict(self) -> dict[str, Any]:
        """The content of ``causes.json``, by ``causes.schema.json``."""
        from midchord.trace_facts import trace_facts

        return trace_facts(self)


def trace(
    lites: Iterable[xr.Dataset],
    machine: Machine,
    settings: TraceSettings | None = None,
    *,
    places: Mapping[str, MachinePlace] | None = None,
) -> Trace:
    """Hold maps against a machine.

    lites     maps, one a lite, e.g. a generator over stored files: each is read once
    machine   of ``Machine.load``
    settings  of ``TraceSettings.load``; the defaults where none are given
    places    where lites lay, of ``midchord.machine_place.read_places``
    Raises    ScanError: no lites, two with one name, frames mixed; LiteTooSmall: none long enough
    """
    s = settings or TraceSettings.load()
    gathered = _Gathered(machine, s, places or {})
    for maps in lites:
        gathered.add(maps)
    if not gathered.profiles:
        raise _none(gathered.left_out)
    profiles = gathered.profiles
    pieces = [
        piece
        for number, profile in enumerate(profiles)
        for piece in pieces_of(profile, number, s.profile.piece_mm)
    ]
    if not pieces:
        raise _none([(machine.name, "no piece has enough points: profile.piece_mm is too small")])
    length_mm = float(np.median([piece.span_mm for piece in pieces]))
    pitch_mm = float(np.median([profile.pitch_mm for profile in profiles]))
    rules = _rules(s, length_mm, pitch_mm)
    waves = find_waves(pieces, rules)
    fits = fit(pieces, frequencies_of(waves, len(pieces)))
    totals = totals_of(
        pieces, fits, pitch_mm=pitch_mm, shortest_mm=s.search.shortest_mm,
        longest_mm=s.search.longest_mm, **s.spectrum.model_dump(),
    )  # fmt: skip

    def share_at(of: list[GroupFit], wave: int) -> Share:
        return share_of(pieces, of, wave, totals, rules.weights, **s.intervals.model_dump())

    shares = [share_at(fits, wave) for wave in range(len(waves))]
    candidates, untried = candidates_of(
        machine, shortest_mm=s.search.shortest_mm, longest_mm=s.search.longest_mm,
        length_mm=length_mm,
    )  # fmt: skip
    causes = attribute(
        pieces, waves, candidates, shares, share_at, rules,
        length_mm=length_mm, least_cells=s.claims.least_cells,
    )  # fmt: skip
    return Trace(
        machine, s, gathered.lites, waves, shares, causes, untried,
        gathered.spectrum(), gathered.fine(), gathered.areal(), gathered.content(),
        1 / length_mm, gathered.left_out,
        *gathered.nozzles(),
    )  # fmt: skip


def _rules(s: TraceSettings, length_mm: float, pitch_mm: float) -> Rules:
    nyquist = 0.45 / pitch_mm
    return Rules(
        lowest=max(1 / s.search.longest_mm, 2 / length_mm),
        highest=min(1 / s.search.shortest_mm, nyquist),
        most_waves=s.search.most_waves,
        false_rate=s.search.false_rate,
        least_wander=s.claims.least_wander_percent / 100,
        least_lites=s.claims.least_lites,
        claim_rate=s.claims.false_rate,
        weights=Weights(1 / (1.3 * s.search.longest_mm), nyquist),
    )


class _Gathered:
    """What is kept of the lites: profiles, and sums of their spectra."""

    def __init__(
        self, machine: Machine, settings: TraceSettings, places: Mapping[str, MachinePlace]
    ) -> None:
        self.machine, self.settings, self.places = machine, settings, places
        self.profiles: list[RidgeProfile] = []
        self.lites: list[TracedLite] = []
        self.left_out: list[tuple[str, str]] = []
        self._names: set[str] = set()
        self._frame: tuple[str, str] | None = None
        self._spectra: list[Spectrum] = []
        self._fine: list[Spectrum] = []
        self._areal: tuple[Areal, int] | None = None
        self._content: list[Floats] = []
        self._nozzles = (
            NozzleGathering(machine, settings.nozzles) if machine.nozzles is not None else None
        )
        self._nozzles_refused = ""

    def add(self, maps: xr.Dataset) -> None:
        s, name = self.settings, str(maps.attrs.get("lite_id", ""))
        self._check(maps, name)
        try:
            profile = ridge_profile(
                maps, **s.profile.model_dump(exclude={"piece_mm"}),
                shortest_mm=max(60.0, s.search.shortest_mm), longest_mm=s.search.longest_mm,
            )  # fmt: skip
        except LiteTooSmall as error:
            self.left_out.append((name, error.found))
            return
        self.profiles.append(profile)
        ridges = profile.ridges
        self.lites.append(
            TracedLite(
                name, float(maps.attrs.get("length_mm", np.ptp(maps["x"].values))),
                profile.used_mm, ridges.skew_deg, ridges.bow_mm, ridges.coherence,
                place_of(maps.attrs, self.machine, self.places),
            )
        )  # fmt: skip
        self._spectra.append(
            density_along(profile.height_mm, profile.pitch_mm, **s.spectrum.model_dump())
        )
        self._fine.append(
            density_along(profile.height_mm, profile.pitch_mm, time_bandwidth=1.0, tapers=1)
        )
        self._add_surface(maps)
        self._add_nozzles(maps, self.lites[-1].place)

    def _add_nozzles(self, maps: xr.Dataset, place: MachinePlace) -> None:
        """Lites in which the nozzles cannot be seen stop their imprint, not the trace."""
        if self._nozzles is None or self._nozzles_refused:
            return
        try:
            self._nozzles.add(maps, place)
        except MidchordError as error:
            self._nozzles_refused = str(error)

    def nozzles(self) -> tuple[NozzleImprint | None, str]:
        if self._nozzles is None or self._nozzles_refused:
            return None, self._nozzles_refused
        try:
            return self._nozzles.imprint(), ""
        except LiteTooSmall as error:
            return None, str(error)

    def _check(self, maps: xr.Dataset, name: str) -> None:
        if name in self._names:
            raise ScanError(
                name,
                found="two of the maps are of a lite of this name",
                needed="each lite once: a lite counted twice makes every interval too narrow",
                do="leave one of them out, or name them apart",
            )
        self._names.add(name)
        own, of_scan = str(maps.attrs.get("frame")), str(maps.attrs.get("frame_of_scan", "lite"))
        if own != "lite":
            raise ScanError(
                name,
                found=f"a surface on the {own} frame",
                needed="maps on the frame of the lite, as midchord stores them",
                do="process the scan first",
            )
        if self._frame is None:
            self._frame = (of_scan, name)
        first, first_name = self._frame
        if of_scan != first and not {name, first_name} <= set(self.places):
            raise ScanError(
                name,
                found=f"it was scanned on the {of_scan} frame, and lite {first_name} on the "
                f"{first} frame",
                needed="lites of one frame, or a table of their places in the machine",
                do="trace the two kinds apart, or give the table with --places",
            )

    def _add_surface(self, maps: xr.Dataset) -> None:
        residual = maps["residual"].values.astype(np.float64)
        x, y = maps["x"].values, maps["y"].values
        self._content.append(content_by_zone(residual, float(x[1] - x[0]), BANDS_MM))
        if self._areal is None:
            self._areal = areal_density(residual, float(x[1] - x[0]), float(y[1] - y[0])), 1
            return
        # the mean is of lites of one size: others would need another grid of frequencies
        mean, count = self._areal
        own = areal_density(residual, float(x[1] - x[0]), float(y[1] - y[0]))
        if own.density.shape == mean.density.shape and np.allclose(own.fx, mean.fx):
            density = mean.density + (own.density - mean.density) / (count + 1)
            self._areal = mean._replace(density=density), count + 1

    def spectrum(self) -> Spectrum:
        return _mean(self._spectra)

    def fine(self) -> Spectrum:
        return _mean(self._fine)

    def areal(self) -> Areal | None:
        return None if self._areal is None else self._areal[0]

    def content(self) -> Floats:
        table = np.stack(self._content)
        counts = np.isfinite(table).sum(axis=0)
        sums = np.nansum(table, axis=0)
        return np.where(counts > 0, sums / np.maximum(counts, 1), np.nan)


def _mean(spectra: Sequence[Spectrum]) -> Spectrum:
    """Mean over the lites, on the frequencies of the longest."""
    longest = max(spectra, key=lambda one: one.frequency.size)
    f = longest.frequency
    density = np.mean([np.interp(f, one.frequency, one.density) for one in spectra], axis=0)
    dof = float(sum(one.dof for one in spectra))
    resolution = float(np.mean([one.resolution for one in spectra]))
    return Spectrum(f, density, dof, resolution, longest.method)


def _none(left_out: Sequence[tuple[str, str]]) -> ScanError:
    where, why = left_out[0] if left_out else ("maps", "no lites were given")
    return LiteTooSmall(
        where,
        found=why,
        needed="at least one lite that is long and wide enough for a ridge profile",
        do="name more maps",
    )
