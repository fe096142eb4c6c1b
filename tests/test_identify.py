"""What ``inspect`` says of files that nobody has described yet, and what it must not decide."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import numpy.typing as npt
import pytest

from midchord.cli import main
from midchord.identify import identify
from midchord.orientation import target_recipe
from midchord.report.identity_picture import draw_identity, identity_picture_bytes
from midchord.report.identity_text import description_text, identity_lines, one_line
from midchord.simulate import simulate
from midchord_io.adapters import open_scan
from midchord_io.errors import CorruptScan, ScanError
from midchord_io.source import SourceDescription, load_source
from test_adapters import SAMPLES, as_stored

PNG = b"\x89PNG\r\n\x1a\n"


def said(identity: Any) -> str:
    return "\n".join(identity_lines(identity))


def decided(text: str) -> str:
    """The description with every proposal taken over."""
    return re.sub(r"^# (\w+ = )", r"\1", text, flags=re.MULTILINE)


@pytest.fixture(scope="module")
def target() -> npt.NDArray[np.float64]:
    return simulate(target_recipe())[0].height.values.astype(np.float64)


@pytest.mark.parametrize(("name", "file_name", "write"), SAMPLES, ids=[s[1] for s in SAMPLES])
def test_every_format_is_told_and_drawn(
    name: str, file_name: str, write: Any, tmp_path: Path
) -> None:
    write(tmp_path / file_name, as_stored())
    identity = identify(tmp_path / file_name)
    assert identity.adapter in (name, "text")  # a text of numbers may be either
    assert said(identity).startswith(file_name)
    picture = identity_picture_bytes(identity)
    assert picture is not None
    assert picture.startswith(PNG)
    text = description_text(identity)
    if name == "native":
        assert text == ""
        return
    assert tomllib.loads(text) == {"source": {}, "lite": {}}  # it decides nothing by itself
    (tmp_path / "all.toml").write_text(decided(text), encoding="utf-8")
    load_source(tmp_path / "all.toml")  # and every proposal is one that a description can say
    with pytest.raises(ScanError):
        open_scan(tmp_path / file_name, SourceDescription.model_validate(tomllib.loads(text)))


def test_a_foreign_file_in_inches_mirrored_and_transposed(
    target: npt.NDArray[np.float64], tmp_path: Path
) -> None:
    stored = 9.0 - np.flip(target, 0).T / 25.4
    np.save(tmp_path / "a.npy", np.where(np.isfinite(stored), stored, -99.0))
    identity = identify(tmp_path / "a.npy")
    assert identity.scan is None
    assert identity.target is not None
    assert identity.target.axes == ("y", "-x")
    text = description_text(identity)
    for line in (
        '# axes = ["y", "-x"]',
        '# height_units = "inch"',
        '# height_sign = "down"',
        "# invalid = [-99.0]",
    ):
        assert line in text.splitlines()
    assert "-99 stands 6090 times" in said(identity)
    assert identity.preview is not None
    assert not identity.preview.is_confirmed
    shape = identity.preview.height.shape
    corner = identity.preview.height[-shape[0] // 4 :, -shape[1] // 4 :]
    assert np.nanmax(identity.preview.height) == np.nanmax(corner)  # trailing right is highest

    ready = decided(text).replace("pitch = { x = 1.0, y = 1.0 }", "pitch = { x = 2.0, y = 4.0 }")
    (tmp_path / "a.toml").write_text(ready, encoding="utf-8")
    source = load_source(tmp_path / "a.toml")
    checked = identify(tmp_path / "a.npy", source)
    assert checked.placed_right is True
    assert "orientation target in view, and right" in said(checked)
    np.testing.assert_allclose(
        checked.scan.height.values - np.nanmin(checked.scan.height.values),  # type: ignore[union-attr]
        target - np.nanmin(target),
        atol=1e-5,
    )
    wrong = source.model_copy(update={"source": source.source.model_copy(
        update={"axes": ("y", "x")})})  # fmt: skip
    checked = identify(tmp_path / "a.npy", wrong)
    assert checked.placed_right is False
    assert 'target WRONG here: as stored, its bumps say axes = ["y", "-x"]' in said(checked)


def test_what_a_file_states_need_not_be_said(tmp_path: Path) -> None:
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file.attrs["started"] = "2026-03-01T08:30:00Z"
        scan = file.create_group("scan")
        scan.attrs["serial"] = "L 7"
        counts = (np.nan_to_num(as_stored(), nan=-32.768) * 1000).astype("i2")
        counts[:2, :5] = -32768
        heights = scan.create_dataset("height", data=counts)
        heights.attrs["units"] = "um"
        scan.create_dataset("small", data=np.zeros((3, 4)))
        file["encoder"] = 2.0 * np.arange(30)
        file["encoder"].attrs["units"] = "mm"
    identity = identify(tmp_path / "a.h5")
    text = description_text(identity)
    assert "# height_units" not in text
    assert "#   said: height_units: the file says 'um'" in text
    lines = text.splitlines()
    for line in (
        '# dataset = "scan/height"',
        '# positions = { x = "encoder" }',
        "# pitch = { y = 1.0 }",
        "# invalid = [-32768.0]",
        '# id_from = "attr:scan/serial"',
        '# scanned_at_from = "attr:started"',
    ):
        assert line in lines, line
    assert "numbers    encoder: 30 from 0 to 58 mm, pitch 2 mm" in said(identity)


def test_points_get_columns(tmp_path: Path) -> None:
    x, y = np.mgrid[0:40, 0:30]
    rows = [f"{a};{b};{0.01 * a + 0.02 * b:.4f}" for a, b in zip(x.flat, y.flat, strict=True)]
    (tmp_path / "a.csv").write_text("X;Y;Z\n" + "\n".join(rows) + "\n", encoding="utf-8")
    identity = identify(tmp_path / "a.csv")
    text = description_text(identity)
    assert '# columns = { x = "X", y = "Y", height = "Z" }' in text.splitlines()
    assert "points     1200" in said(identity)
    assert identity.preview is not None
    assert np.isfinite(identity.preview.height).any()


def test_names_from_a_file_do_no_harm(tmp_path: Path) -> None:
    nasty = 'a"\n[source]\x1b[31m'
    with h5py.File(tmp_path / "a.h5", "w") as file:
        file.create_dataset(nasty, data=as_stored())
        file.create_dataset("b", data=as_stored())
        file.attrs["serial\nx = 1"] = "\x1b[2J"
    identity = identify(tmp_path / "a.h5")
    assert tomllib.loads(description_text(identity)) == {"source": {}, "lite": {}}
    assert "\x1b" not in said(identity)
    assert one_line("a\nb\tc\x00") == "a b c"
    assert one_line("x" * 300).endswith("...")


def test_the_picture_names_corners_and_says_what_is_not_confirmed(tmp_path: Path) -> None:
    np.save(tmp_path / "a.npy", as_stored())
    figure = draw_identity(identify(tmp_path / "a.npy"))
    assert figure is not None
    texts = {text.get_text() for ax in figure.axes for text in ax.texts}
    asked = {"leading left?", "leading right?", "trailing left?", "trailing right?"}
    assert asked | {"travel"} <= texts
    titles = " ".join(text.get_text() for text in figure.texts)
    assert "PROPOSED, not confirmed: axes = ['x', 'y']" in titles
    source = SourceDescription.model_validate(
        {"source": {"axes": ("x", "y"), "height_units": "mm", "position_units": "mm",
                    "pitch": {"x": 2, "y": 3}}}
    )  # fmt: skip
    figure = draw_identity(identify(tmp_path / "a.npy", source))
    assert figure is not None
    texts = {text.get_text() for ax in figure.axes for text in ax.texts}
    assert {"leading left", "leading right", "trailing left", "trailing right", "travel"} <= texts
    titles = " ".join(text.get_text() for text in figure.texts)
    assert "as the file and the source description say" in titles
    assert figure.axes[0].get_xlabel() == "x / mm"


def test_colours_reach_to_the_tops_of_the_target(
    target: npt.NDArray[np.float64], tmp_path: Path
) -> None:
    np.save(tmp_path / "a.npy", 150.0 - np.nan_to_num(target, nan=np.nan))
    figure = draw_identity(identify(tmp_path / "a.npy"))
    assert figure is not None
    low, high = figure.axes[0].images[0].get_clim()
    assert 3.6 < high < 4.05  # well above 3 mm, though thinning misses the very top
    assert low == pytest.approx(0.0, abs=0.1)
    assert figure.axes[1].get_title(loc="left") == "as stored,\nsign turned,\nless a plane"


def test_no_corner_has_a_name_where_nothing_is_known(tmp_path: Path) -> None:
    rows = [f"{a};{b};{0.01 * a:.3f}" for a in range(50, 90) for b in range(-30, 0)]
    (tmp_path / "a.csv").write_text("X;Y;Z\n" + "\n".join(rows) + "\n", encoding="utf-8")
    figure = draw_identity(identify(tmp_path / "a.csv"))
    assert figure is not None
    assert not [text for ax in figure.axes for text in ax.texts]
    assert figure.axes[0].get_xlabel() == "column taken for x / as stored"
    assert figure.axes[0].images[0].get_extent() == [50.0, 89.0, -30.0, -1.0]


def test_a_damaged_file_is_refused_as_ever(tmp_path: Path) -> None:
    np.save(tmp_path / "a.npy", as_stored())
    content = (tmp_path / "a.npy").read_bytes()
    (tmp_path / "a.npy").write_bytes(content[:-9])
    with pytest.raises(CorruptScan, match="whole file"):
        identify(tmp_path / "a.npy")


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    np.save(tmp_path / "a.npy", as_stored())
    out = tmp_path / "out"
    assert main(["inspect", str(tmp_path / "a.npy"), "--out", str(out)]) == 0
    printed = capsys.readouterr().out
    assert "array      matrix: 30 x 17 numbers of type float32" in printed
    assert "missing    axes" in printed
    assert (out / "a.corners.png").read_bytes().startswith(PNG)
    written = (out / "a.source.toml").read_text(encoding="utf-8")
    assert written.rstrip() in printed
    assert tomllib.loads(written) == {"source": {}, "lite": {}}
    assert main(["inspect", str(tmp_path / "a.npy"), "--out", str(out)]) == 2  # already there
    assert "already there" in capsys.readouterr().err
    (tmp_path / "b.npy").write_bytes(b"\x93NUMPY nothing")
    assert main(["inspect", str(tmp_path / "b.npy")]) == 3


def test_the_target_by_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    scan = str(tmp_path / "target.nc")
    assert main(["simulate", "--orientation-target", "--out", scan]) == 0
    assert main(["inspect", scan]) == 0
    assert "orientation target in view, and right: 1 mm leading left" in capsys.readouterr().out
    assert main(["simulate", "--out", str(tmp_path / "b.nc")]) == 2
    recipe = str(tmp_path / "any.toml")
    assert main(["simulate", recipe, "--orientation-target", "--out", scan]) == 2
    assert "one of the two" in capsys.readouterr().err
