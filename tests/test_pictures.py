"""Pictures looked at by their pixels: the right place, the right colour, the right way round."""

from __future__ import annotations

import itertools
import re

import matplotlib
import numpy as np
import pytest
import xarray as xr
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from PIL import Image
from typer.testing import CliRunner

from fake_maps import fake_maps, judged, with_summary
from midchord.cli import app
from midchord.report.house_style import FIGURES, NO_VALUE, NO_VALUE_HATCH, PAPER, colour_map
from midchord.report.pictures import (
    draw_map,
    figures_available,
    picture_bytes,
    save_picture,
    thinned,
)
from midchord.report.profiles import turning_points
from midchord.report.result import limit_of, summary_of, worst_of, zone_boxes
from midchord_io.errors import OutputError, SettingsError


@pytest.fixture(scope="module")
def maps():
    return fake_maps()


DPI = 100


class Drawn:
    """A figure as pixels, asked by place on the lite."""

    def __init__(self, figure: Figure) -> None:
        self.figure = figure
        self.ax = figure.axes[0]
        canvas = FigureCanvasAgg(figure)
        canvas.draw()
        self.pixels = np.asarray(canvas.buffer_rgba())[..., :3] / 255.0

    def around(self, x_mm: float, y_mm: float, reach: int = 0) -> np.ndarray:
        column, row = self.ax.transData.transform((x_mm, y_mm))
        row = self.pixels.shape[0] - row
        i, j = round(row), round(column)
        block = self.pixels[i - reach : i + reach + 1, j - reach : j + reach + 1]
        return block.reshape(-1, 3)

    def texts(self) -> list[str]:
        return [t.get_text() for t in self.figure.findobj(matplotlib.text.Text) if t.get_text()]


def drawn_map(maps: xr.Dataset, what: str, *, limit: float | None = None) -> Drawn:
    return Drawn(draw_map(maps, what, limit=limit, dpi=DPI))


def _near(colours: np.ndarray, colour: str | tuple[float, ...], within: float = 0.02) -> np.ndarray:
    return np.abs(colours - np.array(to_rgb(colour))).max(axis=1) < within


def test_a_cell_shows_the_colour_of_its_value(maps):
    drawn = drawn_map(maps, "gauge_distortion", limit=60.0)
    for x, y in ((612.5, 402.5), (1512.5, 302.5)):
        value = float(maps.gauge_distortion.sel(x=x, y=y))
        expected = colour_map("amount")(value / 120.0)[:3]
        assert _near(drawn.around(x, y), expected).all()


def test_a_bump_in_one_corner_is_drawn_in_that_corner(maps):
    bumped = maps.copy(deep=True)
    bumped["power_x"].values[:] = 0.0
    # trailing left corner: far along x, small y
    bumped["power_x"].values[-60:-30, 20:50] = 30.0
    drawn = drawn_map(bumped, "power_x")
    bright, middle = colour_map("signed")(1.0)[:3], colour_map("signed")(0.5)[:3]
    assert _near(drawn.around(2400 - 225, 175), bright).all()
    for x, y in ((225, 175), (225, 1025), (2175, 1025)):
        assert _near(drawn.around(x, y), middle).all()
    trailing, _ = drawn.ax.transData.transform((2400, 600))
    leading, _ = drawn.ax.transData.transform((0, 600))
    assert leading < trailing


def test_no_value_is_hatched_grey_and_no_glass_is_paper(maps):
    drawn = drawn_map(maps, "depth")
    lost = drawn.around(60, 600, reach=12)  # closer to the leading edge than the feet
    grey, hatch = _near(lost, NO_VALUE), _near(lost, NO_VALUE_HATCH, 0.06)
    assert grey.mean() > 0.3
    assert hatch.any()
    between = np.ptp(lost, axis=1) < 0.05  # nothing but greys
    assert between.all()
    assert _near(drawn.around(720, 300, reach=4), PAPER).all()


def test_the_worst_point_is_ringed_where_the_summary_says(maps):
    place = {"x_mm": 1003.0, "y_mm": 555.0}
    figure = {**summary_of(maps)["gauge_distortion_mdpt"], "worst": place}
    moved = with_summary(maps, gauge_distortion_mdpt=figure)
    plain, drawn = (
        drawn_map(maps, "gauge_distortion"),
        drawn_map(moved, "gauge_distortion"),
    )
    radius_px = 6.5 / 72 * DPI
    changed = np.abs(plain.pixels - drawn.pixels).max(axis=2) > 0.2
    column, row = drawn.ax.transData.transform((1003.0, 555.0))
    row = plain.pixels.shape[0] - row
    i, j = np.nonzero(changed)
    distance = np.hypot(i - row, j - column)
    ring = np.abs(distance - radius_px) < 3
    assert ring.sum() > 40
    assert not (distance < radius_px - 7).any()  # the value under the ring stays visible
    assert f"{figure['max']:.1f} ± 1.8 mdpt" in drawn.texts()


def test_worst_of_a_signed_figure_is_the_largest_magnitude_among_clear_points(maps):
    dented = maps.copy(deep=True)
    dented["power_x"].values[240, 120] = -400.0
    dented["power_x"].values[3, 3] = 900.0  # in the edge zone
    worst = worst_of(dented, FIGURES["power_x"])
    assert worst is not None
    assert (worst.x_mm, worst.y_mm, worst.value) == (1202.5, 602.5, -400.0)
    assert worst_of(dented, FIGURES["wavelength"]) is None


def test_true_aspect_for_any_shape_of_lite():
    for length, width in ((2400.0, 1200.0), (900.0, 1900.0), (3000.0, 400.0)):
        lite = fake_maps(length_mm=length, width_mm=width, pitch_x_mm=10, pitch_y_mm=10)
        drawn = drawn_map(lite, "depth")
        (x0, y0), (x1, y1) = drawn.ax.transData.transform([(0, 0), (length, width)])
        assert (x1 - x0) / (y1 - y0) == pytest.approx(length / width, rel=1e-3)


def test_nothing_is_clipped_by_the_edge_of_the_picture(maps):
    for what in ("gauge_distortion", "quality", "centre_line", "histogram_gauge_distortion"):
        drawn = drawn_map(judged(maps), what)
        rim = np.concatenate([drawn.pixels[[0, -1]].reshape(-1, 3), drawn.pixels[:, [0, -1]]
                              .reshape(-1, 3)])  # fmt: skip
        assert _near(rim, PAPER).all()  # what is cut off touches the rim


def test_the_picture_says_unit_convention_edges_and_limit(maps):
    drawn = drawn_map(maps, "gauge_distortion", limit=60.0)
    texts = drawn.texts()
    for needed in ("leading edge", "trailing edge", "left-hand edge", "right-hand edge", "travel",
                   "x / mm", "y / mm", "limit 60", "gauge\nconvention\nmdpt", "no value",
                   "clear zone", "no glass", "worst point, clear"):  # fmt: skip
        assert needed in texts
    assert "edge zone" not in texts
    small = Drawn(draw_map(maps, "gauge_distortion", size="small", dpi=DPI)).texts()
    assert {"worst point, clear", "no value", "clear zone", "no glass"} <= {*small}
    assert "Distortion, surface convention" in drawn_map(maps, "surface_distortion").texts()


def test_the_limit_of_the_verdict_is_used_and_conventions_are_not_crossed(maps):
    summary = summary_of(judged(maps))
    assert limit_of(summary, FIGURES["gauge_distortion"]) == 60.0
    # a limit on a share of area: the value that the share may exceed, never the percentage
    assert limit_of(summary, FIGURES["surface_distortion"]) == 55.0
    assert limit_of(summary, FIGURES["surface_depth"]) == 0.09
    assert limit_of(summary, FIGURES["depth"]) is None
    assert "limit 60" in drawn_map(judged(maps), "gauge_distortion").texts()
    generic = {"figure": "distortion", "convention": "surface", "statistic": "p95", "limit": 30}
    generic["unit"] = "mdpt"
    assert limit_of({"reasons": [{"limit": generic}]}, FIGURES["surface_distortion"]) == 30
    assert limit_of({"reasons": [{"limit": generic}]}, FIGURES["gauge_distortion"]) is None


def test_a_limit_on_a_signed_figure_is_marked_on_both_sides(maps):
    bar = draw_map(maps, "power_x", limit=40.0).axes[1]
    marks = {float(line.get_ydata()[0]) for line in bar.get_lines()}
    assert marks == {-40.0, 0.0, 40.0}
    low, high = bar.get_ylim()
    assert low == -high
    assert 50.0 <= high <= 80.0


def _judged_in(maps, zone, *, verdict="outside", limit=60.0, ends_mm=None, place=None, value=71.5):
    reasons = summary_of(judged(maps, verdict))["reasons"][:1]
    reasons[0]["limit"] |= {"zone": zone, "limit": limit, "ends_mm": ends_mm}
    reasons[0] |= {"value": value, "place": place or {"x_mm": 1203.0, "y_mm": 603.0}}
    return with_summary(judged(maps, verdict), reasons=reasons)


def test_ring_value_and_zone_are_those_of_the_limit_that_decided(maps):
    middle = _judged_in(maps, "middle", ends_mm=500.0)
    worst = worst_of(middle, FIGURES["gauge_distortion"])
    assert worst is not None
    assert (worst.x_mm, worst.y_mm, worst.value, worst.zone) == (1203.0, 603.0, 71.5, "middle")
    drawn = drawn_map(middle, "gauge_distortion")
    assert {"71.5 ± 1.8 mdpt", "worst point, middle", "zone middle"} <= {*drawn.texts()}
    assert zone_boxes(middle, "middle", 500.0) == [(500.0, 50.0, 1900.0, 1150.0)]
    assert [box[::2] for box in zone_boxes(middle, "ends", 500.0)] == [(0, 500), (1900, 2400)]
    # the outline is there: ink where the plain map has its colours
    outline = drawn.around(500.0, 900.0, reach=2)
    assert outline.max(axis=1).min() < 0.35


def test_the_limit_of_a_cell_is_not_drawn_as_that_of_the_whole_lite(maps):
    cell = _judged_in(maps, "r2c2", limit=90.0)
    style = FIGURES["gauge_distortion"]
    assert limit_of(summary_of(cell), style) is None
    drawn = drawn_map(cell, "gauge_distortion")
    assert "r2c2: limit 90 mdpt" in drawn.texts()
    assert "limit 90" not in drawn.texts()
    assert not [t for t in drawn_map(cell, "histogram_gauge_distortion").texts() if "limit" in t]
    ends = drawn_map(_judged_in(maps, "ends", ends_mm=400.0), "gauge_distortion")
    assert "limit 60\nends only" in ends.texts()


def test_uncertainties_have_their_own_scale_and_no_limit(maps):
    drawn = drawn_map(judged(maps), "u_gauge_distortion", limit=60.0)
    assert drawn.figure.axes[1].get_ylim() == (0.0, 2.0)  # all of it is 1.8 mdpt
    assert not [text for text in drawn.texts() if "limit" in text]
    assert limit_of(summary_of(judged(maps)), FIGURES["u_gauge_distortion"]) is None


def test_what_is_over_the_limit_is_seen_in_grey(maps):
    flat = maps.copy(deep=True)
    flat["gauge_distortion"].values[:] = 50.0
    flat["gauge_distortion"].values[100:200] = 70.0
    drawn = drawn_map(flat, "gauge_distortion", limit=60.0)
    over, under = (drawn.around(x, 600.0, reach=14).mean(axis=1) for x in (800.0, 1500.0))
    assert np.ptp(under) < 0.02
    assert np.ptp(over) > 0.2  # dots
    assert "over 60 mdpt" in drawn.texts()
    assert not [t for t in drawn_map(flat, "gauge_distortion", limit=80.0).texts() if "over" in t]


def test_the_scale_comes_from_the_clear_and_near_points_and_says_what_is_beyond(maps):
    lifted = maps.copy(deep=True)
    lifted["power_x"].values[:] = np.where(maps["zone"].values == 2, 900.0, 20.0)
    drawn = drawn_map(lifted, "power_x")
    assert drawn.figure.axes[1].get_ylim() == (-20.0, 20.0)
    (about,) = (text for text in drawn.texts() if text.startswith("Lite K-0417"))
    edge = float((maps["zone"].values == 2).sum() / (maps["zone"].values != 255).sum())
    assert "% of it beyond the scale" in about
    assert abs(float(about.split("; ")[1].split(" ")[0]) - 100 * edge) < 2.0


def test_height_shows_its_range_wherever_it_lay(maps):
    far = maps.copy(deep=True)
    far["height"].values[:] += 40.0
    low, high = drawn_map(far, "height").figure.axes[1].get_ylim()
    values = far["height"].values[np.isfinite(far["height"].values)]
    assert low > 30.0
    assert high - low < 3.0 * np.ptp(values)


def test_the_zone_map_names_the_cells(maps):
    assert {"r1c1", "r2c3", "r3c3"} <= {*drawn_map(maps, "zone").texts()}


def test_no_line_strikes_through_the_names_of_a_histogram(maps):
    drawn = drawn_map(judged(maps), "histogram_gauge_distortion")
    legend = drawn.ax.get_legend()
    assert legend is not None
    assert [text.get_text().split(" ")[0] for text in legend.get_texts()] == [
        "95", "largest", "limit"
    ]  # fmt: skip
    box = legend.get_window_extent()
    for line in drawn.ax.get_lines():
        assert line.get_window_extent().y1 <= box.y0 + 1.0


def test_thinning_keeps_the_worst_cell_and_empties_only_empty_blocks():
    values = np.full((7, 9), np.nan)
    values[5, 4], values[0, 0], values[0, 1] = 8.0, 1.0, 3.0
    amount = thinned(values, FIGURES["depth"], 3)
    assert amount.shape == (3, 3)
    assert amount[1, 1] == 8.0
    assert amount[0, 0] == 3.0
    assert np.isfinite(amount).sum() == 2
    assert thinned(values, FIGURES["power_x"], 3)[0, 0] == 2.0
    assert thinned(values, FIGURES["depth"], 9) is values


def test_a_lite_without_a_wave_says_so_and_has_no_bar():
    drawn = drawn_map(fake_maps(no_wave=True), "depth")
    assert "no value anywhere:\nno wave above the detection bound" in drawn.texts()
    assert not drawn.figure.axes[1].axison


def test_every_figure_is_drawn_on_a_strip_with_a_coarse_pitch():
    strip = fake_maps(strip_only=True, pitch_y_mm=25.0, length_mm=1600.0, width_mm=800.0)
    names = figures_available(strip)
    assert {"gauge_distortion", "quality", "u_depth", "centre_line", "histogram_depth"} <= {*names}
    for name in names:
        assert len(picture_bytes(strip, name, dpi=50)) > 2000, name


def test_into_axes_of_ones_own(maps):
    figure = Figure()
    ax = figure.add_subplot()
    assert draw_map(maps, "wavelength", ax=ax) is figure
    assert ax.get_aspect() == 1.0
    assert len(figure.axes) == 2


def test_turning_points_alternate_and_are_marked(maps):
    points = turning_points(summary_of(maps))
    kinds = [is_peak for _, is_peak in points]
    assert len(points) == len(summary_of(maps)["centre_line"]["half_waves"]) + 1
    assert all(a != b for a, b in itertools.pairwise(kinds))
    reading = draw_map(maps, "centre_line").axes[0]
    marks = {line.get_label(): len(line.get_xdata()) for line in reading.get_lines()}
    assert marks["peak"] + marks["valley"] == len(points)


@pytest.mark.parametrize("kind", ["png", "svg", "pdf"])
def test_the_same_maps_give_the_same_bytes(maps, kind):
    small = fake_maps(length_mm=1400.0, width_mm=700.0, pitch_x_mm=10.0, pitch_y_mm=10.0)
    first = picture_bytes(small, "reading", kind=kind, dpi=60)
    assert first == picture_bytes(small, "reading", kind=kind, dpi=60)


def test_names_from_files_never_become_markup():
    odd = fake_maps(
        length_mm=1400.0, width_mm=700.0, lite_id="$\\frac{1}{2}$ \u4e09", pitch_x_mm=10
    )
    assert len(picture_bytes(odd, "depth", dpi=50)) > 2000


def test_saved_whole_by_its_ending_and_never_over_another(maps, tmp_path):
    path = tmp_path / "depth.png"
    assert save_picture(maps, "depth", path) == path
    with Image.open(path) as image:
        assert image.format == "PNG"
        assert image.width > image.height
    with pytest.raises(OutputError, match=r"the file exists; .* or say --overwrite"):
        save_picture(maps, "depth", path)
    old = path.read_bytes()
    save_picture(maps, "reading", path, overwrite=True)
    assert path.read_bytes() != old
    with pytest.raises(
        OutputError, match=r"the ending '\.gif'; a picture is \.png, \.svg or \.pdf"
    ):
        save_picture(maps, "depth", tmp_path / "depth.gif")
    for kind, head in (("svg", b"<?xml"), ("pdf", b"%PDF")):
        saved = save_picture(maps, "wavelength", tmp_path / f"w.{kind}")
        assert saved.read_bytes().startswith(head)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["depth.png", "w.pdf", "w.svg"]


def test_an_unknown_figure_is_refused_with_the_nearest(maps):
    with pytest.raises(SettingsError, match=r"no figure 'gauge_distorsion' .*'gauge_distortion'"):
        draw_map(maps, "gauge_distorsion")


def test_a_name_that_is_none_is_answered_with_all_names(maps):
    with pytest.raises(SettingsError) as refused:
        draw_map(maps, "nonsense")
    for name in figures_available(maps):
        assert name in str(refused.value)
    assert "choose one of these" in str(refused.value)


def test_the_help_of_show_lists_what_can_be_drawn():
    page = CliRunner().invoke(app, ["show", "--help"]).output
    words = re.sub(r"\s+", " ", page)
    for name, style in FIGURES.items():
        if not style.is_uncertainty:
            assert name in words
    for needed in ("u_ before one of the first five", "histogram_", "centre_line"):
        assert needed in words
