"""What a trace says, as facts for a file: numbers unrounded, and sentences for people.

The sentences come in the order in which a process engineer asks: which part, how sure, what cannot
be told apart, what is not explained, and what these lites cannot show at all.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

import midchord
from midchord.causes.attribution import Attributed
from midchord.causes.shares import Share
from midchord.causes.waves_found import Found
from midchord.nozzles.facts import imprint_headlines
from midchord.trace import BANDS_MM, SCHEMA_VERSION, Trace

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "cause_table",
    "conclusions",
    "limits_of",
    "percent",
    "spectrum_table",
    "trace_facts",
    "wave_name",
]


def trace_facts(trace: Trace) -> dict[str, Any]:
    """The content of ``causes.json``; its schema is ``causes.schema.json``."""
    used = [lite.used_mm for lite in trace.lites]
    skews = np.array([lite.skew_deg for lite in trace.lites])
    depth, distortion = trace.explained
    s = trace.settings
    return {
        "schema_version": SCHEMA_VERSION,
        "program_version": midchord.__version__,
        "machine": trace.machine.name,
        "conclusions": conclusions(trace),
        "causes": [_cause(trace, one) for one in trace.causes],
        "waves": [
            _wave(trace, number, wave, share)
            for number, (wave, share) in enumerate(zip(trace.waves, trace.wave_shares, strict=True))
        ],
        "explained": {"depth_share": depth, "distortion_share": distortion},
        "not_tried": [one._asdict() for one in trace.untried],
        "limits": limits_of(trace),
        "lites": {
            "count": len(trace.lites),
            "ids": [lite.lite_id for lite in trace.lites],
            "left_out": [{"lite_id": name, "reason": why} for name, why in trace.left_out],
            "used_length_mm": {
                "min": min(used), "median": float(np.median(used)), "max": max(used)
            },
            "place_known": {
                "along": sum(lite.place.along_mm is not None for lite in trace.lites),
                "across": sum(lite.place.across_mm is not None for lite in trace.lites),
            },
        },
        "resolution": {
            "cycles_per_mm": trace.resolution,
            "mm_at": [
                {"wavelength_mm": L, "resolution_mm": L**2 * trace.resolution}
                for L in (50.0, 100.0, 200.0, 250.0, 300.0, 400.0)
            ],
        },
        "ridges": {
            "skew_deg_mean": float(skews.mean()),
            "skew_deg_sd": float(skews.std(ddof=1)) if skews.size > 1 else None,
            "coherence_mean": float(np.mean([lite.coherence for lite in trace.lites])),
            "direction_deg": None if trace.areal is None
            else trace.areal.direction_deg(s.search.shortest_mm, s.search.longest_mm),
        },
        "spectrum": {
            "method": trace.spectrum.method,
            "resolution_cycles_per_mm": trace.spectrum.resolution,
            "degrees_of_freedom": trace.spectrum.dof,
            "frequency_cycles_per_mm": trace.spectrum.frequency,
            "density_mm3": trace.spectrum.density,
        },
        "content": {
            "bands_mm": [list(band) for band in BANDS_MM],
            "rms_mm": [
                [[None if not np.isfinite(v) else float(np.sqrt(v)) for v in zone] for zone in row]
                for row in trace.content_mm2
            ],
        },
        "nozzles": _nozzles(trace),
        "p_values": "corrected by Holm over all candidates; the larger of presence against the "
        "continuous background and of steadiness from lite to lite",
        "settings": s.model_dump(),
    }  # fmt: skip


def _nozzles(trace: Trace) -> dict[str, Any] | None:
    if trace.nozzles is None:
        return {"refused": trace.nozzles_refused} if trace.nozzles_refused else None
    return {"refused": None, **trace.nozzles.as_dict()}


def _share(share: Share) -> dict[str, Any]:
    return {
        "depth_share": share.depth,
        "interval": list(share.depth_interval),
        "distortion_share": share.distortion,
        "distortion_interval": list(share.distortion_interval),
        "interval_of": share.of,
        "depth_mm": 2 * 2**0.5 * share.rms_mm,
    }


def _cause(trace: Trace, one: Attributed) -> dict[str, Any]:
    candidate, steady = one.candidate, one.steadiness
    return {
        "cause": candidate.cause,
        "part": candidate.part,
        "kind": candidate.kind,
        "verdict": one.verdict,
        "period_mm": candidate.period_mm,
        "period_range_mm": [candidate.low_mm, candidate.high_mm],
        "fitted_period_mm": one.period_mm,
        "u_fitted_period_mm": _finite(one.u_period_mm),
        **_share(one.share),
        "p_value": one.p_value,
        "p_single": one.p_single,
        "steadiness": steady.state,
        "scatter_percent": None if steady.scatter is None else 100 * steady.scatter,
        "wave": one.wave,
        "separable_from": one.separable_from,
        "not_separable_from": one.not_separable_from,
        "remark": candidate.remark,
    }


def _wave(trace: Trace, number: int, wave: Found, share: Share) -> dict[str, Any]:
    steady = wave.steadiness
    return {
        "wave": number,
        "period_mm": wave.period_mm,
        "u_period_mm": _finite(wave.u_period_mm),
        **_share(share),
        "p_value": wave.p_value,
        "steadiness": steady.state,
        "scatter_percent": None if steady.scatter is None else 100 * steady.scatter,
        "causes": [one.candidate.cause for one in trace.causes_of(number)],
    }


def _finite(value: float | None) -> float | None:
    return value if value is not None and np.isfinite(value) else None


def wave_name(wave: Found) -> str:
    """``wave of 251 mm``, or ``wave about 251 mm`` where it wanders."""
    about = "about" if wave.steadiness.state == "wandering" else "of"
    return f"wave {about} {wave.period_mm:.0f} mm"


def _list(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1]


def percent(share: float, interval: tuple[float, float] | None = None) -> str:
    """``12 %``, ``0.4 %``, ``under 0.1 %``; with its interval in brackets where there is one."""
    text = _digits(share) + " %"
    if interval is None:
        return text
    low, high = (_digits(end) for end in interval)
    return f"{text} ({low} to {high} %)" if low != high else text


def _digits(share: float) -> str:
    if share <= 0:
        return "0"
    if share < 0.001:
        return "under 0.1"
    return f"{100 * share:.1f}" if share < 0.0995 else f"{100 * share:.0f}"


def conclusions(trace: Trace) -> list[str]:
    """Sentences, the most important first."""
    said = []
    named: set[int] = set()
    for one in trace.causes:
        if one.verdict == "not shown" or one.wave is None or one.wave in named:
            continue
        named.add(one.wave)
        same = [c.candidate.cause for c in trace.causes_of(one.wave)]
        shown = "is shown" if one.verdict == "shown" else "agrees with what is seen"
        head = f"{one.candidate.cause[0].upper()}{one.candidate.cause[1:]} {shown}"
        if len(same) > 1:
            head = f"One of {_list(same)} {shown}, and which cannot be told"
        text = (
            f"{head}: a wave of {one.period_mm:.1f} mm holds "
            f"{percent(one.share.depth, one.share.depth_interval)} of the depth and "
            f"{percent(one.share.distortion, one.share.distortion_interval)} of the distortion."
        )
        near = [name for name in one.not_separable_from if name not in same]
        if near:
            text += (
                f" By the resolution of these lites it cannot be separated from {_list(near)}, "
                "whose period the wave does not have, so that a smaller part of it may be theirs."
            )
        if one.verdict == "agrees":
            text += " So few lites cannot tell a machine from a wave that happened to be there."
        said.append(text)
    if not said:
        said.append("No part of the machine is shown to have made any of these waves.")
    for number, (wave, share) in enumerate(zip(trace.waves, trace.wave_shares, strict=True)):
        matched = trace.causes_of(number)
        if any(one.verdict != "not shown" for one in matched):
            continue
        holds = f"{percent(share.depth, share.depth_interval)} of the depth"
        scatter = 100 * (wave.steadiness.scatter or 0.0)
        if wave.steadiness.state == "wandering":
            said.append(
                f"A {wave_name(wave)} wanders by {scatter:.1f} % from lite to lite and is not "
                f"explained by the machine: {holds}."
            )
        elif matched:
            said.append(
                f"A {wave_name(wave)} could be that of "
                f"{_list([one.candidate.cause for one in matched])}, but is not shown to keep its "
                f"period from lite to lite: {holds}."
            )
        else:
            said.append(
                f"A wave of {wave.period_mm:.1f} mm has the period of no part that the machine "
                f"file names and is not explained by the machine: {holds}."
            )
    if trace.nozzles is not None:
        said += imprint_headlines(trace.nozzles)
    return said


def limits_of(trace: Trace) -> list[str]:
    """What these lites cannot show, and what stays possible."""
    said = []
    count, claims = len(trace.lites), trace.settings.claims
    piece = "piece" if trace.settings.profile.piece_mm > 0 else "lite"
    said.append(
        f"One {piece} tells waves of 250 mm apart when they differ by "
        f"{250.0**2 * trace.resolution:.0f} mm or more; more lites make the figures surer, not the "
        "resolution finer, because the phases differ from lite to lite."
    )
    if count < claims.least_lites:
        said.append(
            f"{count} lite{'' if count == 1 else 's'}: at least {claims.least_lites} are needed to "
            "show that a period is steady, so a cause can agree but is not shown."
        )
    if count < trace.settings.intervals.bootstrap_lites:
        said.append("The intervals are of these lites alone, not of the production.")
    unknown = sum(lite.place.along_mm is None for lite in trace.lites)
    aside = sum(lite.place.across_mm is None for lite in trace.lites)
    if unknown or aside:
        where = [f"along for {unknown}"] * bool(unknown) + [f"across for {aside}"] * bool(aside)
        said.append(
            f"Of {count} lites the place in the machine is not known {_list(where)}: periods are "
            "found all the same, since their phases are free, but what stays at one place of the "
            "machine cannot be told there from what moves with the glass."
        )
    for one in trace.causes:
        if one.candidate.remark and (one.verdict != "not shown" or "kind" in one.candidate.remark):
            said.append(f"{one.candidate.cause}: {one.candidate.remark}.")
    said += [f"Not tried: {one.cause}, {one.period_mm:.1f} mm, {one.reason}."
             for one in trace.untried]  # fmt: skip
    said += [f"Lite {name} was left out: {why}." for name, why in trace.left_out]
    return said


def cause_table(trace: Trace) -> pd.DataFrame:
    """Every candidate, one a row; lists in one cell, parted by semicolons."""
    import pandas as pd

    rows = []
    for one in trace.causes:
        facts = _cause(trace, one)
        for key in ("interval", "distortion_interval", "period_range_mm"):
            facts[f"{key}_low"], facts[f"{key}_high"] = facts.pop(key)
        for key in ("separable_from", "not_separable_from"):
            facts[key] = "; ".join(facts[key])
        rows.append(facts)
    return pd.DataFrame(rows)


def spectrum_table(trace: Trace) -> pd.DataFrame:
    """Density along the travel."""
    import pandas as pd

    found = trace.spectrum
    return pd.DataFrame(
        {
            "frequency_cycles_per_mm": found.frequency,
            "wavelength_mm": 1 / found.frequency,
            "density_mm3": found.density,
        }
    )
