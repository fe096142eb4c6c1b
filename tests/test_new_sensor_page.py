"""The page about new sensors: its table by eye, and what a reader is told by the command."""

from __future__ import annotations

import itertools
import re
from pathlib import Path

import h5py
import laspy
import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest

from midchord.identify import identify
from midchord.orientation import target_recipe
from midchord.report.identity_text import description_text, identity_lines
from midchord.simulate import simulate
from midchord_io.source import SourceDescription

PAGE = Path(__file__).parents[1] / "docs" / "new-sensor.md"
WAYS = [
    (signs[0] + first, signs[1] + second)
    for first, second in (("x", "y"), ("y", "x"))
    for signs in itertools.product(("", "-"), repeat=2)
]
Array = npt.NDArray[np.float64]


@pytest.fixture(scope="module")
def target() -> tuple[Array, Array, Array]:
    """Heights (x, y), mm, and their places."""
    scan = simulate(target_recipe())[0]
    return scan.height.values.astype(np.float64), scan.x.values, scan.y.values


def said(identity: object) -> str:
    return "\n".join(identity_lines(identity))  # type: ignore[arg-type]


def stored(frame: Array, axes: tuple[str, str]) -> Array:
    """Stored as ``axes`` says; its own inverse but for the order of flips and turn."""
    for axis in axes:
        if axis.startswith("-"):
            frame = np.flip(frame, 0 if axis[-1] == "x" else 1)
    return frame if axes[0][-1] == "x" else frame.T


def shown(numbers: Array, axes: tuple[str, str]) -> Array:
    for place, axis in enumerate(axes):
        if axis.startswith("-"):
            numbers = np.flip(numbers, place)
    return numbers if axes[0][-1] == "x" else numbers.T


def changed(axes: tuple[str, str], change: str) -> tuple[str, str]:
    one, other = axes
    if "swap" in change:
        letters = {"x": "y", "y": "x"}
        one, other = one[:-1] + letters[one[-1]], other[:-1] + letters[other[-1]]
    signs = "xy" if "both signs" in change else "".join(re.findall("sign of `(.)`", change))

    def turned(axis: str) -> str:
        if axis[-1] not in signs:
            return axis
        return axis[-1] if axis.startswith("-") else "-" + axis

    return turned(one), turned(other)


def test_the_table_by_eye_is_right_for_every_way_and_every_guess() -> None:
    rows = re.findall(
        r"^\| ((?:leading|trailing) \w+) \| ((?:leading|trailing) \w+) \| (.*) \|$",
        PAGE.read_text(encoding="utf-8"), re.MULTILINE,
    )  # fmt: skip
    table = {(one, two): change for one, two, change in rows}
    assert len(table) == 7
    table["leading left", "leading right"] = ""  # as it should be
    frame = np.array([[1.0, 2.0], [3.0, 4.0]])
    names = [["leading left", "leading right"], ["trailing left", "trailing right"]]
    for truth, guess in itertools.product(WAYS, WAYS):
        picture = shown(stored(frame, truth), guess)
        at = {float(picture[i, j]): names[i][j] for i in (0, 1) for j in (0, 1)}
        assert changed(guess, table[at[1.0], at[2.0]]) == truth, (truth, guess)


def test_the_target_is_found_in_points_without_a_description(
    target: tuple[Array, Array, Array], tmp_path: Path
) -> None:
    height, x, y = target
    x_of, y_of = np.meshgrid(x, y, indexing="ij")
    is_there = np.isfinite(height)
    cloud = laspy.LasData(laspy.LasHeader(point_format=3, version="1.2"))
    cloud.header.scales, cloud.header.offsets = [1e-6] * 3, [0, 0, 0]
    cloud.x, cloud.y = y_of[is_there] / 1000 + 0.5, -x_of[is_there] / 1000
    cloud.z = height[is_there] / 1000
    cloud.write(str(tmp_path / "a.las"))
    identity = identify(tmp_path / "a.las")
    assert 'its bumps say columns = { x = "-y", y = "x", height = "z" }' in said(identity)
    lines = description_text(identity).splitlines()
    assert '# columns = { x = "-y", y = "x", height = "z" }' in lines
    assert '# position_units = "m"' in lines  # 0.8 x 1.2
    assert '# height_units = "m"' in lines
    wrong = SourceDescription.model_validate(
        {"source": {"columns": {"x": "x", "y": "y", "height": "z"}, "position_units": "m",
                    "height_units": "m"}}
    )  # fmt: skip
    assert (
        'orientation target WRONG here: as stored, its bumps say columns = { x = "-y", y = "x", '
        'height = "z" }' in said(identify(tmp_path / "a.las", wrong))
    )


def test_columns_by_their_names_with_units_and_codes(
    target: tuple[Array, Array, Array], tmp_path: Path
) -> None:
    height, x, y = target
    x_of, y_of = np.meshgrid(x, y, indexing="ij")
    pd.DataFrame(
        {
            "serial": "L 7",
            "z_um": np.where(np.isfinite(height), height * 1000, -9999.0).ravel(),
            "across": y_of.ravel() / 1000,
            "encoder": x_of.ravel() / 1000,
        }
    ).to_parquet(tmp_path / "a.parquet")
    lines = description_text(identify(tmp_path / "a.parquet")).splitlines()
    for line in (
        '# columns = { x = "encoder", y = "across", height = "z_um" }',
        '# position_units = "m"',
        '# height_units = "um"',
        "# invalid = [-9999.0]",
        '# id_from = "column:serial"',
    ):
        assert line in lines, line


def test_a_header_that_is_no_utf8_is_given_by_its_place(tmp_path: Path) -> None:
    rows = [f"{i};{j};{0.1 * i + 0.01 * j:.3f}" for i in range(30) for j in range(20)]
    text = "Weg [mm];Quer [mm];H\xf6he [mm]\n" + "\n".join(rows) + "\n"
    (tmp_path / "a.csv").write_bytes(text.encode("cp1252"))
    lines = description_text(identify(tmp_path / "a.csv")).splitlines()
    assert '# columns = { x = "Weg [mm]", y = "Quer [mm]", height = "2" }' in lines
    assert "#   needed: the name 'Weg [mm]' says so" in lines


def test_a_scale_stands_in_the_description_and_makes_it_right(
    target: tuple[Array, Array, Array], tmp_path: Path
) -> None:
    height, _, _ = target
    np.save(tmp_path / "a.npy", np.where(np.isfinite(height), height / 0.0005, -32768).astype("i2"))
    identity = identify(tmp_path / "a.npy")
    assert "heights in um with height_scale = 0.5" in said(identity)
    lines = description_text(identity).splitlines()
    assert '# height_units = "um"' in lines
    assert "# height_scale = 0.5" in lines
    known = {"axes": ("x", "y"), "height_units": "um", "position_units": "mm", "invalid": (-32768,)}

    def read(scale: float, x: float, y: float) -> str:
        pitch = {"x": x, "y": y}
        return said(identify(tmp_path / "a.npy", SourceDescription.model_validate(
            {"source": {**known, "height_scale": scale, "pitch": pitch}})))  # fmt: skip

    right = read(0.5, 2.0, 4.0)
    assert "orientation target in view, and right" in right
    proved = re.search(r"proved   axes, height_sign, and heights: (\S+) times the pads, to", right)
    assert proved is not None
    assert float(proved.group(1)) == pytest.approx(1.0, abs=0.005)
    assert "the pads lie 1060 mm apart along x and 660 mm along y by the pitches" in right
    assert "unproved what lies between the pads: heads exchanged or not reversed" in right
    assert "WRONG here" in read(0.5309, 2.0, 4.0)  # 6 % too high
    exchanged = read(0.5, 4.0, 2.0)
    assert "WRONG here: pitch.x and pitch.y exchanged? the pads lie 2120 mm apart" in exchanged


def test_matrices_that_look_like_heads_are_proposed_as_heads(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    with h5py.File(tmp_path / "a.h5", "w") as file:
        for number in range(3):
            file[f"scan/head{number}"] = rng.normal(size=(50, 20)).astype("f4")
    text = description_text(identify(tmp_path / "a.h5"))
    assert (
        '# heads = [{ name = "head0", dataset = "scan/head0", y_mm = 0.0 }, '
        '{ name = "head1", dataset = "scan/head1", y_mm = 20.0 }, '
        '{ name = "head2", dataset = "scan/head2", y_mm = 40.0 }]' in text.splitlines()
    )
    assert "# dataset" not in text
    flat = " ".join(text.replace("#", "").split())
    assert "reversed = true where one is mounted the other way round" in flat
    with h5py.File(tmp_path / "b.h5", "w") as file:
        file["height"] = rng.normal(size=(50, 20)).astype("f4")
        file["intensity"] = rng.normal(size=(50, 20)).astype("f4")
    assert '# dataset = "height"' in description_text(identify(tmp_path / "b.h5")).splitlines()
