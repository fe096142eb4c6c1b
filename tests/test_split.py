"""The split of the variance: against published tables, another library, and planted patterns."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from midchord.production.crossed import Crossed, Effects, Model, cell_means
from midchord.production.split import Split, split

Floats = npt.NDArray[np.float64]

# Yield of dyestuff by batch, five samples of each: Davies and Goldsmith, Statistical Methods in
# Research and Production, 1972, table 6.3; the first example of Box and Tiao, 1973, ch. 5.
DYESTUFF = np.array([
    [1545, 1440, 1440, 1520, 1580],
    [1540, 1555, 1490, 1560, 1495],
    [1595, 1550, 1605, 1510, 1560],
    [1445, 1440, 1595, 1465, 1545],
    [1595, 1630, 1515, 1635, 1625],
    [1520, 1455, 1450, 1480, 1445],
], dtype=np.float64)  # fmt: skip


def table_of(values: Floats) -> Crossed:
    """Lites in rows, places in columns, a block for each lite."""
    lites, places = values.shape
    crossed = Crossed((places, 1), (1, 1), lites=lites, blocks=lites, cell_mm=1.0)
    for number, row in enumerate(values):
        crossed.add(number, number, row[:, None], (0.0, 0.0, 0.0))
    return crossed


def test_between_lites_is_the_component_of_the_published_table() -> None:
    """Variance components 1764 between batches and 2451 within, Box and Tiao 1973, table 5.1.3."""
    found = split(table_of(DYESTUFF), ridge=0.0, level=0.95)
    # samples of a batch have no order: nothing is fixed to their number, but for chance
    within = found["either"].variance + found["noise"].variance
    assert within == pytest.approx(2451.25, abs=0.01)
    # the number of the sample is taken for a place here, which takes a fifth of its chance with it
    between = found["between lites"].variance - found["either"].variance / 5
    assert between == pytest.approx(1764.05, abs=0.01)


def test_a_balanced_table_gives_the_components_of_analysis_of_variance() -> None:
    """Crossed lites and places without repeats: statsmodels' MixedLM (REML) is the reference; for
    balanced data with positive components it is the analysis of variance itself."""
    import pandas as pd
    import statsmodels.formula.api as smf

    rng = np.random.default_rng(5)
    z = 3 * rng.standard_normal((14, 1)) + 2 * rng.standard_normal((1, 9))
    z = z + rng.standard_normal((14, 9))
    found = split(table_of(z), ridge=0.0, level=0.95)
    lite, place = np.meshgrid(np.arange(14), np.arange(9), indexing="ij")
    frame = pd.DataFrame({"z": z.ravel(), "lite": lite.ravel(), "place": place.ravel(), "one": 1})
    fit = smf.mixedlm(
        "z ~ 1", frame, groups="one", vc_formula={"lite": "0 + C(lite)", "place": "0 + C(place)"}
    ).fit(reml=True)
    reference = dict(zip(fit.model.exog_vc.names, fit.vcomp, strict=True))
    assert found["either"].variance == pytest.approx(reference["place"], rel=2e-3)
    assert found["noise"].variance == pytest.approx(fit.scale, rel=2e-3)
    assert found["between lites"].variance == pytest.approx(reference["lite"], rel=2e-3)


def planted(
    seed: int, *, lites: int = 45, machine: bool = True, glass: bool = True, wave: float = 0.9,
    scatter: tuple[int, int] = (32, 14),
) -> Split:  # fmt: skip
    """Streaks of mean square 1, bands of 0.49, glass 0.64, levels 0.25, waves 0.81, noise 0.36."""
    rng = np.random.default_rng(seed)
    nx, ny = 60, 28
    mx, my = nx + scatter[0], ny + scatter[1]
    u, v = np.arange(mx)[:, None], np.arange(my)[None, :]
    pattern = np.sqrt(2) * (np.sin(2 * np.pi * v / 7) + 0.7 * np.sin(2 * np.pi * u / 8)) * machine
    x = np.arange(nx)[:, None] + np.zeros((1, ny))
    crossed = Crossed((nx, ny), (mx, my), lites=lites, blocks=15, cell_mm=1.0)
    for number in range(lites):
        a, c = int(rng.integers(0, scatter[0] + 1)), int(rng.integers(0, scatter[1] + 1))
        z = pattern[a : a + nx, c : c + ny] + 0.8 * np.sqrt(2) * np.cos(2 * np.pi * x / 10) * glass
        z = z + 0.5 * rng.standard_normal() + 0.6 * rng.standard_normal((nx, ny))
        z += wave * np.sqrt(2) * np.cos(2 * np.pi * x / 12 + rng.uniform(0, 2 * np.pi))
        z[rng.random((nx, ny)) < 0.05] = np.nan
        crossed.add(number, number * 15 // lites, z, (float(a), float(c), 0.0))
    return split(crossed, ridge=1e-3, level=0.95)


TRUTH = {
    "machine": 1.49, "machine across": 1.0, "machine along": 0.49, "machine spots": 0.0,
    "lite": 0.64, "between lites": 0.25, "noise": 1.17, "either": 0.0,
}  # fmt: skip


def test_planted_patterns_are_found_and_intervals_cover_them() -> None:
    runs = [planted(seed) for seed in range(16)]
    for name, true in TRUTH.items():
        found = np.array([run[name].variance for run in runs])
        # what the two patterns share by chance is "either"'s: a little off what is planted
        assert found.mean() == pytest.approx(true, abs=0.03 + 0.03 * true), name
        covered = np.mean([run[name].interval[0] <= true <= run[name].interval[1] for run in runs])
        assert covered >= 0.75, name
    assert all(run["machine"].shown and run["lite"].shown for run in runs)
    assert runs[0].total == pytest.approx(sum(
        one.variance for one in runs[0].components if not one.name.startswith("machine ")
    ))  # fmt: skip
    parts = sum(runs[0][f"machine {part}"].variance for part in ("across", "along", "spots"))
    assert parts == pytest.approx(runs[0]["machine"].variance)


def test_waves_of_one_lite_alone_are_no_pattern() -> None:
    """The noise of a lite is a whole wave, so its cells are far from independent: a correction by
    degrees of freedom would call a part of it the machine's."""
    runs = [planted(seed, machine=False, glass=False, wave=2.0) for seed in range(16)]
    for name in ("machine", "machine across", "machine along", "lite", "either"):
        share = np.array([run[name].share for run in runs])
        assert abs(share.mean()) < 4 * share.std(ddof=1) / np.sqrt(16) + 1e-3, name
        assert np.mean([run[name].shown for run in runs]) <= 0.125, name


def test_lites_that_always_lie_alike_leave_it_open_whose_the_pattern_is() -> None:
    found = planted(1, scatter=(0, 0))
    assert found["machine"].variance == pytest.approx(0.0, abs=0.01)
    assert found["lite"].variance == pytest.approx(0.0, abs=0.01)
    assert found["either"].variance == pytest.approx(1.49 + 0.64, rel=0.15)


def test_the_equations_are_those_of_least_squares() -> None:
    """Against a dense solve with every column written out; turned lites, holes, two blocks."""
    rng = np.random.default_rng(2)
    crossed = Crossed((4, 3), (6, 5), lites=9, blocks=3, cell_mm=10.0, origin_mm=(-10.0, 20.0))
    rows, values = [], []
    for number in range(9):
        z = rng.standard_normal((4, 3))
        z[rng.random((4, 3)) < 0.2] = np.nan
        pose = (float(rng.uniform(-5, 12)), float(rng.uniform(22, 38)), 0.1 * (number % 3 - 1))
        crossed.add(number, number // 3, z, pose)
        if number // 3 == 1:
            continue
        own = []
        for i, j in np.argwhere(np.isfinite(z)):
            x, y = 10 * i + 5.0, 10 * j + 5.0
            u = pose[0] + x * np.cos(pose[2]) - y * np.sin(pose[2])
            v = pose[1] + x * np.sin(pose[2]) + y * np.cos(pose[2])
            column = np.zeros(30 + 12)
            cell = min(max(int((u + 10) // 10), 0), 5), min(max(int((v - 20) // 10), 0), 4)
            column[cell[0] * 5 + cell[1]] = 1
            column[30 + i * 3 + j] = 1
            own.append(column)
        rows.append(np.array(own) - np.mean(own, axis=0))
        values.append(z[np.isfinite(z)] - np.nanmean(z))
    design, seen = np.vstack(rows), np.concatenate(values)
    effects = crossed.solve(Model(machine=True, lite=True), ridge=0.0, without=1)
    theta = np.concatenate([effects.machine.ravel(), effects.lite.ravel()])
    best = np.linalg.lstsq(design, seen, rcond=None)[0]
    assert np.linalg.norm(design @ theta - design @ best) < 2e-3 * np.linalg.norm(design @ best)
    fitted = crossed.fitted_means(Effects(*(np.ones_like(part) for part in effects)))
    assert fitted == pytest.approx(np.full(9, 4.0))


def test_means_over_cells_leave_out_what_is_hardly_there() -> None:
    values = np.arange(30, dtype=np.float64).reshape(5, 6)
    use = np.ones((5, 6), bool)
    use[:2, :2] = [[True, False], [False, False]]
    means, within = cell_means(values, use, 2)
    assert means.shape == (3, 3)
    assert np.isnan(means[0, 0])
    assert means[0, 1] == np.mean([2, 3, 8, 9])
    assert means[2, 0] == np.mean([24, 25])
    whole = [np.var(values[i : i + 2, j : j + 2]) for i in (0, 2, 4) for j in (0, 2, 4)]
    assert within == pytest.approx(np.mean(whole[1:]))
