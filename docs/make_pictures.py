"""The pictures of the README, from the shipped scans: ``make pictures``."""

from __future__ import annotations

from pathlib import Path

from midchord.configs import shipped
from midchord.report.pictures import save_picture
from midchord.run import map_file

HERE = Path(__file__).parent / "pictures"


def main() -> None:
    HERE.mkdir(exist_ok=True)
    maps = map_file(shipped("sample-scans", "demo-heron.nc"))
    for what in ("gauge_distortion", "centre_line"):
        save_picture(maps, what, HERE / f"{what}.png", overwrite=True)


if __name__ == "__main__":
    main()
