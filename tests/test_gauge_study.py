"""Gauge study against the AIAG example, published MLS intervals, statsmodels and simulation."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from midchord.statistics.gauge_study import anova_study, scanner_study, study_table
from midchord_io.errors import SurveyError

DATA = Path(__file__).parent / "data"


def table(name: str, *columns: str) -> list[Any]:
    t = np.genfromtxt(
        DATA / name, delimiter=",", names=True, skip_header=1, encoding="utf-8", dtype=None
    )
    return [t[c] for c in columns]


def aiag() -> dict[str, Any]:
    part, operator, values = table("gauge_study_10x3x3.csv", "part", "appraiser", "value")
    return {"values": values, "part": part, "operator": operator}


def thermal() -> dict[str, Any]:
    part, operator, values = table("thermal_impedance_1988.csv", "part", "operator", "value")
    return {"values": values, "part": part, "operator": operator}


class TestPublished:
    def test_aiag_anova(self) -> None:
        # AIAG, Measurement Systems Analysis, 4th ed.: interaction pooled
        found = anova_study(**aiag())
        assert found.repeatability.sd == pytest.approx(0.199933, abs=5e-7)
        assert found.reproducibility.sd == pytest.approx(0.226838, abs=5e-7)
        assert found.grr.sd == pytest.approx(0.302373, abs=2e-6)
        assert found.part.sd == pytest.approx(1.042327, abs=5e-7)
        assert found.grr_share[0] == pytest.approx(0.279, abs=5e-4)
        assert found.ndc[0] == pytest.approx(4.86, abs=5e-3)
        assert found.interaction_f == pytest.approx(0.434, abs=5e-4)
        assert found.interaction_p == pytest.approx(0.974, abs=5e-4)
        assert found.pooled
        assert found.interaction is None

    def test_mls_intervals(self) -> None:
        # Houf and Berman's data with the intervals of Burdick, Borror and Montgomery 2005, as in
        # the tests of the R package gaugerr (tests/testthat/test-conf_intervals.R). Its upper
        # end of the total is left out: one square is missing in that package's formula
        found = anova_study(**thermal())
        expected = {
            "repeatability": (0.51111111, 0.368157535, 0.7575430447),
            "part": (48.29259259, 22.694519080, 161.6391841517),
            "operator": (0.56460905, 0.072961525, 25.7507696003),
            "interaction": (0.72798354, 0.332725386, 1.7927201819),
            "reproducibility": (1.29259259, 0.612491664, 26.4986365504),
            "grr": (1.80370370, 1.206225574, 27.0172388372),
        }
        for name, figures in expected.items():
            assert getattr(found, name) == pytest.approx(figures, rel=1e-7), name
        assert found.total[:2] == pytest.approx((50.09629630, 24.488435035), rel=1e-7)
        shares = tuple(v**2 for v in found.grr_share)
        assert shares == pytest.approx((0.03600473, 0.009380075, 0.3715152548), rel=1e-7)
        assert tuple((v / 1.41) ** 2 for v in found.ndc) == pytest.approx(
            (26.77412731, 1.691679513, 105.6089533996), rel=1e-7
        )

    def test_f_test_of_the_interaction_against_statsmodels(self) -> None:
        import pandas as pd
        import statsmodels.formula.api as smf
        from statsmodels.stats.anova import anova_lm

        frame = pd.DataFrame(aiag())
        rows = anova_lm(smf.ols("values ~ C(part) * C(operator)", frame).fit())
        found = anova_study(**aiag())
        for term, name in zip(
            (found.anova.part, found.anova.operator, found.anova.interaction, found.anova.repeat),
            ("C(part)", "C(operator)", "C(part):C(operator)", "Residual"),
            strict=True,
        ):
            assert term is not None
            assert term.mean_square == pytest.approx(rows.loc[name, "mean_sq"], rel=1e-10)
            assert term.df == rows.loc[name, "df"]
        assert found.interaction_p == pytest.approx(rows.loc["C(part):C(operator)", "PR(>F)"])

    def test_agreement_of_judges(self) -> None:
        # 8 wines, 4 judges: ICC(2,1) = 0.728, a worked example that the documentation of the
        # statistics package pingouin carries; here part variance over total, one trial each
        scores = np.array([
            [1, 1, 3, 6, 6, 7, 8, 9], [2, 3, 8, 4, 5, 5, 7, 9],
            [0, 3, 1, 3, 5, 6, 7, 9], [1, 2, 4, 3, 6, 2, 9, 8],
        ])  # fmt: skip
        judge, wine = np.indices(scores.shape)
        found = anova_study(scores.ravel(), part=wine.ravel(), operator=judge.ravel())
        # the published one allows the judges' variance to be negative, which it is not here
        assert found.part.variance / found.total.variance == pytest.approx(0.728, abs=5e-4)
        assert math.isnan(found.interaction_p)


class TestProperties:
    def test_scale_and_shift(self) -> None:
        data = thermal()
        base = anova_study(**data)
        moved = anova_study(**{**data, "values": 25.4 * data["values"] - 100})
        for name in ("repeatability", "reproducibility", "interaction", "grr", "part", "total"):
            one, other = getattr(base, name), getattr(moved, name)
            assert other == pytest.approx(tuple(25.4**2 * v for v in one), rel=1e-9)
        assert moved.ndc == pytest.approx(base.ndc)

    def test_order_of_rows(self) -> None:
        data = thermal()
        order = np.random.default_rng(0).permutation(90)
        shuffled = anova_study(**{k: v[order] for k, v in data.items()})
        assert shuffled.grr == pytest.approx(anova_study(**data).grr, rel=1e-9)

    def test_parts_of_the_variance_add_up(self) -> None:
        found = anova_study(**thermal())
        assert found.interaction is not None
        assert found.grr.variance == pytest.approx(
            found.repeatability.variance + found.operator.variance + found.interaction.variance
        )
        assert found.total.variance == pytest.approx(found.grr.variance + found.part.variance)

    def test_pooling_can_be_set(self) -> None:
        assert not anova_study(**aiag(), interaction="keep").pooled
        assert anova_study(**thermal(), interaction="pool").pooled
        assert not anova_study(**thermal()).pooled

    def test_tolerance_share(self) -> None:
        found = anova_study(**aiag(), tolerance_width=6.0)
        assert found.tolerance_share == pytest.approx(found.grr.sd)

    def test_unequal_cells_are_said_and_near(self) -> None:
        data = thermal()
        keep = np.ones(90, bool)
        keep[[4, 40, 71]] = False
        found = anova_study(**{k: v[keep] for k, v in data.items()})
        assert not found.balanced
        assert found.grr.sd == pytest.approx(anova_study(**data).grr.sd, rel=0.03)

    def test_intervals_cover(self) -> None:
        rng = np.random.default_rng(1)
        truth = {"part": 4.0, "operator": 0.36, "repeatability": 0.25, "grr": 0.61 + 0.09}
        hits = dict.fromkeys((*truth, "share"), 0)
        part, operator, _ = (v.ravel() for v in np.indices((10, 4, 2)))
        share = math.sqrt(0.70 / 4.70)
        for _ in range(300):
            y = (
                rng.normal(0, 2, 10)[:, None, None] + rng.normal(0, 0.6, 4)[:, None]
                + rng.normal(0, 0.3, (10, 4))[:, :, None] + rng.normal(0, 0.5, (10, 4, 2))
            )  # fmt: skip
            found = anova_study(y.ravel(), part=part, operator=operator, interaction="keep")
            for name, value in truth.items():
                hits[name] += getattr(found, name).low <= value <= getattr(found, name).high
            hits["share"] += found.grr_share[1] <= share <= found.grr_share[2]
        assert all(0.91 <= h / 300 <= 0.99 for h in hits.values()), hits

    def test_nothing_varies(self) -> None:
        found = anova_study(np.ones(8), part=[1, 1, 1, 1, 2, 2, 2, 2], operator=[1, 1, 2, 2] * 2)
        assert found.total.variance == 0.0
        assert math.isnan(found.grr_share[0])


class TestScanner:
    def test_two_way_by_hand(self) -> None:
        y = np.array([[1.0, 2.0, 4.0], [2.0, 3.5, 4.5]])  # 2 scans of 3 spots
        ms_scan = 3 * np.var(y.mean(axis=1), ddof=1)
        rest = y - y.mean(axis=1, keepdims=True) - y.mean(axis=0) + y.mean()
        ms_rest = np.sum(rest**2) / 2
        found = scanner_study(y)
        assert found.scan.variance == pytest.approx((ms_scan - ms_rest) / 3)
        assert found.within_scan.variance == pytest.approx(ms_rest)
        assert found.repeatability.variance == pytest.approx(
            found.scan.variance + found.within_scan.variance
        )

    def test_interval_covers(self) -> None:
        rng = np.random.default_rng(3)
        hits = 0
        for _ in range(300):
            y = rng.normal(0, 3, 20) + rng.normal(0, 0.5, (6, 1)) + rng.normal(0, 0.4, (6, 20))
            low, high = scanner_study(y).repeatability[1:]
            hits += low <= 0.41 <= high
        assert 0.91 <= hits / 300 <= 0.99

    def test_table_holds_both(self) -> None:
        scanner = scanner_study(np.random.default_rng(0).normal(0, 0.1, (4, 9)))
        rows = study_table(anova_study(**thermal()), scanner)
        names = [row.source for row in rows]
        assert names[:2] == ["repeatability (EV)", "reproducibility (AV)"]
        assert names[-3] == "scanner: repeatability"
        assert rows[0].sd == pytest.approx(math.sqrt(0.51111111))
        assert sum(rows[i].share_of_variance or 0 for i in (4, 5)) == pytest.approx(1.0)
        assert rows[-3].share_of_variance is None
        assert [r.source for r in study_table(anova_study(**aiag()))] == [
            "repeatability (EV)", "reproducibility (AV)", "operator",
            "repeatability and reproducibility (GRR)", "part to part (PV)", "total (TV)",
        ]  # fmt: skip


class TestRefusals:
    def test_missing_cell_is_named(self) -> None:
        with pytest.raises(SurveyError, match="operator B has no reading of part P2"):
            anova_study([1, 2, 3], part=["P1", "P1", "P2"], operator=["A", "B", "A"])

    def test_one_operator(self) -> None:
        with pytest.raises(SurveyError, match="there are 2 parts and 1 operators"):
            anova_study([1, 2], part=["P1", "P2"], operator=["A", "A"])

    def test_one_scan(self) -> None:
        with pytest.raises(SurveyError, match=r"the readings have the shape \(1, 3\)"):
            scanner_study([[1, 2, 3]])

    def test_no_reading(self) -> None:
        with pytest.raises(SurveyError, match="gauge study: there is not one reading"):
            anova_study([], part=[], operator=[])
