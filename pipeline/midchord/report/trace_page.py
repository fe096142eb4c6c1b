"""The page of a trace: which part of the machine, how sure, what cannot be told apart.

In that order, in sentences first and pictures after them; tables hold every candidate.
Self-contained HTML. Numbers are rounded here, by the digits that their intervals earn.
"""

from __future__ import annotations

import base64
from typing import Any

import numpy as np

import midchord
from midchord.causes.attribution import Attributed
from midchord.report import trace_pictures as pictures
from midchord.report.house_style import shown
from midchord.report.nozzle_section import nozzle_section
from midchord.report.page import CAUTIONS
from midchord.report.templates import filled
from midchord.trace import BANDS_MM, Trace
from midchord.trace_facts import conclusions, limits_of, percent

__all__ = ["trace_page"]


def trace_page(trace: Trace) -> str:
    """The page as one HTML file that needs nothing else."""
    return filled(
        "trace_page.html.j2",
        verdict=_verdict(trace),
        conclusions=conclusions(trace),
        limits=limits_of(trace),
        about=_about(trace),
        pictures=_pictures(trace),
        causes=[_cause(trace, one) for one in trace.causes],
        waves=_waves(trace),
        content=_content(trace),
        nozzles=nozzle_section(trace.nozzles, trace.nozzles_refused),
        spectrum=_spectrum(trace),
        settings=[(f"{group}.{key}", str(value)) for group, values in
                  trace.settings.model_dump().items() for key, value in values.items()],
        cautions=CAUTIONS,
    )  # fmt: skip


def _verdict(trace: Trace) -> dict[str, str]:
    shown_parts = [one for one in trace.causes if one.verdict == "shown"]
    agreeing = [one for one in trace.causes if one.verdict == "agrees"]
    depth, distortion = trace.explained
    if shown_parts or agreeing:
        words = "shown" if shown_parts else "agrees with what is seen"
        waves = {one.wave for one in shown_parts or agreeing}
        count = len(waves)
        head = f"{count} cause{'' if count == 1 else 's'} {words}" if shown_parts else (
            "The machine agrees with what is seen"
        )  # fmt: skip
        return {
            "kind": "within" if shown_parts else "undecided",
            "mark": "●" if shown_parts else "◐",
            "words": f"{head}: {percent(depth)} of the depth, {percent(distortion)} of the "
            "distortion",
        }
    return {"kind": "outside", "mark": "○", "words": "No part of the machine is shown"}


def _about(trace: Trace) -> list[tuple[str, str]]:
    used = sorted(lite.used_mm for lite in trace.lites)
    skews = [lite.skew_deg for lite in trace.lites]
    coherence = float(np.mean([lite.coherence for lite in trace.lites]))
    lengths = f"{used[0]:.0f} mm" if used[0] == used[-1] else f"{used[0]:.0f} to {used[-1]:.0f} mm"
    return [
        ("Machine", trace.machine.name),
        ("Lites", f"{len(trace.lites)}, {lengths} of each used along the travel"),
        ("Ridges", f"turned by {np.mean(skews):.2f}° on average ({min(skews):.2f} to "
                   f"{max(skews):.2f}°); one profile follows {percent(coherence)} of the roll wave "
                   "across the width"),
        ("Shares", "of the mean square height (depth) or curvature (distortion) of the ridge "
                   f"profile, waves of {trace.settings.search.shortest_mm:g} to "
                   f"{trace.settings.search.longest_mm:g} mm, measured noise included"),
    ]  # fmt: skip


def _cause(trace: Trace, one: Attributed) -> dict[str, str]:
    candidate, steady = one.candidate, one.steadiness
    found = "–"
    if one.wave is not None:
        found = f"{shown(one.period_mm, one.u_period_mm, finest=-2)}"
    return {
        "cause": candidate.cause,
        "verdict": one.verdict,
        "period": f"{candidate.low_mm:.1f} to {candidate.high_mm:.1f}",
        "found": found,
        "depth": _bare(percent(one.share.depth, one.share.depth_interval)),
        "distortion": _bare(percent(one.share.distortion, one.share.distortion_interval)),
        "p": _p(one.p_value),
        "steady": steady.state if one.wave is not None and steady.p_steady is not None else "–",
        "near": "; ".join(one.not_separable_from) or "–",
    }


def _waves(trace: Trace) -> list[dict[str, str]]:
    rows = []
    for number, (wave, share) in enumerate(zip(trace.waves, trace.wave_shares, strict=True)):
        steady = wave.steadiness
        scatter = "–" if steady.scatter is None else f"{100 * steady.scatter:.1f} %"
        names = [one.candidate.cause for one in trace.causes_of(number)]
        rows.append(
            {
                "period": shown(wave.period_mm, wave.u_period_mm, finest=-2),
                "state": steady.state,
                "scatter": scatter,
                "depth_mm": shown(2 * 2**0.5 * share.rms_mm, finest=-4),
                "depth": _bare(percent(share.depth, share.depth_interval)),
                "distortion": _bare(percent(share.distortion, share.distortion_interval)),
                "causes": "; ".join(names) or "not explained by the machine",
            }
        )
    return rows


def _bare(text: str) -> str:
    """A share without its unit, for a column whose heading has it."""
    return text.replace(" %", "").replace("under ", "<")


def _p(value: float) -> str:
    if value < 1e-4:
        return "<0.0001"
    return f"{value:.4f}" if value < 0.001 else f"{value:.3f}" if value < 0.1 else f"{value:.2f}"


def _content(trace: Trace) -> list[dict[str, Any]]:
    table = 1000 * np.sqrt(trace.content_mm2)
    return [
        {
            "name": f"r{r + 1}c{c + 1}",
            "cells": [
                "–" if not np.isfinite(table[r, c, b]) else f"{table[r, c, b]:.1f}"
                for b in range(len(BANDS_MM))
            ],
        }
        for r in range(table.shape[0])
        for c in range(table.shape[1])
    ]


def _spectrum(trace: Trace) -> dict[str, Any]:
    found = trace.spectrum
    return {
        "method": {"multitaper": "Slepian multitaper", "least_squares": "least squares"}.get(
            found.method, found.method
        ),
        "dof": f"{found.dof:.0f}",
        "at_250": f"{found.resolution_mm(250.0):.0f}",
        "fine_at_250": f"{trace.fine.resolution_mm(250.0):.0f}",
        "bands": [f"{low:.0f} to {high:.0f}" for low, high in BANDS_MM],
        "version": midchord.__version__,
        "wander": f"{trace.settings.claims.least_wander_percent:g}",
        "seed": str(trace.settings.intervals.seed),
    }


def _pictures(trace: Trace) -> dict[str, dict[str, str] | None]:
    drawn = pictures.areal(trace)
    return {
        "shares": _picture(
            pictures.shares(trace),
            "Bars: share of depth and of distortion of each candidate, with intervals.",
            "What each part has to answer for. An outline is not shown to be there: the line says "
            "how much there may be. Causes that match the same wave each show all of it.",
        ) if trace.causes else None,
        "spectrum": _picture(
            pictures.spectrum(trace),
            "Density of the ridge profile over the wavelength, with the periods of the machine.",
            "Mean over the lites; thin: with one taper, smeared less and less sure. Bands: where "
            "the machine's periods lie, with their tolerances (dark: shown). Triangles: waves that "
            "were found, open ones wander.",
        ),
        "areal": None if drawn is None else _picture(
            drawn,
            "Density over the area: ridges square to the travel lie on the line through zero.",
            "Ridges square to the travel lie on the line across = 0, slanted ones on a line turned "
            "as they are, a nozzle grid on single points.",
        ),
    }  # fmt: skip


def _picture(content: bytes, alt: str, caption: str) -> dict[str, str]:
    source = "data:image/png;base64," + base64.b64encode(content).decode("ascii")
    return {"source": source, "alt": alt, "caption": caption}
